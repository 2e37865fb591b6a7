"""One coil's line: what is decided, what is sent, what waits and what is forgotten."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import cast

import pytest

from bridge.coil_line import CoilLine
from bridge.link.session import Session
from bridge.link.slots import MOTION_S
from bridge.music.voices import Hold, VoiceAsk
from firmware_protocol.messages import TICK_HZ, Slot
from tests.chain.rig import one_coil

QUEUE_FRAMES = 16
"""What a controller must hold (PROTOCOL.md, section 7)."""
LATEST_S = 0.020
"""A controller applies a frame that is this late at once, a later one it refuses (the same)."""
REFRESH_S = 0.037
"""An armed host says every coil's state again this often (PROTOCOL.md)."""
LEAD_S = 0.025


@dataclass
class Sent:
    now_s: float
    slots: tuple[Slot | None, ...]
    apply_s: float | None
    forget_later: bool

    @property
    def periods(self) -> list[int]:
        return [slot.period for slot in self.slots if slot is not None]


class Clock:
    def slew(self, now_s: float, *, jump: bool) -> float:
        return float(TICK_HZ)


@dataclass
class Listener:
    """In the session's place: keeps what it is told to send."""

    sent: list[Sent] = field(default_factory=list[Sent])
    clock: Clock = field(default_factory=Clock)

    def voices_frame(
        self,
        now_s: float,
        output: int,
        slots: tuple[Slot | None, ...],
        apply_s: float | None,
        *,
        forget_later: bool = False,
    ) -> bytes:
        self.sent.append(Sent(now_s, slots, apply_s, forget_later))
        return b"frame"


class Stage:
    def __init__(self, *, jitter_ms: float = 5.0, offset_s: float = 0.0, **coil: object) -> None:
        config = one_coil(**coil)
        controller = config.controller[0].model_copy(update={"link_jitter_ms": jitter_ms})
        self.heard = Listener()
        session = cast(Session, cast(object, self.heard))
        self.line = CoilLine(config.coil[0], controller, session, offset_s)
        self.line.begin(0.0)

    def send(self, now_s: float, *, scheduled: bool = True) -> Sent | None:
        """One frame at most, as the engine asks for it."""
        before = len(self.heard.sent)
        data = self.line.frame(now_s, scheduled_s=now_s + LEAD_S if scheduled else None)
        assert (data is not None) == (len(self.heard.sent) == before + 1)
        return None if data is None else self.heard.sent[-1]

    def opened(self) -> Stage:
        """The first frame of the session is out, and nothing waits."""
        assert self.send(0.0, scheduled=False) is not None
        return self


def ask(hz: float, voice_id: int = 1, energy: float = 0.5) -> tuple[VoiceAsk, ...]:
    return (VoiceAsk(voice_id, hz, energy, 57, 1, Hold.HELD, 0.0),)


def period(hz: float) -> int:
    """In 1/256 tick (PROTOCOL.md, section 2)."""
    return round(TICK_HZ * 256 / hz)


def test_a_new_session_says_silence_at_once_and_nothing_of_the_one_before() -> None:
    stage = Stage().opened()
    line = stage.line
    line.ask(ask(100.0))
    line.plan(0.03)
    line.plan(0.04)
    line.begin(1.0)
    assert line.due_s() == -math.inf
    assert not line.sounding
    first = stage.send(1.0)
    assert first is not None
    assert first.slots == ()
    assert not first.forget_later
    assert stage.send(1.001) is None, "nothing is left of what was planned"
    assert line.due_s() == pytest.approx(1.0 + REFRESH_S)


def test_what_does_not_change_is_said_again_every_refresh() -> None:
    stage = Stage(offset_s=-0.004).opened()
    stage.line.ask(ask(100.0, energy=0.01))
    stage.line.plan(0.030)
    assert stage.send(0.005) is not None
    now_s = 0.005
    while stage.line.governor.moving():
        now_s += MOTION_S
        stage.line.plan(now_s + LEAD_S)
        assert stage.send(now_s) is not None
    for number in range(1, 4):
        due_s = stage.line.due_s()
        assert due_s == pytest.approx(now_s + number * REFRESH_S)
        assert stage.send(due_s - 1e-6) is None
        again = stage.send(due_s)
        assert again is not None
        assert again.periods == [period(100.0)]
        assert again.apply_s == pytest.approx(due_s + LEAD_S - 0.004), "the coil's own offset"
    stage.line.ask(stage.line.asks)
    assert stage.line.due_s() > now_s, "asking for the same is no news"


def test_what_was_decided_is_sent_once_each_in_its_order() -> None:
    stage = Stage().opened()
    for number, hz in enumerate((100.0, 110.0)):
        stage.line.ask(ask(hz))
        stage.line.plan(0.030 + 0.001 * number)
    one, two = stage.send(0.006), stage.send(0.006)
    assert one is not None
    assert two is not None
    assert (one.periods, one.apply_s) == ([period(100.0)], pytest.approx(0.030))
    assert (two.periods, two.apply_s) == ([period(110.0)], pytest.approx(0.031))
    assert stage.send(0.006) is None


def flood(stage: Stage, from_s: float, count: int, *, send: bool) -> float:
    """A new pitch every half millisecond, planned a lead ahead. The time at the end."""
    now_s = from_s
    for number in range(count):
        now_s = from_s + number * 0.0005
        stage.line.ask(ask(100.0 + number))
        stage.line.plan(now_s + LEAD_S)
        if send:
            stage.send(now_s)
    return now_s


def test_a_flood_never_fills_the_controllers_queue() -> None:
    stage = Stage(offset_s=0.09).opened()  # a near coil: its frames wait long on the board
    now_s = flood(stage, 0.1, 400, send=True)
    queued = 0
    for sent in stage.heard.sent[1:]:
        waiting = [
            s
            for s in stage.heard.sent
            if s.apply_s is not None and s.now_s <= sent.now_s < s.apply_s
        ]
        queued = max(queued, len(waiting))
    assert 10 < queued < QUEUE_FRAMES
    # Full: what is next to say waits for the first that the board has applied.
    first_s = min(s.apply_s for s in stage.heard.sent if s.apply_s and s.apply_s > now_s)
    assert stage.line.due_s() == pytest.approx(first_s)
    assert stage.send(first_s - 1e-6) is None
    assert stage.send(first_s) is not None


def test_a_flood_with_no_room_waits_as_two_decisions_and_one_newest_state() -> None:
    stage = Stage().opened()
    now_s = flood(stage, 0.1, 300, send=False)
    sent = [stage.send(now_s) for _ in range(4)]
    periods = [s.periods[0] for s in sent if s is not None]
    assert periods == [period(100.0), period(101.0), period(399.0)]
    assert sent[3] is None


def test_with_the_queue_full_the_newest_is_decided_when_there_is_room() -> None:
    stage = Stage(offset_s=0.09).opened()
    now_s = flood(stage, 0.1, 400, send=True)
    newest = ask(77.0)
    stage.line.ask(newest)
    stage.line.plan(now_s + LEAD_S)
    for _ in range(4):
        now_s = max(now_s, stage.line.due_s())
        last = stage.send(now_s)
        if last is not None and last.periods == [period(77.0)]:
            return
    pytest.fail("what was asked last was never said")


@pytest.mark.parametrize("jitter_ms", [0.0, 5.0])
def test_a_frame_that_may_come_too_late_for_its_time_applies_on_arrival(jitter_ms: float) -> None:
    for late_s in (0.0, 0.012, 0.0179, 0.0181, 0.0201, 0.1):
        stage = Stage(jitter_ms=jitter_ms).opened()
        stage.line.ask(ask(100.0))
        stage.line.plan(0.030)
        sent = stage.send(0.030 + late_s)
        assert sent is not None
        assert sent.periods == [period(100.0)]
        may_be_late_s = late_s + jitter_ms / 1000
        if sent.apply_s is not None:
            assert sent.apply_s == pytest.approx(0.030)
            assert may_be_late_s < LATEST_S, "the controller would refuse it"
        else:
            assert may_be_late_s > LATEST_S - 0.003, "in time, yet its time was thrown away"


def test_a_late_frame_takes_no_place_in_the_queue() -> None:
    stage = Stage().opened()
    for number in range(40):
        at_s = 0.1 + number * 0.001
        stage.line.ask(ask(100.0 + number))
        stage.line.plan(at_s)
        late = stage.send(at_s + 0.1)
        assert late is not None
        assert late.apply_s is None


@pytest.mark.parametrize(("frames", "sent"), [(3, True), (400, True), (3, False)])
def test_hush_goes_first_and_makes_both_ends_forget(frames: int, sent: bool) -> None:
    """What the board holds, its queue full of it, or what is decided and not sent yet."""
    stage = Stage(offset_s=0.09).opened()
    now_s = flood(stage, 0.1, frames, send=sent)
    stage.line.hush(now_s)
    assert not stage.line.sounding
    assert stage.line.due_s() == -math.inf
    hushed = stage.send(now_s)
    assert hushed is not None
    assert (hushed.slots, hushed.apply_s, hushed.forget_later) == ((), None, True)
    later = stage.send(now_s)
    assert later is None, "nothing of what was planned comes after it"
    stage.line.ask(ask(100.0, voice_id=9))
    stage.line.plan(now_s + LEAD_S)
    after = stage.send(now_s)
    assert after is not None, "the board's queue is empty again: there is room"
    assert after.periods == [period(100.0)]
    assert not after.forget_later, "once is enough"


@pytest.mark.parametrize("hushed", [False, True])
def test_silence_drops_what_was_planned_and_what_was_still_to_be_said(hushed: bool) -> None:
    stage = Stage().opened()
    stage.line.ask(ask(100.0))
    stage.line.plan(0.030)
    stage.line.ask(ask(110.0))
    if hushed:
        stage.line.hush(0.005)
    stage.line.silence(0.006)
    assert stage.line.governed.voices == ()
    assert stage.line.due_s() == pytest.approx(REFRESH_S), "no hurry: the controller is dark"
    assert stage.send(0.007) is None


def test_immediate_frames_carry_no_time_and_the_newest_state() -> None:
    stage = Stage(offset_s=0.02).opened()
    stage.line.ask(ask(100.0))
    stage.line.ask(ask(120.0))
    sent = stage.send(0.010, scheduled=False)
    assert sent is not None
    assert (sent.periods, sent.apply_s, sent.forget_later) == ([period(120.0)], None, False)


def test_who_is_held_back_is_kept_for_the_record_at_each_change_only() -> None:
    stage = Stage(max_voices=1).opened()
    stage.line.held_back_changes.clear()
    two = (*ask(100.0, 1), *ask(130.0, 2))
    for step in range(5):
        stage.line.ask((*two[:1], *ask(130.0 + step, 2)))
        stage.send(0.01 + step * MOTION_S, scheduled=False)
    assert [len(held) for held in stage.line.held_back_changes] == [1]
    stage.line.ask(ask(134.0, 2))  # of two alike the older one had gone
    assert stage.send(0.2, scheduled=False) is not None
    assert [len(held) for held in stage.line.held_back_changes] == [1, 0]


def test_what_was_not_to_be_played_over_is_not() -> None:
    """It keeps no record to come back to: a rehearsal whose inputs all wait for their time."""
    config = one_coil()
    session = cast(Session, cast(object, Listener()))
    for early_s, played_over in ((0.02, False), (0.0, True)):
        line = CoilLine(
            config.coil[0], config.controller[0], session, 0.0,
            early_s=early_s, played_over=played_over,
        )  # fmt: skip
        line.begin(0.0)
        with pytest.raises(RuntimeError, match="Larkspur: nothing was to play over"):
            line.play_over(0.1, 0.11, ())
