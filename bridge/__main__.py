"""The console command; `python -m bridge` is the same."""

import sys

from bridge.compiled.use import prepare


def main() -> None:
    """Before anything of the core is imported it is settled whether it runs compiled."""
    prepare(sys.argv[1:])
    from bridge.cli import main as run  # noqa: PLC0415

    run()


if __name__ == "__main__":
    main()
