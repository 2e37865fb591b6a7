"""Has the compiled copy imported in the place of the sources it was made of, before they are.

Standard library only, and nothing of the program: it is loaded before anything else is.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from importlib.machinery import ExtensionFileLoader, ModuleSpec
from importlib.util import spec_from_file_location
from pathlib import Path

from bridge.compiled import cache

COMMAND = "rehearse"
"""The one command that may run compiled code."""


class Finder:
    """Finds the modules of one compiled copy, and no others."""

    def __init__(self, copy: Path) -> None:
        self._files = {m: copy / cache.file_of(m) for m in (cache.LIBRARY, *cache.MODULES)}

    def find_spec(
        self, fullname: str, path: Sequence[str] | None = None, target: object = None
    ) -> ModuleSpec | None:
        """As importlib asks of what stands in sys.meta_path."""
        file = self._files.get(fullname)
        if file is None:
            return None
        loader = ExtensionFileLoader(fullname, str(file))
        return spec_from_file_location(fullname, file, loader=loader)


def use(copy: Path) -> bool:
    """From now on the copy's modules are imported. False: they cannot be; the sources are.

    Raises RuntimeError where one of them has been imported before: a rehearsal must not be half of
    this and half of that.
    """
    early = [m for m in cache.MODULES if m in sys.modules]
    if early:
        raise RuntimeError(f"too late for compiled code: {early[0]} is imported already")
    finder = Finder(copy)
    sys.meta_path.insert(0, finder)
    try:
        importlib.import_module(cache.LIBRARY)
    except ImportError:
        sys.meta_path.remove(finder)
        return False
    return True


def prepare(arguments: Sequence[str]) -> None:
    """For this command line: takes a compiled copy of these very sources where there is one and
    the command may; says so on standard error where there is one of others only."""
    if list(arguments[:1]) != [COMMAND]:
        return
    try:
        copy = cache.folder() / cache.name_of(cache.root())
        if cache.whole(copy) and use(copy):
            return
        is_other = any(cache.folder().iterdir())
    except OSError:
        return
    if is_other:
        print(
            "The compiled copy is of other sources than these and is left alone; `coilwarden "
            "accelerate` makes it anew.",
            file=sys.stderr,
        )
