"""Rules of PROTOCOL.md, 7 and 8, that two hosts in a thousand happen to meet: core and model alike,
and as worked out by hand. Faults in these were planted and not seen by made-up hosts."""

from __future__ import annotations

import pytest

from bridge.link.simulated_settings import BoardMemory, BoardSettings
from firmware_protocol.catalogue import Reason, State
from firmware_protocol.framing import FrameReader
from firmware_protocol.messages import FLAG_FORGET_LATER, FLAG_IMMEDIATE, Refusal, Slot

from .pair import Pair

LEASE = 500_000


def armed() -> Pair:
    """Output 0: on-time to 400 ticks, off-time from 200."""
    pair = Pair(BoardSettings(board_id=1), BoardMemory())
    pair.recover()
    return pair


def now(pair: Pair, *slots: Slot | None) -> None:
    pair.send(pair.voices(0, slots, 0, FLAG_IMMEDIATE, LEASE))


def starts(pair: Pair, begin: int) -> list[int]:
    """Ticks after `begin` at which pulses of output 0 began."""
    pair.advance(0)
    return [p.start_tick - begin for p in pair.pulses if p.start_tick >= begin]


def test_a_frame_that_changes_the_step_alone() -> None:
    """From 2,500 ticks 1/16 a pulse to 2,343.75 (4,999.94; 7,499.81), then the rest at once."""
    pair = armed()
    note = Slot(1, 0, 0, 0, 50, 0, 640_000)
    begin = pair.tick
    now(pair, note)
    pair.advance(100)
    now(pair, note._replace(period=600_000, step=1))
    pair.advance(5000)
    now(pair, note._replace(period=600_000, step=65_535))
    pair.advance(5000)
    assert starts(pair, begin)[:5] == [0, 2500, 5000, 7500, 9844]


def test_a_frame_that_changes_the_spread_alone() -> None:
    pair = armed()
    even = Slot(1, 0, 0, 0, 50, 0, 512_000)
    now(pair, even)
    begin = pair.tick
    pair.advance(3000)
    now(pair, even._replace(spread=128))
    pair.advance(9000)
    assert starts(pair, begin)[:3] == [0, 2000, 4000]
    assert starts(pair, begin)[3] != 6000


def test_forgetting_takes_the_frame_of_its_very_tick_too() -> None:
    """Else its train begins there, with its bangs, and the new frame only goes on with it. The
    first pulse waits for the end of one a tick before."""
    pair = armed()
    begin = pair.tick + 4000
    note = Slot(1, 2, 0, 0, 50, 0, 512_000)
    pair.send(pair.voices(0, (note,), 3999, 0, LEASE))
    pair.send(pair.voices(0, (note._replace(start=2),), 4000, 0, LEASE))
    new = note._replace(start=2, bangs=4)
    pair.send(pair.voices(0, (new,), 4000, FLAG_FORGET_LATER, LEASE))
    pair.advance(20_000)
    assert starts(pair, begin) == [249, 2000, 4000, 6000]


def test_exactly_half_a_period_late_is_not_too_late() -> None:
    """The second of two at one tick waits 100 + 200 ticks: half of its 600. Of 599.99: dropped."""
    for period, second in ((153_600, [0, 300]), (153_599, [0, 600])):
        pair = armed()
        begin = pair.tick
        now(pair, Slot(1, 1, 0, 0, 100, 0, 2_000_000), Slot(1, 0, 0, 0, 100, 0, period))
        pair.advance(1000)
        assert starts(pair, begin)[:2] == second


def test_of_two_at_one_tick_the_one_that_never_fired_comes_first() -> None:
    pair = armed()
    old, new = Slot(1, 0, 0, 0, 50, 0, 512_000), Slot(1, 0, 0, 0, 70, 0, 512_000)
    begin = pair.tick
    now(pair, old)
    pair.send(pair.voices(0, (old, new), 4000, 0, LEASE))
    pair.advance(8000)
    fired = [(p.start_tick - begin, p.on_ticks) for p in pair.pulses if p.start_tick >= begin]
    # then the one whose last pulse lies further back, which is the same again
    assert fired[2:6] == [(4000, 70), (4270, 50), (6000, 70), (6270, 50)]


def test_a_number_half_a_turn_on_is_stale() -> None:
    """1 to 32,767 on is newer (section 7), 32,768 is not."""
    note = Slot(1, 1, 0, 0, 50, 0, 512_000)
    for step, fires in ((0x7FFF, True), (0x8000, False)):
        pair = armed()
        now(pair)
        begin = pair.tick
        pair.send(pair.voices(0, (note,), 0, FLAG_IMMEDIATE, LEASE, step))
        pair.advance(1000)
        assert starts(pair, begin) == [0] * fires


@pytest.mark.parametrize(
    ("field", "lawful", "beyond"),
    [("on_ticks", 2, 1), ("period", 51_200, 51_199), ("spread", 128, 129)],
)
def test_a_slot_at_each_bound_and_beyond(field: str, lawful: int, beyond: int) -> None:
    """Check 6 of section 7: the whole frame is refused."""
    note = Slot(1, 1, 0, 0, 50, 0, 512_000)
    for value, fires in ((lawful, True), (beyond, False)):
        pair = armed()
        begin = pair.tick
        now(pair, note, note._replace(**{field: value}))
        pair.advance(1000)
        assert (starts(pair, begin) != []) == fires


def test_in_warning_a_bad_slot_is_called_so() -> None:
    """In the order of section 7: check 6 comes before what is not to be said in warning."""
    pair = Pair(BoardSettings(board_id=1, horn_ms=120), BoardMemory())
    pair.recover()
    assert pair.model.state == State.WARNING
    reasons: list[Reason] = []
    for on_ticks in (1, 50):
        pair.said.clear()
        now(pair, Slot(1, 0, 0, 0, on_ticks, 0, 512_000))
        frames = FrameReader().feed(b"".join(data for _, data in pair.said))
        reasons += [Refusal.parse(f.payload).reason for f in frames if f.type_code == Refusal.TYPE]
    assert reasons == [Reason.BAD_SLOT, Reason.NOT_ARMED]


def test_a_glide_whose_next_pulses_are_taken_back_again_and_again() -> None:
    """Each frame undoes what was decided ahead: by 250 ticks a pulse from 2,500, as if none had."""
    pair = armed()
    note = Slot(1, 0, 0, 0, 50, 0, 640_000)
    begin = pair.tick
    now(pair, note)
    pair.advance(100)
    for n in range(12):
        now(pair, note._replace(period=1_280_000, step=4000, on_ticks=51 + n))
        pair.advance(900)
    assert starts(pair, begin) == [0, 2500, 5250, 8250]
