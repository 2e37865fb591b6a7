"""A core that cannot take back what is about to start: its trains are where the model's are.

The fake timers keep every pulse that starts within LEAD ticks after a frame. That pulse may differ
(PROTOCOL.md, section 8, prepared pulses); every later one may not, for the gap after it is
reckoned with what the frame said. Limits are wide and trains seldom meet, so that a pulse more or
less changes no other. `COILWARDEN_EXAMPLES` asks for more hosts by hand.
"""

from __future__ import annotations

import os
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.link.simulated_controller import BoardMemory, BoardSettings, Pulse
from firmware_protocol.messages import FLAG_FORGET_LATER, FLAG_IMMEDIATE, Slot

from .pair import MS, Pair

LEAD = 200
POLL_EVERY = 50
UNTIL_SETTLED = 800
"""Ticks: a pulse kept, and the first of a new train behind it."""
EXAMPLES = int(os.environ.get("COILWARDEN_EXAMPLES", "150"))
WIDE = (400, 200, 2000, 240_000)

SLOT = st.builds(
    Slot,
    start=st.integers(1, 2),
    bangs=st.sampled_from((0, 0, 0, 7)),
    spread=st.sampled_from((0, 0, 64)),
    phase=st.sampled_from((0, 128)),
    on_ticks=st.sampled_from((20, 50)),
    step=st.sampled_from((0, 40, 4000)),
    period=st.integers(420_000, 900_000),
)
SLOTS = st.one_of(st.tuples(), st.tuples(SLOT), st.tuples(SLOT), st.tuples(st.none(), SLOT))
FRAMES = st.lists(
    st.tuples(
        st.integers(1000, 6000),
        SLOTS,
        st.sampled_from((0, 0, 0, 1500, 5000)),
        st.sampled_from((0, 0, FLAG_FORGET_LATER)),
    ),
    min_size=6,
    max_size=14,
)


class Led(Pair):
    """The model, and a core with a lead; told the same, not compared at every step."""

    def __init__(self) -> None:
        super().__init__(BoardSettings(board_id=1), BoardMemory())
        self.changes: list[int] = []
        self.mine: list[Pulse] = []

    def begin(self) -> None:
        for level in (False, True):
            self.both("set_inputs", estop_a=level, estop_b=level)
            self.advance(101 * MS)
        self.do(("limits", 0, WIDE))
        self.arm()
        self.core.port(POLL_EVERY, LEAD)

    def settle(self) -> None:
        if self.changes:  # compared in the end
            self.said += self.model.take_output()
            self.core.take_output()
            self.pulses += self.model.take_pulses()
            self.mine += self.core.take_pulses()
        else:
            super().settle()

    def frame(self, slots: tuple[Slot | None, ...], ahead: int, flags: int) -> None:
        immediate = 0 if ahead else FLAG_IMMEDIATE
        self.changes += [self.tick, self.tick + ahead]
        self.send(self.voices(0, slots, ahead, flags | immediate, 490_000))

    def unsettled(self, ahead: int) -> bool:
        """Would a frame now, `ahead` ticks ahead, come too soon before or after another change? The
        first pulse of a train comes late; its gap is then reckoned by what came before that."""
        return any(
            0 < abs(mine - other) < UNTIL_SETTLED
            for mine in (self.tick, self.tick + ahead)
            for other in self.changes
        )

    def told_apart(self) -> tuple[list[Any], list[Any]]:
        def steady(pulses: list[Pulse]) -> list[tuple[int, int]]:
            return [
                (p.start_tick, p.on_ticks)
                for p in pulses
                if not any(at <= p.start_tick <= at + UNTIL_SETTLED for at in self.changes)
            ]

        return steady(self.mine), steady(self.pulses)


@settings(max_examples=EXAMPLES, deadline=None)
@given(FRAMES)
def test_the_gap_after_a_pulse_that_could_not_be_taken_back(
    frames: list[tuple[int, tuple[Slot | None, ...], int, int]],
) -> None:
    pair = Led()
    pair.begin()
    for wait, slots, ahead, flags in frames:
        while pair.unsettled(ahead):
            pair.tick += 400
        pair.frame(slots, ahead, flags)
        pair.tick += wait  # not lived to its end: the next frame comes first at this tick
    while pair.unsettled(0):
        pair.tick += 400
    pair.frame((), 0, FLAG_FORGET_LATER)
    pair.advance(2 * MS)
    mine, models = pair.told_apart()
    assert mine == models


NOTE = Slot(1, 0, 0, 0, 20, 0, 512_000)


def starts(pulses: list[Pulse], begin: int) -> list[int]:
    return [p.start_tick - begin for p in pulses if p.start_tick >= begin]


def queued_note() -> tuple[Led, int]:
    """A note that begins, by a queued frame, 100 ticks from now: its first pulse is kept."""
    pair = Led()
    pair.begin()
    at = pair.tick + 3000
    pair.frame((NOTE,), 3000, 0)
    pair.advance(2900)
    return pair, at


def test_an_immediate_frame_just_before_a_queued_one_does_not_outlive_it() -> None:
    pair, at = queued_note()
    pair.frame((), 0, 0)
    pair.advance(7000)
    assert starts(pair.mine, at) == starts(pair.pulses, at) == [0, 2000, 4000, 6000]


def test_a_note_forgotten_just_before_it_begins_gives_one_pulse_at_most() -> None:
    pair, at = queued_note()
    pair.frame((), 0, FLAG_FORGET_LATER)
    pair.advance(7000)
    assert (starts(pair.mine, at), starts(pair.pulses, at)) == ([0], [])


def test_forgotten_and_asked_for_at_once_the_note_begins_anew() -> None:
    pair, at = queued_note()
    pair.frame((NOTE._replace(start=2),), 0, FLAG_FORGET_LATER)
    pair.advance(7000)
    assert starts(pair.pulses, at) == [1900, 3900, 5900]
    assert starts(pair.mine, at)[-3:] == [1900, 3900, 5900]


def test_a_frame_queued_before_a_pulse_that_is_kept_moves_the_next() -> None:
    pair, at = queued_note()
    pair.advance(2000)
    pair.frame((NOTE._replace(period=600_000),), 50, 0)
    pair.advance(7000)
    expected = [0, 2000, 2000 + 2344, 2000 + 4688]  # of 2343.75
    assert starts(pair.mine, at)[:4] == starts(pair.pulses, at)[:4] == expected
