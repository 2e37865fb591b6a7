"""Voices in seats: who keeps which train, and periods and on-times in the board's own ticks."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.governor.governor import LawfulVoice
from bridge.link.slots import MOTION_S, SlotMap
from firmware_protocol.messages import MAX_SLOTS, Slot

HZ = 2_000_000.0
UNITS = 256
"""Period units a tick (PROTOCOL.md, section 2)."""
STEP = 16
"""Period units a unit of step (PROTOCOL.md, sections 2 and 8)."""


def voice(
    voice_id: int, rate_hz: float = 440.0, on_us: float = 100.0, **more: float
) -> LawfulVoice:
    return LawfulVoice(
        voice_id=voice_id,
        break_rate_hz=rate_hz,
        on_time_us=on_us,
        bang_count=int(more.get("bangs", 0)),
        spread=more.get("spread", 0.0),
        phase=more.get("phase", 0.0),
        note=60,
    )


def only(slots: tuple[Slot | None, ...]) -> Slot:
    (slot,) = [s for s in slots if s is not None]
    return slot


def where(slots: tuple[Slot | None, ...]) -> list[int]:
    return [i for i, s in enumerate(slots) if s is not None]


# -- seats -------------------------------------------------------------------------------------


def test_a_voice_keeps_seat_and_start_number_while_others_come_and_go() -> None:
    seats = SlotMap()
    first = seats.seat(0.0, [voice(1), voice(2)], HZ)
    assert where(first) == [0, 1]
    kept = first[1]
    assert kept is not None
    for n in range(30):
        others = [voice(10 + n + k) for k in range(n % 4)]
        slots = seats.seat(0.1 + n * 0.01, [*others, voice(2)], HZ)
        here = slots[1]
        assert here is not None
        assert here.start == kept.start


def test_a_new_voice_gets_a_new_start_number_in_its_seat() -> None:
    seats = SlotMap()
    starts: dict[int, int] = {}
    for n in range(600):
        slots = seats.seat(n * 0.01, [voice(n)], HZ)
        (index,) = where(slots)
        start = only(slots).start
        assert 0 <= start <= 255
        if index in starts:
            assert start == (starts[index] + 1) % 256
        starts[index] = start
    assert set(starts) == set(range(MAX_SLOTS))  # the longest free seat is taken next


def test_a_struck_again_voice_is_another_train() -> None:
    seats = SlotMap()
    before = only(seats.seat(0.0, [voice(1)], HZ))
    slots = seats.seat(0.1, [voice(2)], HZ)
    after = only(slots)
    assert (where(slots), after.start) != ([0], before.start)


def test_four_voices_fill_four_seats_and_the_order_of_asking_does_not_matter() -> None:
    seats = SlotMap()
    voices = [voice(n, 100.0 + n) for n in range(4)]
    first = seats.seat(0.0, voices, HZ)
    assert where(first) == [0, 1, 2, 3]
    assert seats.seat(0.1, voices[::-1], HZ) == first


def test_more_voices_than_seats_is_an_error() -> None:
    with pytest.raises(ValueError, match="empty"):
        SlotMap().seat(0.0, [voice(n) for n in range(5)], HZ)


def test_silence_has_no_slots_and_trailing_silent_ones_are_left_out() -> None:
    seats = SlotMap()
    assert seats.seat(0.0, [], HZ) == ()
    assert len(seats.seat(0.0, [voice(1), voice(2), voice(3)], HZ)) == 3
    assert where(seats.seat(0.1, [voice(2)], HZ)) == [1]
    assert len(seats.seat(0.1, [voice(2)], HZ)) == 2


def test_a_new_session_forgets_voices_but_not_start_numbers() -> None:
    seats = SlotMap()
    before = seats.seat(0.0, [voice(n) for n in range(4)], HZ)
    seats.clear()
    after = seats.seat(1.0, [voice(n) for n in range(4)], HZ)
    for old, new in zip(before, after, strict=True):
        assert old is not None
        assert new is not None
        assert new.start == old.start + 1


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sets(st.integers(0, 9), max_size=4), max_size=40))
def test_whatever_comes_and_goes_trains_are_never_mixed_up(frames: list[set[int]]) -> None:
    """As the board sees it: same seat and start number = same voice, without a gap between."""
    seats = SlotMap()
    heard: dict[int, tuple[int, int]] = {}
    for n, wanted in enumerate(frames):
        slots = seats.seat(n * 0.01, [voice(v, 100.0 + v) for v in sorted(wanted)], HZ)
        now: dict[int, tuple[int, int]] = {}
        for index, slot in enumerate(slots):
            if slot is not None:
                who = next(v for v in wanted if slot.period == round(HZ * UNITS / (100.0 + v)))
                now[who] = (index, slot.start)
        assert set(now) == wanted
        for who, place in now.items():
            if who in heard:
                assert place == heard[who]
            else:
                assert place not in heard.values()
        heard = now


# -- numbers -----------------------------------------------------------------------------------


@pytest.mark.parametrize("ppm", [-5000, 0, 5000])
@pytest.mark.parametrize("rate_hz", [20.0, 27.5, 440.0, 1234.567, 1999.9, 2000.0])
def test_a_period_is_right_within_a_twentieth_of_a_cent(rate_hz: float, ppm: float) -> None:
    true_hz = HZ * (1 + ppm * 1e-6)
    slot = only(SlotMap().seat(0.0, [voice(1, rate_hz)], true_hz))
    sounds_hz = true_hz * UNITS / slot.period
    assert abs(1200 * math.log2(sounds_hz / rate_hz)) < 0.05


@given(st.floats(5, 400), st.floats(-5000, 5000))
def test_an_on_time_is_never_longer_than_allowed_and_at_most_a_tick_shorter(
    on_us: float, ppm: float
) -> None:
    true_hz = HZ * (1 + ppm * 1e-6)
    slot = only(SlotMap().seat(0.0, [voice(1, on_us=on_us)], true_hz))
    sounds_us = slot.on_ticks / true_hz * 1e6
    assert sounds_us <= on_us * (1 + 1e-12)
    assert sounds_us > on_us - 1.001 * 1e6 / true_hz
    assert slot.on_ticks >= 1


@given(st.floats(0, 0.5), st.floats(0, 1), st.integers(0, 255))
def test_spread_phase_and_bangs_fit_their_bytes(spread: float, phase: float, bangs: int) -> None:
    slot = only(SlotMap().seat(0.0, [voice(1, spread=spread, phase=phase, bangs=bangs)], HZ))
    assert slot.bangs == bangs
    assert slot.spread <= spread * 256 < slot.spread + 1  # never more spread than lawful
    assert slot.spread <= 128
    assert 0 <= slot.phase <= 255
    assert abs(slot.phase - phase * 256) <= 1


# -- motion ------------------------------------------------------------------------------------


class BoardTrain:
    """PROTOCOL.md, section 8, by hand: at each grid point the period moves toward its target by
    at most 16·step units (0: all the way), then the next gap is the period."""

    def __init__(self, slot: Slot, at_s: float) -> None:
        self.period = self.target = slot.period
        self.step = 0
        self.next_s = at_s
        self.gaps: list[tuple[float, int]] = []

    def take(self, slot: Slot) -> None:
        self.target, self.step = slot.period, slot.step
        if not slot.step:
            self.period = slot.period

    def run(self, until_s: float) -> None:
        while self.next_s < until_s:
            most = self.step * STEP or abs(self.target - self.period)
            move = max(-most, min(most, self.target - self.period))
            self.period += move
            self.gaps.append((self.next_s, self.period))
            self.next_s += self.period / UNITS / HZ


RATES = st.floats(20, 2000)


@settings(max_examples=300, deadline=None)
@given(RATES, RATES)
def test_a_change_has_arrived_before_the_next_motion_frame_and_never_overshoots(
    from_hz: float, to_hz: float
) -> None:
    seats = SlotMap()
    first = only(seats.seat(0.0, [voice(1, from_hz)], HZ))
    train = BoardTrain(first, 0.0)
    train.run(0.1)
    slot = only(seats.seat(0.1, [voice(1, to_hz)], HZ))
    assert slot.step <= 0xFFFF
    train.take(slot)
    waits_s = train.next_s - 0.1  # the pulse already planned stays where it is
    train.gaps.clear()
    train.run(0.1 + waits_s + MOTION_S + 1 / to_hz)
    low, high = sorted((first.period, slot.period))
    assert all(low <= period <= high for _, period in train.gaps)
    arrived_s = next(at for at, period in train.gaps if period == slot.period)
    assert arrived_s - 0.1 - waits_s <= MOTION_S


@pytest.mark.parametrize("rate_hz", [300.0, 440.0, 1000.0, 1999.0])
@pytest.mark.parametrize("cents", [-700.0, -5.0, -0.1, 0.1, 5.0, 700.0])
def test_a_ramp_has_several_even_steps_and_none_too_few(rate_hz: float, cents: float) -> None:
    seats = SlotMap()
    from_hz = rate_hz * 2 ** (-abs(cents) / 1200)
    to_hz = from_hz * 2 ** (cents / 1200)
    first = only(seats.seat(0.0, [voice(1, from_hz)], HZ))
    slot = only(seats.seat(0.1, [voice(1, to_hz)], HZ))
    pulses = math.floor(0.8 * MOTION_S * min(from_hz, to_hz))
    distance = abs(slot.period - first.period)
    if pulses > 1:
        assert slot.step >= 1
        assert pulses * slot.step * STEP >= distance  # there within the ramp
        assert pulses * (slot.step - 1) * STEP < distance  # and no sooner than need be


@pytest.mark.parametrize("every_s", [0.0015, 0.002, 0.005, MOTION_S])
@pytest.mark.parametrize("cents_a_second", [400.0, -400.0, 4000.0])
def test_a_long_glide_is_kept_up_with_however_often_it_is_told(
    every_s: float, cents_a_second: float
) -> None:
    """The board's period stays within a motion frame or so of the target and steps are small."""
    seats = SlotMap()
    train = BoardTrain(only(seats.seat(0.0, [voice(1, 600.0)], HZ)), 0.0)
    at_s, cents = 0.0, 0.0
    while at_s < 0.5:
        at_s += every_s
        cents += cents_a_second * every_s
        train.take(only(seats.seat(at_s, [voice(1, 600 * 2 ** (cents / 1200))], HZ)))
        train.run(at_s)
        behind = abs(1200 * math.log2(train.period / train.target))
        assert behind <= abs(cents_a_second) * (MOTION_S + every_s) + 0.1
    told = [p for at, p in train.gaps if at > 0.05]
    for a, b in pairwise(told):
        assert abs(1200 * math.log2(a / b)) <= abs(cents_a_second) * 0.004 + 0.1


def test_a_vibrato_moves_in_small_steps() -> None:
    """Bends and vibrato at most 5 cents a step. 100 cents at 5.5 Hz, a frame every 9 ms."""
    seats = SlotMap()
    train = BoardTrain(only(seats.seat(0.0, [voice(1, 440.0)], HZ)), 0.0)
    for n in range(1, 200):
        at_s = n * MOTION_S
        cents = 50 * math.sin(2 * math.pi * 5.5 * at_s)
        train.take(only(seats.seat(at_s, [voice(1, 440 * 2 ** (cents / 1200))], HZ)))
        train.run(at_s)
    steps = [abs(1200 * math.log2(a[1] / b[1])) for a, b in pairwise(train.gaps)]
    assert max(steps) <= 5.7  # 50 · 2π · 5.5 = 1,728 cents a second: 3.9 in one 440 Hz period
    assert sum(steps) > 100


def test_a_settled_voice_has_no_ramp_left_and_repeats_itself() -> None:
    seats = SlotMap()
    seats.seat(0.0, [voice(1, 600.0)], HZ)
    assert only(seats.seat(0.1, [voice(1, 605.0)], HZ)).step > 0
    assert only(seats.seat(0.12, [voice(1, 605.0)], HZ)).step > 0  # a refresh heals a lost frame
    settled = only(seats.seat(0.14, [voice(1, 605.0)], HZ))
    assert settled.step == 0
    assert only(seats.seat(0.2, [voice(1, 605.0)], HZ)) == settled


@pytest.mark.parametrize(("from_hz", "to_hz"), [(30.0, 2000.0), (100.0, 1000.0), (2000.0, 30.0)])
def test_a_change_with_a_long_period_in_it_comes_at_once(from_hz: float, to_hz: float) -> None:
    """A ramp of several long gaps would sound long after its note."""
    seats = SlotMap()
    seats.seat(0.0, [voice(1, from_hz)], HZ)
    assert only(seats.seat(0.1, [voice(1, to_hz)], HZ)).step == 0
