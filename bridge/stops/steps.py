"""Which stops a site has: what the operator does for each, and what it hangs on. Pure."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any

from bridge.config import Config, Input
from bridge.interlock import Cause


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
    wiring: str = ""
    """A digest of what the site file says of it: a proof of another wiring is none."""


def _digest(*parts: Any) -> str:
    text = json.dumps(parts, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _input(one: Input) -> dict[str, Any]:
    keys = {"name", "port_pattern", "virtual_port", "stop_controller", "stop_note"}
    return one.model_dump(mode="json", include=keys)


def stop_steps(config: Config) -> tuple[StopStep, ...]:
    """Every stop of the site, in the order to press them."""
    steps: list[StopStep] = []
    switch = config.dead_man
    for one in config.controller:
        at, wiring = one.name, _digest(one.model_dump(mode="json"))
        steps += [
            StopStep(
                f"{at}: emergency button",
                f"Press the emergency button of {at}.",
                frozenset({Cause.ESTOP_OPEN}),
                at,
                after="Release it.",
                wiring=wiring,
            ),
            StopStep(
                f"{at}: key",
                f"Turn the key of {at} off.",
                frozenset({Cause.KEY_OFF}),
                at,
                after="Turn it on again.",
                wiring=wiring,
            ),
            StopStep(
                f"{at}: local stop",
                f"Press the stop button on {at}.",
                frozenset({Cause.LOCAL_STOP}),
                at,
                after="Release it.",
                wiring=wiring,
            ),
        ]
    for stop in config.stop:
        what = "the button" if stop.kind == "button_line" else "any key of the keypad"
        held = switch.key_code if switch and switch.stop == stop.name else None
        steps.append(
            StopStep(
                f"stop {stop.name}",
                f"Press {what} {stop.name}.",
                frozenset({Cause.STOP_BUTTON}),
                stop.name,
                after="Release it.",
                wiring=_digest(stop.model_dump(mode="json"), held),
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
                    wiring=_digest(_input(one)),
                )
            )
    if switch is not None and switch.source != "panel":
        steps.append(
            StopStep(
                "dead man's switch",
                f"Let go of the dead man's switch for {switch.latch_after_s:g} s.",
                frozenset({Cause.DEAD_MAN}),
                "",
                after="Hold it again.",
                wiring=_digest(
                    switch.model_dump(mode="json"),
                    [_input(i) for i in config.input if i.name == switch.input],
                    [x.model_dump(mode="json") for x in config.stop if x.name == switch.stop],
                ),
            )
        )
    if config.mqtt is not None:
        steps.append(
            StopStep(
                "MQTT",
                f"Publish a stop to coilwarden/{config.mqtt.site}/stop.",
                frozenset({Cause.NETWORK_STOP}),
                "",
                wiring=_digest(
                    config.mqtt.model_dump(
                        mode="json", include={"host", "port", "bridge", "site", "tls"}
                    )
                ),
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
