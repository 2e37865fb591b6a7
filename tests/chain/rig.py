"""Whole sites in simulated time for the chain tests: config builders and measurements on pulses."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

from bridge.config import Config
from bridge.link.line_noise import LineNoise
from bridge.music.instrument import Instrument
from bridge.virtual_site import TimedPulse, VirtualSite
from tests.pulse_checker import Violation, check_pulses

INPUT = "keys"


def coil(name: str, controller: str, output: int, **changes: Any) -> dict[str, Any]:
    """One coil's section, roomy unless changed."""
    return {
        "name": name,
        "controller": controller,
        "output": output,
        "min_on_time_us": 40,
        "max_on_time_us": 150,
        "min_off_time_us": 200,
        "max_break_rate_hz": 2000,
        "duty_windows": [{"window_ms": 1000, "max_percent": 12}],
        "max_voices": 4,
        "notes": {"lowest": 16, "highest": 95, "outside": "drop"},
    } | changes


def site(
    coils: Sequence[dict[str, Any]],
    *,
    controllers: Sequence[dict[str, Any]] | None = None,
    inputs: Sequence[dict[str, Any]] | None = None,
    music: dict[str, Any] | None = None,
    **site_changes: Any,
) -> Config:
    """A configuration with simulated controllers named as the coils name them."""
    names = sorted({c["controller"] for c in coils})
    return Config.model_validate(
        {
            "site": {"name": "Depot yard", **site_changes},
            "controller": controllers
            or [
                {"name": n, "port": "simulated", "board_id": f"c01100{i:02x}"}
                for i, n in enumerate(names)
            ],
            "coil": list(coils),
            "input": inputs or [{"name": INPUT, "virtual_port": "Coilwarden", "max_note_s": 600}],
            "music": music or {},
        }
    )


def one_coil(**changes: Any) -> Config:
    return site([coil("Larkspur", "North", 1, **changes)])


def armed(
    config: Config,
    *,
    seed: int | None = None,
    loss: float = 0.0,
    duplicate: float = 0.0,
    flip: float = 0.0,
    bursts: float = 0.0,
    **options: Any,
) -> VirtualSite:
    """An armed site. With a seed its lines jitter as much as configured and lose at most one
    refresh in a row."""

    def noise(controller: str, direction: str) -> LineNoise | None:
        if seed is None:
            return None
        found = next(c for c in config.controller if c.name == controller)
        return LineNoise(
            seed * 2 + (direction == "to_host"),
            loss=loss,
            duplicate=0.0 if bursts and direction == "to_board" else duplicate,
            flip=flip,
            bursts=bursts if direction == "to_board" else 0.0,
            jitter_s=found.link_jitter_ms / 1000,
            one_loss_in_a_row=True,
        )

    built = VirtualSite(config, Instrument(config), noise=noise, **options)
    built.arm(within_s=120.0)
    return built


def organ(played: VirtualSite, *channels: int) -> None:
    """A sound that neither decays nor swells, so that pulses show the notes and the limits only.

    General MIDI program 17 (number 16 on the wire): the organ family.
    """
    for channel in channels or (1,):
        played.midi(INPUT, bytes((0xC0 | channel - 1, 16)))


def note_on(note: int, velocity: int = 100, channel: int = 1) -> bytes:
    return bytes((0x90 | channel - 1, note, velocity))


def note_off(note: int, channel: int = 1) -> bytes:
    return bytes((0x80 | channel - 1, note, 0))


def control(number: int, value: int, channel: int = 1) -> bytes:
    return bytes((0xB0 | channel - 1, number, value))


def bend(cents: float, channel: int = 1) -> bytes:
    """With the default range of ± 200 cents."""
    value = max(0, min(16383, 8192 + round(cents / 200 * 8192)))
    return bytes((0xE0 | channel - 1, value & 0x7F, value >> 7))


def gaps_ticks(pulses: Sequence[TimedPulse]) -> list[int]:
    return [b.start_tick - a.start_tick for a, b in itertools.pairwise(pulses)]


def between(pulses: Sequence[TimedPulse], start_s: float, end_s: float) -> list[TimedPulse]:
    return [p for p in pulses if start_s <= p.start_s < end_s]


def violations(config: Config, played: VirtualSite) -> list[Violation]:
    """Everything the independent checker finds wrong with all pulses so far, in true time."""
    found: list[Violation] = []
    pulses = played.take_pulses()
    for one in config.coil:
        found += check_pulses(
            [(p.start_s * 1e6, p.on_s * 1e6) for p in pulses[one.name]],
            max_on_us=one.max_on_time_us,
            min_off_us=one.min_off_time_us,
            max_starts_1s=one.max_break_rate_hz,
            windows=[
                (w.window_ms * 1000, w.window_ms * 10 * w.max_percent) for w in one.duty_windows
            ],
        )
    return found


def guard_refusals(played: VirtualSite) -> int:
    return sum(
        o.guard_refusals
        for session in played.engine.sessions.values()
        if session.status is not None
        for o in session.status.per_output
    )


def collisions_dropped(played: VirtualSite) -> int:
    return sum(
        o.collisions_dropped
        for session in played.engine.sessions.values()
        if session.status is not None
        for o in session.status.per_output
    )
