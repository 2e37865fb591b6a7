"""Bangs for commissioning: at breakout first, longer only by an act, silent when the key goes."""

from __future__ import annotations

import math

import pytest

from bridge.bang_source import (
    FIRST_REPEAT_S,
    LEAST_ENERGY,
    MOST_BANGS,
    REPEAT_S,
    STEPS,
    BangSource,
    Longer,
)
from bridge.music.voices import VoiceAsk
from tests.site_text import site


def source(rate_hz: float = 10.0) -> BangSource:
    return BangSource(site(), "Larkspur", rate_hz)


def asked(bangs: BangSource, now_s: float) -> VoiceAsk | None:
    voices = bangs.voices(now_s)
    assert set(voices) == {"Larkspur", "Foxglove"}
    assert voices["Foxglove"] == ()
    assert len(voices["Larkspur"]) <= 1
    return voices["Larkspur"][0] if voices["Larkspur"] else None


def test_nothing_sounds_before_an_act() -> None:
    bangs = source()
    assert asked(bangs, 1.0) is None
    assert not bangs.notes_held()
    assert bangs.next_deadline_s() is None


@pytest.mark.parametrize("count", [1, 3, MOST_BANGS])
def test_bangs_are_counted_and_then_silent(count: int) -> None:
    bangs = source()
    bangs.fire(5.0, count)
    ask = asked(bangs, 5.0)
    assert ask is not None
    assert (ask.bang_count, ask.break_rate_hz) == (count, 10.0)
    assert ask.energy == LEAST_ENERGY
    end = bangs.next_deadline_s()
    assert end is not None
    assert end > 5.0 + (count - 1) / 10  # the last bang has room to come
    assert asked(bangs, math.nextafter(end, 0)) is not None
    assert asked(bangs, end) is None
    assert not bangs.sounding


@pytest.mark.parametrize("count", [0, -1, MOST_BANGS + 1])
def test_no_count_that_would_be_endless_is_taken(count: int) -> None:
    bangs = source()
    with pytest.raises(ValueError, match="1 to 255"):
        bangs.fire(5.0, count)
    assert asked(bangs, 5.0) is None


@pytest.mark.parametrize("rate", [0.0, -1.0, math.inf, math.nan])
def test_no_rate_that_is_none_is_taken(rate: float) -> None:
    with pytest.raises(ValueError, match="break rate"):
        source(rate)


def test_a_coil_that_is_not_there_is_named() -> None:
    with pytest.raises(ValueError, match='no coil "Thistle"; there are: Larkspur, Foxglove'):
        BangSource(site(), "Thistle", 10.0)


def test_a_held_key_sounds_until_its_signs_end() -> None:
    bangs = source()
    bangs.hold(1.0)
    first = asked(bangs, 1.0)
    assert first is not None
    assert first.bang_count == 0
    assert asked(bangs, 1.0 + FIRST_REPEAT_S - 1e-6) is not None
    now_s = 1.0 + FIRST_REPEAT_S - 0.01
    for _ in range(50):
        bangs.hold(now_s)
        same = asked(bangs, now_s)
        assert same is not None
        assert same.voice_id == first.voice_id  # one train, not a new one at each sign
        now_s += REPEAT_S * 0.9
    last_s = now_s - REPEAT_S * 0.9
    assert asked(bangs, last_s + REPEAT_S - 1e-6) is not None
    assert asked(bangs, last_s + REPEAT_S) is None
    assert bangs.next_deadline_s() is None


def test_a_key_pressed_once_and_let_go_is_silent_in_time() -> None:
    bangs = source()
    bangs.hold(1.0)
    bangs.tick(1.0 + FIRST_REPEAT_S)
    assert not bangs.sounding
    assert asked(bangs, 2.0) is None


def test_a_rate_after_silence_is_a_new_train() -> None:
    bangs = source()
    bangs.hold(1.0)
    before = asked(bangs, 1.0)
    bangs.hold(3.0)
    after = asked(bangs, 3.0)
    assert before is not None
    assert after is not None
    assert after.voice_id != before.voice_id


def test_a_held_key_takes_over_from_counted_bangs() -> None:
    bangs = source(1.0)
    bangs.fire(1.0, 200)
    bangs.hold(2.0)
    ask = asked(bangs, 2.0)
    assert ask is not None
    assert ask.bang_count == 0
    assert asked(bangs, 2.0 + FIRST_REPEAT_S) is None


def test_it_starts_at_breakout_and_grows_evenly_by_fresh_acts_only() -> None:
    bangs = source()
    seen: list[float] = []
    for step in range(STEPS + 3):
        bangs.fire(float(step), 1)
        ask = asked(bangs, float(step))
        assert ask is not None
        seen.append(ask.energy)
        before = bangs.step
        assert bangs.longer(float(step)) is Longer.DONE
        assert bangs.step == min(STEPS, before + 1)
        still = asked(bangs, float(step))
        assert still is not None
        assert still.energy == ask.energy  # a step alone changes nothing that sounds
    assert seen[0] == LEAST_ENERGY
    # Energy goes with the square of the on-time between breakout and the longest: equal steps.
    coil = next(c for c in site().coil if c.name == "Larkspur")
    low, high = coil.min_on_time_us, coil.max_on_time_us
    on_times = [math.sqrt(low**2 + e * (high**2 - low**2)) for e in seen[: STEPS + 1]]
    even = [low + (high - low) * n / STEPS for n in range(STEPS + 1)]
    assert on_times == pytest.approx(even, abs=0.01)
    assert seen[STEPS:] == [1.0, 1.0, 1.0]


def test_a_held_key_is_one_step_however_long_it_is_held() -> None:
    bangs = source()
    assert bangs.longer(10.0) is Longer.DONE
    now_s, answers = 10.0 + FIRST_REPEAT_S, []
    for _ in range(400):  # more than ten seconds of a keyboard's repeats
        answers.append(bangs.longer(now_s))
        now_s += 0.03
    assert answers[0] is Longer.HELD  # told once
    assert set(answers[1:]) == {Longer.STILL_HELD}
    assert bangs.step == 1


def test_pasted_steps_are_one_step() -> None:
    bangs = source()
    assert [bangs.longer(10.0) for _ in range(5)] == [
        Longer.DONE, Longer.HELD, *[Longer.STILL_HELD] * 3
    ]  # fmt: skip
    assert bangs.step == 1


def test_each_sign_of_a_held_key_begins_the_wait_anew() -> None:
    bangs = source()
    bangs.longer(10.0)
    for now_s in (10.5, 11.0, 11.5):  # each within the wait, together well over it
        assert bangs.longer(now_s) is not Longer.DONE
    assert bangs.longer(11.5 + FIRST_REPEAT_S) is not Longer.DONE
    assert bangs.longer(11.5 + 2 * FIRST_REPEAT_S + 0.001) is Longer.DONE
    assert bangs.step == 2


def test_whoever_lets_go_and_holds_again_is_told_again() -> None:
    bangs = source()
    told = [bangs.longer(t) for t in (1.0, 1.1, 1.2, 3.0, 3.1)]
    assert told == [Longer.DONE, Longer.HELD, Longer.STILL_HELD, Longer.DONE, Longer.HELD]


def test_a_held_key_for_shorter_goes_on() -> None:
    bangs = source()
    for step in range(5):
        bangs.longer(float(step))
    assert [bangs.shorter() for _ in range(6)] == [4, 3, 2, 1, 0, 0]


def test_shorter_ends_at_breakout() -> None:
    bangs = source()
    bangs.longer(1.0)
    assert bangs.shorter() == 0
    assert bangs.shorter() == 0
    bangs.fire(1.0, 1)
    ask = asked(bangs, 1.0)
    assert ask is not None
    assert ask.energy == LEAST_ENERGY


def test_hush_is_silence_at_once() -> None:
    bangs = source()
    bangs.hold(1.0)
    bangs.hush(1.1)
    assert asked(bangs, 1.1) is None
    assert not bangs.notes_held()


def test_arming_is_held_off_while_it_sounds() -> None:
    bangs = source()
    bangs.fire(1.0, 2)
    assert bangs.notes_held()


def test_midi_and_lost_inputs_do_nothing() -> None:
    bangs = source()
    bangs.midi(1.0, "DAW", bytes((0x90, 60, 100)))
    bangs.input_lost(1.0, "DAW")
    assert asked(bangs, 1.0) is None
    assert bangs.take_events() == ()
    assert bangs.take_commands() == []
    assert not bangs.moving()


def test_what_its_commands_did_can_be_done_once_more() -> None:
    live, again = source(), source()
    live.longer(0.5)
    live.longer(0.6)  # a held key: not counted, and must not be counted again either
    live.longer(1.6)
    live.shorter()
    live.ask_on_time(61.5)
    live.fire(2.0, 3)
    live.hold(4.0)
    commands = live.take_commands()
    assert [name for name, _ in commands] == [
        "longer", "longer", "longer", "shorter", "ask_on_time", "fire", "hold",
    ]  # fmt: skip
    assert live.take_commands() == []
    for name, numbers in commands:
        again.do(name, numbers)
    assert again.step == live.step == 1
    assert again.voices(4.1) == live.voices(4.1) != {}
    live.let_go()
    again.do(*live.take_commands()[0])
    assert not live.sounding
    assert not again.sounding


def test_a_command_it_has_not_is_refused() -> None:
    with pytest.raises(ValueError, match="bangs know no sing"):
        source().do("sing", (1.0,))
