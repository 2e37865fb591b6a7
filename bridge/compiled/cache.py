"""Which modules are compiled, what a compiled copy is called, and whether one is whole.

Standard library only, and nothing of the program: it is loaded before anything else is.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import sysconfig
from collections.abc import Iterator
from pathlib import Path
from typing import cast

PACKAGES = ("bridge", "firmware_protocol")
LIBRARY = "coilwarden__mypyc"
"""Holds all of the machine code; beside it each module is a few lines that lead there."""
MODULES = (
    "bridge.clocks",
    "bridge.coil.curves",
    "bridge.coil_line",
    "bridge.governor.admission",
    "bridge.governor.bucket",
    "bridge.governor.governor",
    "bridge.governor.mains",
    "bridge.governor.mains_budget",
    "bridge.governor.order",
    "bridge.governor.power",
    "bridge.governor.reasons",
    "bridge.governor.scale",
    "bridge.governor.shape",
    "bridge.governor.train",
    "bridge.interlock",
    "bridge.link.simulated_guard",
    "bridge.link.simulated_scheduler",
    "bridge.link.slots",
    "bridge.music.allocation",
    "bridge.music.channel",
    "bridge.music.envelope",
    "bridge.music.events",
    "bridge.music.instrument",
    "bridge.music.keys",
    "bridge.music.mpe",
    "bridge.music.note",
    "bridge.music.percussion",
    "bridge.music.phase",
    "bridge.music.player",
    "bridge.music.routing",
    "bridge.music.stealing",
    "bridge.music.train",
    "bridge.music.tuning",
    "bridge.music.voices",
    "bridge.performance",
    "bridge.rehearse.account",
    "bridge.rehearse.direct_site",
    "bridge.timeline",
    "bridge.voice_priority",
    "firmware_protocol.wire",
)
"""What a rehearsal spends its time in, with what that calls most."""
MANIFEST = "manifest.json"
"""Every file of a copy with its digest; written last, so that half a copy has none."""


def root() -> Path:
    """Where the program's packages are."""
    return Path(__file__).resolve().parents[2]


def sources(where: Path) -> Iterator[Path]:
    """Every Python source of the program that is there, in a fixed order."""
    for package in PACKAGES:
        yield from sorted((where / package).rglob("*.py"))


def name_of(where: Path) -> str:
    """What a copy made of these sources for this Python is called. Raises OSError."""
    digest = hashlib.sha256()
    python = (sys.version, sysconfig.get_platform(), sysconfig.get_config_var("EXT_SUFFIX"))
    digest.update(repr(python).encode())
    for source in sources(where):
        data = source.read_bytes()
        digest.update(f"{source.relative_to(where).as_posix()} {len(data)}\n".encode() + data)
    return digest.hexdigest()[:40]


def folder() -> Path:
    """Where compiled copies are kept."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "coilwarden" / "compiled"


def file_of(module: str) -> str:
    """A module's file within a copy."""
    return module.replace(".", "/") + str(sysconfig.get_config_var("EXT_SUFFIX"))


def seal(copy: Path) -> None:
    """Writes the manifest of a copy that is done. Raises OSError."""
    found = {m: _digest(copy / file_of(m)) for m in (LIBRARY, *MODULES)}
    (copy / MANIFEST).write_text(json.dumps(found, indent=1), encoding="utf-8")


def whole(copy: Path) -> bool:
    """Is it there, all of it, as it was sealed, and can nobody else have written to it?"""
    try:
        for place in (copy, copy.parent):
            found = place.stat()
            if hasattr(os, "getuid") and (found.st_uid != os.getuid() or found.st_mode & 0o022):
                return False
        told = json.loads((copy / MANIFEST).read_text(encoding="utf-8"))
        if not isinstance(told, dict):
            return False
        digests = cast(dict[str, object], told)
        return all(digests.get(m) == _digest(copy / file_of(m)) for m in (LIBRARY, *MODULES))
    except (OSError, ValueError):
        return False


def _digest(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()
