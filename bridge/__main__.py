"""`python -m bridge` is `coilwarden`."""

from bridge.cli import main

main()
