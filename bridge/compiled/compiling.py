"""`python -m bridge.compiled.compiling COPY BUILD`, where the sources are: compiles.

A process of its own, for compilers read the working directory and the environment.
"""

from __future__ import annotations

import os
import sys

from bridge.compiled.cache import LIBRARY, MODULES

FLAGS = "-ffp-contract=off"
"""Processors that multiply and add in one step round once less, which Python never does."""


def main() -> None:
    from mypyc.build import mypycify  # noqa: PLC0415
    from setuptools import setup  # noqa: PLC0415

    copy, build = sys.argv[1:]
    os.environ["CFLAGS"] = f"{os.environ.get('CFLAGS', '')} {FLAGS}".strip()
    files = [m.replace(".", "/") + ".py" for m in MODULES]
    checking = ["--config-file=", f"--cache-dir={build}/mypy", "--ignore-missing-imports"]
    extensions = mypycify(
        [*checking, *files],
        opt_level="2",
        debug_level="0",
        group_name=LIBRARY.removesuffix("__mypyc"),
        target_dir=build,
    )
    setup(
        name="coilwarden-compiled",
        ext_modules=extensions,  # pyright: ignore[reportArgumentType]  (distutils' by another name)
        script_args=["--quiet", "build_ext", f"--build-lib={copy}", f"--build-temp={build}"],
    )


if __name__ == "__main__":
    main()
