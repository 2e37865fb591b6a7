"""What the bench needs of a machine, and programs built for the chip."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from tests import npm
from tests.bench.records import BenchError

HERE = Path(__file__).resolve().parent
MCU = "atmega2560"

# program → the Debian package that has it
TO_RUN = {"node": "nodejs", "npm": "npm"}
TO_BUILD = {"avr-gcc": "gcc-avr", "avr-objcopy": "binutils-avr"}


def missing_packages() -> list[str]:
    """Debian packages the bench, and building images for it, need and this machine lacks."""
    needs = {**TO_RUN, **TO_BUILD}
    missing = {package for program, package in needs.items() if shutil.which(program) is None}
    if "gcc-avr" in missing or not _has_avr_libc():
        missing.add("avr-libc")
    return sorted(missing)


def _has_avr_libc() -> bool:
    command = ["avr-gcc", f"-mmcu={MCU}", "-E", "-include", "avr/io.h", "-xc", "/dev/null"]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def prepare() -> None:
    """Makes the bench ready to start; two processes may do so at once.

    Raises: BenchError naming the Debian packages that are missing, or with npm's own words.
    """
    missing = sorted(package for program, package in TO_RUN.items() if not shutil.which(program))
    if missing:
        raise BenchError(f"the bench needs: apt-get install {' '.join(missing_packages())}")
    if wrong := npm.install(HERE):
        raise BenchError(wrong)


def build(source: Path, into: Path, *flags: str) -> Path:
    """Compiles one C file for the chip; returns the ELF.

    Raises: BenchError naming the Debian packages that are missing, or with the compiler's words.
    """
    missing = missing_packages()
    if missing:
        raise BenchError(f"building for the chip needs: apt-get install {' '.join(missing)}")
    elf = into / (source.stem + ".elf")
    command = ["avr-gcc", f"-mmcu={MCU}", "-DF_CPU=16000000UL", "-std=gnu99", "-Os", "-Wall"]
    command += ["-Wextra", "-Werror", *flags, str(source), "-o", str(elf)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise BenchError(done.stderr)
    return elf
