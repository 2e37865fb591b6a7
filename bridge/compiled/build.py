"""`coilwarden accelerate`: makes the compiled copy, and shows that it plays the same."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from bridge.compiled import cache

NEEDED = ("mypyc", "setuptools")
_MOST_SAID = 12


class AccelerateError(Exception):
    """There is no compiled copy; the text says why and what may be done."""


def run(*, remove: bool) -> None:
    """The command. Raises AccelerateError; whatever happens, rehearsals run without it."""
    try:
        if remove:
            shutil.rmtree(cache.folder(), ignore_errors=True)
            print("No compiled copy is left; rehearsals run from the sources.")
            return
        if cache.whole(cache.folder() / cache.name_of(cache.root())):
            print("The compiled copy of these sources is there already.")
            return
        copy = make()
    except OSError as error:
        raise AccelerateError(f"{error.filename}: {error.strerror or error}") from error
    print(f"Rehearsals run compiled from now on, until the program changes: {copy}")


def make() -> Path:
    """Compiles, compares, and puts the copy in its place. Raises AccelerateError, OSError."""
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise AccelerateError(
            f"{' and '.join(missing)} is missing: pip install 'coilwarden[accelerate]'"
        )
    cache.folder().mkdir(mode=0o700, parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".making-", dir=cache.folder()) as name:
        work = Path(name)
        # What is compiled, named and compared is one and the same, whoever edits meanwhile.
        sources, copy, build = work / "sources", work / "copy", work / "build"
        for source in cache.sources(cache.root()):
            place = sources / source.relative_to(cache.root())
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, place)
        for made in (copy, build):
            made.mkdir(mode=0o700)
        print("Compiling; that takes a minute or two ...", flush=True)
        _python(sources, "bridge.compiled.compiling", str(copy), str(build))
        print("Comparing what it plays with what the sources play ...", flush=True)
        if _python(sources, "bridge.compiled.proof") != _python(
            sources, "bridge.compiled.proof", str(copy)
        ):
            raise AccelerateError(
                "compiled, the core plays something else than its sources say: it is thrown away. "
                "Another version of mypy or of the compiler may do better"
            )
        cache.seal(copy)
        final = cache.folder() / cache.name_of(sources)
        for old in cache.folder().iterdir():
            if old != work:
                shutil.rmtree(old, ignore_errors=True)
        copy.rename(final)
    return final


def _python(sources: Path, *arguments: str) -> str:
    """What one of the program's modules prints, run from those sources. Raises AccelerateError."""
    done = subprocess.run(
        [sys.executable, "-m", *arguments],
        cwd=sources,
        env=os.environ | {"PYTHONPATH": str(sources), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    if done.returncode:
        said = (done.stdout + done.stderr).strip().splitlines()[-_MOST_SAID:]
        raise AccelerateError(
            "it cannot be compiled or compared here (a C compiler and Python's own headers are "
            "needed; Debian: gcc, python3-dev):\n  " + "\n  ".join(said)
        )
    return done.stdout
