"""What a journal says of itself: which run, which site, which software, which configuration."""

from __future__ import annotations

import hashlib
import json
import platform
import time
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from bridge.bang_source import BangSource
from bridge.clocks import HostS
from bridge.config import SIMULATED_PORT, Config
from bridge.interlock import Latch
from bridge.latch_store import latch_as_text
from bridge.music.instrument import Instrument
from bridge.show.player import Player
from bridge.show.show_record import show_as_text, show_from_text
from bridge.show.show_source import ShowSource
from bridge.show.show_stage import ShowStage
from bridge.source import VoiceSource
from bridge.stage import Stage
from bridge.version import VERSION

_ROOT = Path(__file__).resolve().parents[2]


def code_digest() -> str:
    """SHA-256 over every file of the program that is Python. Reads some hundred files."""
    digest = hashlib.sha256()
    for package in ("bridge", "firmware_protocol"):
        for path in sorted((_ROOT / package).rglob("*.py")):
            digest.update(str(path.relative_to(_ROOT)).encode() + b"\0")
            digest.update(path.read_bytes() + b"\0")
    return digest.hexdigest()


class Began(NamedTuple):
    """A run, and the moment it began."""

    run: str
    at_s: HostS
    day_s: float
    """The same moment, in seconds since 1970 (UTC)."""


def about(config: Config, source: VoiceSource, latch: Latch, began: Began) -> dict[str, str]:
    """Everything but the code's digest."""
    used = config_as_json(config)
    return {
        "run": began.run,
        "site": config.site.name,
        "began_s": repr(began.at_s),
        "began_day_s": repr(began.day_s),
        "began": time.strftime("%Y-%m-%dT%H:%M:%S%z", time.localtime(began.day_s)),
        "version": VERSION,
        "python": platform.python_version(),
        "machine": f"{platform.system()} {platform.release()} {platform.machine()}",
        "config_text": config.text,
        "config_used": used,
        "config_digest": hashlib.sha256(used.encode()).hexdigest(),
        "latch": latch_as_text(latch),
        "source": json.dumps(describe_source(source)),
    }


def config_as_json(config: Config) -> str:
    """Every key with its value as used, so that it stays the same whatever defaults become."""
    values = config.model_dump(mode="json")
    for controller in values["controller"]:
        if controller["port"] != SIMULATED_PORT:  # the file may not hold it then
            del controller["simulated"]
    return json.dumps(values)


def config_from_json(text: str) -> Config:
    """Raises ValueError where today's program does not take it."""
    return Config.model_validate_json(text, strict=False)


def describe_source(source: VoiceSource) -> dict[str, str | float]:
    """How to make the like of it again."""
    match source:
        case Instrument():
            return {"kind": "instrument"}
        case Stage() if isinstance(source.inner, Instrument):
            return {"kind": "stage"}
        case ShowStage() if isinstance(source.inner, ShowSource):
            return {"kind": "show stage", "show": show_as_text(*source.inner.made_of)}
        case ShowSource():
            return {"kind": "show", "show": show_as_text(*source.made_of)}
        case BangSource():
            return {
                "kind": "bangs",
                "coil": source.coil,
                "break_rate_hz": source.break_rate_hz,
            }
        case _:
            return {"kind": type(source).__name__}


def make_source(config: Config, described: Mapping[str, str | float]) -> VoiceSource:
    """Raises ValueError for one that today's program does not know."""
    match described:
        case {"kind": "instrument"}:
            return Instrument(config)
        case {"kind": "stage"}:
            return Stage(config, Instrument(config))
        case {"kind": "show" | "show stage" as kind, "show": str(text)}:
            items, playing = show_from_text(text)
            show = ShowSource(config, Player(items), playing)
            return show if kind == "show" else ShowStage(config, show)
        case {"kind": "bangs", "coil": str(coil), "break_rate_hz": float(rate)}:
            return BangSource(config, coil, rate)
        case _:
            raise ValueError(f"played by {described.get('kind')}, which cannot be made again here")
