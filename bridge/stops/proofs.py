"""Which stops a site has, and when each was last pressed and seen to work. One small file."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, cast

from bridge.config import Config
from bridge.interlock import Cause
from bridge.latch_store import LatchStore


@dataclass(frozen=True, slots=True)
class StopStep:
    """One stop to press."""

    name: str
    """Short and stable."""
    ask: str
    """What the operator does."""
    causes: frozenset[Cause]
    origin: str
    """Whom the trip must name: a controller, an input, a stop, or "" for the site."""
    by: str = ""
    """Who must have done it, where several can give the same cause."""
    after: str = ""
    """What to do before the reset."""


def stop_steps(config: Config) -> tuple[StopStep, ...]:
    """Every stop of the site, in the order to press them."""
    steps: list[StopStep] = []
    for one in config.controller:
        at = one.name
        steps += [
            StopStep(
                f"{at}: emergency button",
                f"Press the emergency button of {at}.",
                frozenset({Cause.ESTOP_OPEN}),
                at,
                after="Release it.",
            ),
            StopStep(
                f"{at}: key",
                f"Turn the key of {at} off.",
                frozenset({Cause.KEY_OFF}),
                at,
                after="Turn it on again.",
            ),
            StopStep(
                f"{at}: local stop",
                f"Press the stop button on {at}.",
                frozenset({Cause.LOCAL_STOP}),
                at,
                after="Release it.",
            ),
        ]
    for stop in config.stop:
        what = "the button" if stop.kind == "button_line" else "any key of the keypad"
        steps.append(
            StopStep(
                f"stop {stop.name}",
                f"Press {what} {stop.name}.",
                frozenset({Cause.STOP_BUTTON}),
                stop.name,
                after="Release it.",
            )
        )
    for one in config.input:
        if one.stop_controller is not None or one.stop_note is not None:
            cc = f"controller (CC) {one.stop_controller}" if one.stop_controller is not None else ""
            note = one.stop_note
            key = f"note {note.note} on channel {note.channel}" if note else ""
            steps.append(
                StopStep(
                    f"input {one.name}",
                    f"On {one.name}, send the stop: {' or '.join(x for x in (cc, key) if x)}.",
                    frozenset({Cause.MIDI_STOP}),
                    one.name,
                )
            )
    switch = config.dead_man
    if switch is not None and switch.source != "panel":
        steps.append(
            StopStep(
                "dead man's switch",
                f"Let go of the dead man's switch for {switch.latch_after_s:g} s.",
                frozenset({Cause.DEAD_MAN}),
                "",
                after="Hold it again.",
            )
        )
    if config.mqtt is not None:
        steps.append(
            StopStep(
                "MQTT",
                f"Publish a stop to coilwarden/{config.mqtt.site}/stop.",
                frozenset({Cause.NETWORK_STOP}),
                "",
            )
        )
    steps += [
        StopStep(
            "another shell",
            "In another shell: coilwarden stop, with this site's file.",
            frozenset({Cause.OPERATOR_STOP}),
            "",
            "another shell",
        ),
        StopStep(
            "terminal",
            "Here: the space bar (or the word stop).",
            frozenset({Cause.OPERATOR_STOP}),
            "",
            "terminal",
        ),
    ]
    return tuple(steps)


def unproven(
    proven_on: Mapping[str, date], steps: Sequence[StopStep], today: date
) -> tuple[str, ...]:
    """The stops without a proof of today. Pure: `today` is the local date. A proof dated after
    today is none: the clock was wrong then, or is now."""
    return tuple(s.name for s in steps if proven_on.get(s.name) != today)


class ProofStore:
    """The file. What cannot be read proves nothing."""

    def __init__(self, config: Config) -> None:
        self.path: Path = LatchStore(config).path.with_suffix("").with_suffix(".proofs.json")

    def load(self) -> dict[str, date]:
        """When each stop was last proven."""
        try:
            raw = json.loads(self.path.read_text(encoding="utf-8"))
            kept = cast(dict[str, Any], raw["proofs"])
            return {name: date.fromisoformat(proof["date"]) for name, proof in kept.items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}

    def add(self, step: StopStep, today: date, dark_after_ms: float) -> None:
        """Raises OSError."""
        kept: dict[str, Any] = {}
        if self.load():
            kept = json.loads(self.path.read_text(encoding="utf-8"))["proofs"]
        kept[step.name] = {"date": today.isoformat(), "dark_after_ms": round(dark_after_ms, 1)}
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.path.with_suffix(".new")
        fresh.write_text(json.dumps({"version": 1, "proofs": kept}, indent=1), encoding="utf-8")
        os.replace(fresh, self.path)
