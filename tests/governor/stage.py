"""A stage for the governor's tests: asks in, pulses out, through late and lost frames.

Asks → Governor → slots → frames that come up to the jitter late and of which one in a row may be
lost → PlainScheduler. No guard in between. Everything is seeded; times are host seconds.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from bridge.config import Coil
from bridge.governor.governor import Governed, Governor
from bridge.governor.limits import guard_limits
from bridge.link.slots import SlotMap
from bridge.music.voices import Hold, VoiceAsk
from firmware_protocol.messages import OutputLimits, Slot
from tests.governor.plain_scheduler import PlainScheduler
from tests.pulse_checker import Violation, check_pulses, worst_slot_sum

REFRESH_S = 0.037
MOTION_S = 0.009
MAX_ON_CEILING_TICKS = 800  # PROTOCOL.md, section 9: ceilings of the reference board
LEASE_S = 0.2


def coil(**changes: object) -> Coil:
    """A coil for tests; keys of the config's [[coil]] override."""
    values: dict[str, object] = {
        "name": "Larkspur",
        "controller": "Bench board",
        "output": 1,
        "min_on_time_us": 40,
        "max_on_time_us": 150,
        "min_off_time_us": 300,
        "max_break_rate_hz": 900,
        "duty_windows": [{"window_ms": 1000, "max_percent": 4}],
        "max_voices": 4,
    }
    return Coil.model_validate({**values, **changes})


def ask(
    voice_id: int,
    rate_hz: float,
    energy: float = 1.0,
    *,
    note: int | None = None,
    hold: Hold = Hold.HELD,
    started_s: float = 0.0,
    priority: bool = False,
    bang_count: int = 0,
    spread: float = 0.0,
    phase: float = 0.0,
) -> VoiceAsk:
    """One ask, with everything but id and rate at its plainest."""
    if note is None:
        note = round(69 + 12 * np.log2(rate_hz / 440))
    return VoiceAsk(
        voice_id, rate_hz, energy, min(127, max(0, int(note))), 1, hold, started_s, priority,
        bang_count, spread, phase,
    )  # fmt: skip


@dataclass
class Wire:
    """How bad the link is."""

    jitter_s: float = 0.005
    loss: float = 0.0
    """Share of frames lost, never two in a row."""
    extreme: bool = False
    """Delays are nought or the whole jitter, nothing in between."""
    cruel: bool = False
    """What lowers the duty is lost if it may be, else late by the whole jitter; what raises it
    comes at once."""
    board_error: float = 0.0
    """The board's clock runs faster by this share."""
    measured_wrong_ppm: float = 0.0
    early_s: float = 0.0
    """From `early_from_s` on states are commanded so much ahead of the time at which they take
    effect: to the governor that time has passed, and no coil has rested in it."""
    early_from_s: float = 0.0


@dataclass
class Stage:
    """One coil under test."""

    coil: Coil
    wire: Wire = field(default_factory=Wire)
    seed: int = 0
    make: Callable[..., Governor] = Governor

    def __post_init__(self) -> None:
        self.governor = self.make(
            self.coil,
            link_jitter_s=self.wire.jitter_s,
            lease_s=LEASE_S,
            refresh_s=REFRESH_S,
            early_s=self.wire.early_s,
        )
        self.limits: OutputLimits = guard_limits(self.coil)
        self.tick_hz = 2_000_000 * (1 + self.wire.board_error)
        self.told_hz = self.tick_hz * (1 + self.wire.measured_wrong_ppm * 1e-6)
        self.board = PlainScheduler(0, self.limits.min_off_ticks)
        self.answers: list[tuple[float, Governed]] = []
        self._random = random.Random(self.seed)
        self._slots = SlotMap()
        self._asks: tuple[VoiceAsk, ...] = ()
        self._said: tuple[Slot | None, ...] = ()
        self._now_s = 0.0
        self._sent_s = -1.0
        self._moved_s = -1.0
        self._arrived_s = 0.0
        self._lost_last = False
        self._flow = 0.0
        self.frames: list[tuple[int, tuple[Slot | None, ...]]] = []

    def play(self, at_s: float, asks: Sequence[VoiceAsk]) -> None:
        """From `at_s` on these are asked; before it, time passes."""
        self.wait(at_s)
        self._asks = tuple(asks)
        self._decide(at_s)

    def wait(self, until_s: float) -> None:
        """Motion and refreshes up to `until_s`."""
        while True:
            due = self._sent_s + REFRESH_S
            if self.governor.moving():
                due = min(due, self._moved_s + MOTION_S)
            if due > until_s:
                break
            if self.governor.moving() and due >= self._moved_s + MOTION_S:
                self._decide(due)
            else:
                self._send(due)
        self._now_s = until_s

    def freeze(self) -> None:
        """The host says nothing more: the last state stays until its lease ends."""
        self.frames.append((round((self._sent_s + LEASE_S) * self.tick_hz), ()))
        self.finish()

    def finish(self) -> list[tuple[int, int]]:
        """Fires what was commanded. All pulses so far, (start, on) in board ticks."""
        for tick, slots in self.frames:
            self.board.run(tick)
            self.board.apply(tick, slots)
        if self.frames:
            self.board.run(self.frames[-1][0] + 1)
        self.frames.clear()
        return self.board.pulses

    def _decide(self, at_s: float) -> None:
        wire = self.wire
        early_s = wire.early_s if at_s >= wire.early_from_s else 0.0
        answer = self.governor.update(at_s + early_s, self._asks)
        self.answers.append((at_s, answer))
        self._said = self._slots.seat(at_s, answer.voices, self.told_hz)
        self._moved_s = at_s
        self._send(at_s)

    def _send(self, at_s: float) -> None:
        self._sent_s = at_s
        wire = self.wire
        lost = self._random.random() < wire.loss
        share = self._random.random()
        if wire.extreme:
            share = round(share)
        flow = sum(slot.on_ticks / slot.period for slot in self._said if slot is not None)
        if wire.cruel:
            lost = flow < self._flow or (flow == self._flow and self._lost_last)
            share = 1.0 if flow < self._flow else 0.0
        if lost and not self._lost_last:
            self._lost_last = True
            return
        self._lost_last = False
        self._flow = flow
        self._arrived_s = max(self._arrived_s, at_s + wire.jitter_s * share)
        self.frames.append((round(self._arrived_s * self.tick_hz), self._said))

    # -- judgement ------------------------------------------------------------------------------

    def violations(self) -> list[Violation]:
        """Against the configuration itself, in true time."""
        to_us = 1e6 / self.tick_hz
        config = self.coil
        return check_pulses(
            [(start * to_us, on * to_us) for start, on in self.finish()],
            max_on_us=float(config.max_on_time_us),
            min_off_us=float(config.min_off_time_us),
            max_starts_1s=config.max_break_rate_hz,
            windows=[
                (w.window_ms * 1000.0, w.window_ms * 10.0 * w.max_percent)
                for w in config.duty_windows
            ],
        )

    def guard_shares(self, phases: int = 5) -> dict[str, float]:
        """The fullest 33 slots of each guard sum as a share of its bound, over slot phases."""
        pulses = self.finish()
        starts = np.array([p[0] for p in pulses], dtype=np.int64)
        on = np.array([p[1] for p in pulses], dtype=np.int64)
        limits = self.limits
        sums = {
            "rate": (1000, np.ones_like(on), limits.max_starts_1s),
            "duty 1 s": (1000, on, limits.max_duty_1s_ticks),
            "window 2": (limits.window2_ms, on, limits.window2_ticks),
            "window 3": (limits.window3_ms, on, limits.window3_ticks),
        }
        shares = {"on-time": float(on.max(initial=0)) / limits.max_on_ticks}
        for name, (window_ms, weights, bound) in sums.items():
            if not bound:
                continue
            slot = -(-(window_ms * 2000 + MAX_ON_CEILING_TICKS) // 32)
            shares[name] = max(
                worst_slot_sum(
                    starts, weights, slot_ticks=slot, first_boundary=slot * phase // phases
                )
                / bound
                for phase in range(phases)
            )
        return shares
