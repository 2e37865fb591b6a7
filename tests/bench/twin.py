"""The Python model and the C core on the host, told what one program on the image was told.

And where the image may differ from them (PROTOCOL.md, section 8, prepared pulses).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from typing import Any

from bridge.link.simulated_scheduler import OutputScheduler
from bridge.link.simulated_settings import BoardSettings
from firmware_protocol.catalogue import Cause, GuardReason, ResetCause, State
from firmware_protocol.framing import FrameReader
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    MessageError,
    Status,
    Voices,
    parse_controller_message,
    parse_host_message,
)
from tests.bench.told import Program, Told
from tests.firmware.pair import M32, Pair

MARGIN = 3000
"""Ticks, 1.5 ms: twice the longest round of the main loop, and the way of a pulse to its timer."""
PREPARED = 4
"""Grid points of an output that are prepared ahead."""
FRAME_TICKS = 6000
"""3 ms: so long may the processor be with a frame's bytes and the four trains it begins."""


class Twin(Pair):
    """The model and the host's core, told what one program on the image was told."""

    def __init__(self, settings: BoardSettings, program: Program, cause: ResetCause) -> None:
        super().__init__(settings, program.memory, power_on=cause)
        self.frame_reader = FrameReader()
        self.loose: list[list[tuple[int, int]]] = [[], [], [], []]
        """For each output: stretches of ticks in which the image may differ."""
        self.frames: list[int] = []
        """When voices frames, of whatever output, had been received."""
        self.decided: list[list[int]] = [[], [], [], []]
        """For each output: the ticks of its grid points, delayed ones where they came."""
        self.refused: list[list[tuple[int, GuardReason]]] = [[], [], [], []]
        """For each output: which of them the guard refused, and why."""
        for output in self.model._outputs:
            self.listen(output)
        for one in program.told:
            self.tell(one)

    def listen(self, output: OutputScheduler) -> None:
        """Keeps every decision of the model's."""
        decide, decided = output.decide, self.decided[output.output]
        refused = self.refused[output.output]

        def listening(tick: int) -> GuardReason:
            decided.append(tick)
            reason = decide(tick)
            if reason:
                refused.append((tick, reason))
            return reason

        output.decide = listening

    def tell(self, one: Told) -> None:
        """At its own tick, extended."""
        self.tick += (one.tick - self.tick) & M32
        match one.name:
            case "core_bytes":
                self.note(one.bytes_)
                self.both("receive", one.bytes_)
            case "core_inputs":
                bits = one.value
                self.both(
                    "set_inputs",
                    estop_a=bool(bits & 1),
                    estop_b=bool(bits & 2),
                    key=bool(bits & 4),
                    local_stop=bool(bits & 8),
                    ready={n: bool(bits & (16 << n)) for n in range(4)},
                )
            case "core_pin_mismatch":
                self.both("set_inputs", pin_mismatch=bool(one.value))
            case "core_fault":
                self.both("internal_fault")
            case name:
                self.both(name.removeprefix("core_"))
        self.settle()

    def statuses(self) -> Iterator[tuple[int, Status]]:
        """Those that the twins sent, each with its tick."""
        reader = FrameReader()
        for tick, data in self.said:
            for frame in reader.feed(data):
                message = parse_controller_message(frame.type_code, frame.payload)
                if isinstance(message, Status):
                    yield tick, message

    def loosen_where_armed_ended(self) -> None:
        """Also by a lease that expired, which nobody told."""
        armed = False
        for tick, status in self.statuses():
            if armed and status.state != State.ARMED:
                self.loosen(range(4), tick)
            armed = status.state == State.ARMED

    def note(self, data: bytes) -> None:
        """Frames after which an output may differ for a while."""
        for frame in self.frame_reader.feed(data):
            if frame.type_code != Voices.TYPE:
                continue
            self.frames.append(self.tick)
            try:
                message = parse_host_message(frame.type_code, frame.payload)
            except MessageError:
                continue
            assert isinstance(message, Voices)
            ahead = (message.apply_at - self.tick + 2**31) % 2**32 - 2**31
            if message.output < 4 and (message.flags & FLAG_IMMEDIATE or ahead < MARGIN):
                self.loosen([message.output])

    def unsure_trip(self) -> int | None:
        """The first trip by refusals that the image need not have: one of the refused pulses it may
        have dropped (PROTOCOL.md, section 8: what is not refused does not trip). From then on it
        lawfully plays what the twins do not."""
        armed_at: int | None = None
        for tick, status in self.statuses():
            if status.state == State.ARMED:
                armed_at = tick if armed_at is None else armed_at
            elif armed_at is not None:
                if status.cause == Cause.GUARD_REFUSALS and any(
                    armed_at <= at <= tick and self.may_differ(output, at)
                    for output, refused in enumerate(self.refused)
                    for at, _ in refused
                ):
                    return tick
                armed_at = None
        return None

    def loosen(self, outputs: Any, tick: int | None = None) -> None:
        at = self.tick if tick is None else tick
        for output in outputs:
            self.loose[output].append((at - MARGIN, at + MARGIN))

    def may_differ(self, output: int, tick: int) -> bool:
        """By PROTOCOL.md, section 8, prepared pulses."""
        return any(a <= tick <= b for a, b in self.loose[output]) or (
            any(frame - MARGIN <= tick <= frame + FRAME_TICKS for frame in self.frames)
            and self.is_dense(self.decided[output], tick)
        )

    @staticmethod
    def is_dense(decided: list[int], tick: int) -> bool:
        """Was it too early to be one of the four that are prepared?"""
        before = bisect_left(decided, tick)
        return before >= PREPARED and tick - decided[before - PREPARED] < FRAME_TICKS

    def min_off_ticks(self, output: int) -> int:
        limits = self.model._outputs[output].guard.limits
        return 0 if limits is None else limits.min_off_ticks

    def last_reasons(self, output: int) -> set[GuardReason]:
        """What the guard may have refused last: the last one, and before it if that may differ."""
        reasons: set[GuardReason] = set()
        for tick, reason in reversed(self.refused[output]):
            reasons.add(reason)
            if not self.may_differ(output, tick):
                return reasons
        return reasons | {GuardReason.NONE}
