"""Stories: what a musician hears of the limits. The law has its own file."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.governor.reasons import Effect, Limit
from bridge.music.voices import Hold, VoiceAsk
from tests.governor.by_hand import CHORD, NOTE_HZ, ROOMY, biggest_step, governor, on_times, windows
from tests.governor.stage import Stage, ask, coil

# -- limits bite gently ----------------------------------------------------------------------------


@pytest.mark.parametrize("limits", [((1000, 4.0),), ((100, 5.0), (1000, 4.0)), ((20, 6.0),)])
def test_a_steady_chord_at_the_duty_limit_never_steps(limits: tuple[tuple[int, float]]) -> None:
    stage = Stage(coil(duty_windows=windows(*limits), **ROOMY))
    stage.play(1.0, CHORD)
    stage.wait(5.0)
    assert stage.answers[0][1].meters.scale < 0.7  # it is at the limit
    assert len(stage.answers[-1][1].voices) == 4
    assert biggest_step(stage.answers) < 1e-9
    assert not stage.governor.moving()


@pytest.mark.parametrize("window_ms", [100, 250, 1000])
def test_a_voice_more_shortens_the_others_by_small_steps(window_ms: int) -> None:
    stage = Stage(coil(duty_windows=windows((window_ms, 5.0)), **ROOMY))
    stage.play(1.0, CHORD[:3])
    stage.wait(3.0)
    before = on_times(stage.answers[-1][1])
    stage.play(3.0, CHORD)
    stage.wait(3.0 + 2 * max(0.1, window_ms / 1000))  # settled within two windows
    settled = on_times(stage.answers[-1][1])
    stage.wait(8.0)
    assert before[0] > 1.15 * settled[0]
    forced = [h for _, a in stage.answers for h in a.held_back if h.effect is Effect.STEPPED]
    if not forced:
        assert biggest_step(stage.answers) <= 0.03 + 1e-9
    assert (window_ms < 1000) or not forced
    final = on_times(stage.answers[-1][1])
    assert all(math.isclose(settled[v], final[v], rel_tol=1e-3) for v in final)


def test_when_a_voice_goes_the_others_grow_back_by_small_steps() -> None:
    stage = Stage(coil(duty_windows=windows((1000, 3.0)), **ROOMY))
    stage.play(1.0, CHORD)
    stage.play(2.0, CHORD[:2])
    stage.wait(4.0)
    assert biggest_step(stage.answers) <= 0.03 + 1e-9
    alone = governor(duty_windows=windows((1000, 3.0)), **ROOMY).update(1.0, CHORD[:2])
    assert on_times(stage.answers[-1][1]) == pytest.approx(on_times(alone), rel=1e-6)


def test_all_voices_are_shortened_by_the_same_scale() -> None:
    asks = [a._replace(energy=e) for a, e in zip(CHORD, (1.0, 0.5, 0.2, 0.9), strict=True)]
    gov = governor(duty_windows=windows((1000, 4.0)), **ROOMY)
    answer = gov.update(1.0, asks)
    breakout = 40.5026  # 40 µs and one tick of a board that is 0.5 % slow
    shares: list[float] = []
    for given_ask, voice in zip(asks, answer.voices, strict=True):
        full = gov.full_scale_on_time_us(given_ask.break_rate_hz)
        wish = math.sqrt(breakout**2 + given_ask.energy * (full**2 - breakout**2))
        shares.append((voice.on_time_us - breakout) / (wish - breakout))
    assert answer.meters.scale < 0.8
    assert shares == pytest.approx([answer.meters.scale] * 4, abs=1e-4)


def test_where_the_law_must_step_it_says_so() -> None:
    # A window of three pulses: nothing can glide in it.
    stage = Stage(coil(duty_windows=windows((10, 6.0)), **ROOMY))
    stage.play(1.0, CHORD[3:])
    stage.play(1.5, CHORD[2:])
    stage.play(1.5, CHORD)
    stepped = [h for _, a in stage.answers for h in a.held_back if h.effect is Effect.STEPPED]
    assert biggest_step(stage.answers) > 0.03
    assert {(h.limit, h.window_ms) for h in stepped} == {(Limit.RESERVE, 10)}
    assert all(h.asked > h.allowed for h in stepped)
    assert "stepped" in stepped[0].sentence()


# -- every velocity at every pitch -----------------------------------------------------------------


@pytest.mark.parametrize(
    "limits", [((1000, 4.0),), ((10, 8.0),), ((20, 4.0), (1000, 6.0)), ((1000, 8.0), (100, 6.0))]
)
def test_velocities_differ_at_every_pitch_that_sounds(limits: tuple[tuple[int, float]]) -> None:
    gov = governor(duty_windows=windows(*limits), **ROOMY)
    heard = 0
    for number, (note, rate_hz) in enumerate(NOTE_HZ.items()):
        full = gov.full_scale_on_time_us(rate_hz)
        got: list[float] = []
        for index, velocity in enumerate((60, 90, 120)):
            now = 10.0 * number + 3.0 * index
            energy = (velocity / 127) ** 1.5
            answer = gov.update(now, [ask(note * 10 + index, rate_hz, energy, note=note)])
            got += [v.on_time_us for v in answer.voices]
            gov.silence(now + 1.0)
        if full < 40.6:
            assert len(got) == 0 or full >= 40.5
            continue
        heard += 1
        assert 40 <= got[0] < got[1] < got[2] <= full
        if full > 60:
            assert got[1] - got[0] > 1.0  # more than two ticks apart
            assert got[2] - got[1] > 1.0
    assert heard > 48


def test_full_scale_is_held_for_ever_alone() -> None:
    stage = Stage(coil(duty_windows=windows((1000, 3.0), (50, 5.0)), **ROOMY))
    for number, rate_hz in enumerate((55.0, 220.0, 440.0)):
        stage.play(1.0 + 3 * number, [ask(number, rate_hz)])
        stage.wait(3.5 + 3 * number)
        (voice,) = stage.answers[-1][1].voices
        expected = stage.governor.full_scale_on_time_us(rate_hz)
        assert voice.on_time_us == pytest.approx(expected, rel=1e-9)


def test_full_scale_follows_the_curve() -> None:
    curve = [
        {"break_rate_hz": 100, "max_on_time_us": 150},
        {"break_rate_hz": 300, "max_on_time_us": 60},
    ]
    gov = governor(on_time_curve=curve, duty_windows=windows((1000, 12.0)), **ROOMY)
    # 1 % below the curve: two clock tolerances of 0.5 %, one tick of rounding.
    assert gov.full_scale_on_time_us(50) == pytest.approx(150 * 0.99, abs=0.5)
    assert gov.full_scale_on_time_us(200) == pytest.approx(105 * 0.99, abs=0.5)
    assert gov.full_scale_on_time_us(600) == pytest.approx(60 * 0.99, abs=0.5)


def test_a_solo_a_plays_under_a_break_rate_of_500() -> None:
    gov = governor(max_break_rate_hz=500)
    assert len(gov.update(1.0, [ask(1, 440.0)]).voices) == 1
    assert len(gov.update(9.0, [ask(2, 480.0)]).voices) == 0


# -- soft-start, bursts, edges --------------------------------------------------------------------


def test_soft_start_grows_over_bangs_and_only_after_the_set_silence() -> None:
    stage = Stage(
        coil(soft_start={"bangs": 20, "after_silence_ms": 1000}, duty_windows=windows((1000, 12.0)))
    )
    loud = stage.governor.full_scale_on_time_us(100.0)

    def first_and_later(voice: int, now: float) -> tuple[float, float, float]:
        stage.play(now, [ask(voice, 100.0)])
        first = stage.answers[-1][1].voices[0].on_time_us
        stage.play(now + 0.1, [ask(voice, 100.0)])  # ten bangs later
        half = stage.answers[-1][1].voices[0].on_time_us
        stage.play(now + 0.25, [ask(voice, 100.0)])
        return first, half, stage.answers[-1][1].voices[0].on_time_us

    first, half, full = first_and_later(1, 1.0)
    assert first == pytest.approx(40, abs=1)
    assert half == pytest.approx((40 + loud) / 2, abs=1)
    assert full == pytest.approx(loud, rel=1e-6)
    stage.play(1.3, [])
    assert first_and_later(2, 2.2)[0] == pytest.approx(loud, rel=1e-6)  # 0.9 s: no soft-start
    stage.play(2.5, [])
    assert first_and_later(3, 3.55)[0] == pytest.approx(40, abs=1)


def test_a_burst_that_has_fired_takes_no_room_any_more() -> None:
    stage = Stage(coil(max_voices=1, duty_windows=windows((1000, 12.0)), **ROOMY))
    burst = ask(1, 200.0, bang_count=4)
    stage.play(1.0, [burst])
    stage.play(1.2, [burst, ask(2, 100.0)])
    stage.play(1.5, [burst, ask(2, 100.0)])
    assert list(on_times(stage.answers[-1][1])) == [2]
    stage.wait(1.6)
    in_burst = [p for p in stage.finish() if p[0] < 1.19 * 2e6]
    assert len(in_burst) == 4


def test_what_is_asked_is_answered_in_kind() -> None:
    voice = ask(7, 220.0, 0.5, note=57, bang_count=9, spread=0.25, phase=0.5)
    (answer,) = governor().update(1.0, [voice]).voices
    assert (answer.voice_id, answer.break_rate_hz, answer.bang_count) == (7, 220.0, 9)
    assert (answer.spread, answer.phase, answer.note) == (0.25, 0.5, 57)


def test_silence_is_silence_and_moves_no_more() -> None:
    gov = governor()
    gov.update(1.0, CHORD)
    answer = gov.silence(1.5)
    assert (answer.voices, answer.held_back, answer.meters.break_rate_hz) == ((), (), 0)
    assert not gov.moving()


def test_a_time_before_the_last_one_is_the_last_one() -> None:
    gov = governor()
    first = gov.update(2.0, CHORD)
    assert gov.update(1.0, CHORD).voices == first.voices


asks_lists = st.lists(
    st.builds(
        lambda rate, energy, hold, bangs, spread: (rate, energy, hold, bangs, spread),
        st.floats(8, 2000),
        st.floats(1e-6, 1),
        st.sampled_from(list(Hold)),
        st.sampled_from([0, 0, 1, 8, 255]),
        st.sampled_from([0.0, 0.0, 0.2, 0.5]),
    ),
    max_size=6,
)


@given(st.lists(st.tuples(st.floats(0, 0.3), asks_lists, st.booleans()), max_size=12))
def test_on_times_lie_between_breakout_and_the_curve(
    script: list[tuple[float, list[tuple[float, float, Hold, int, float]], bool]],
) -> None:
    curve = [
        {"break_rate_hz": 100, "max_on_time_us": 150},
        {"break_rate_hz": 600, "max_on_time_us": 60},
    ]
    gov = governor(on_time_curve=curve, duty_windows=windows((1000, 6.0), (25, 9.0)), **ROOMY)
    now, fresh = 0.0, 0
    for wait_s, plan, restart in script:
        now += wait_s
        fresh += 10 if restart else 0
        asks: list[VoiceAsk] = [
            ask(fresh + i + 1000 * b, r, e, hold=h, bang_count=b, spread=s)
            for i, (r, e, h, b, s) in enumerate(plan)
        ]
        answer = gov.update(now, asks)
        told = {h for back in answer.held_back if back.effect is Effect.DROPPED
                for h in back.voice_ids}  # fmt: skip
        assert len(answer.voices) <= 4
        for voice in answer.voices:
            rate = voice.break_rate_hz
            most = 150 if rate <= 100 else 60 if rate >= 600 else 150 - (rate - 100) * 90 / 500
            assert 40 <= voice.on_time_us <= most
            assert voice.voice_id not in told
        silent = {a.voice_id for a in asks if not a.bang_count} - set(on_times(answer))
        assert silent <= told  # nobody is silenced without a reason


def test_a_voice_that_began_among_many_is_as_loud_as_ever_when_they_have_gone() -> None:
    """It began below the others, where the chord was heading; the chord turned back at once. Its
    own way up is longer than theirs, and nobody else asks for a decision."""
    stage = Stage(coil(duty_windows=windows((1000, 3.0)), **ROOMY))
    stage.play(1.0, CHORD[:1])
    stage.play(2.0, CHORD[:3])
    stage.play(2.03, CHORD[1:2])
    began = on_times(stage.answers[-1][1])
    stage.wait(6.0)
    alone = governor(duty_windows=windows((1000, 3.0)), **ROOMY).update(1.0, CHORD[1:2])
    assert began[1] < 0.5 * on_times(alone)[1]
    assert on_times(stage.answers[-1][1]) == pytest.approx(on_times(alone), rel=1e-6)


def test_a_note_after_a_run_of_short_ones_comes_up_to_its_full_length() -> None:
    """Each end of a note leaves a part of a pulse to be made good: after sixty the level is high,
    and the note begins shorter. Nobody else asks for a decision as the level comes down."""
    stage = Stage(coil(duty_windows=windows((1000, 3.0)), **ROOMY))
    for n in range(60):
        stage.play(1.0 + 0.015 * n, [CHORD[2]._replace(voice_id=100 + n)])
        stage.play(1.01 + 0.015 * n, ())
    stage.play(1.9, CHORD[2:3])
    began = on_times(stage.answers[-1][1])[2]
    stage.wait(7.0)
    alone = on_times(governor(duty_windows=windows((1000, 3.0)), **ROOMY).update(1.0, CHORD[2:3]))
    assert began < 0.95 * alone[2]
    assert on_times(stage.answers[-1][1]) == pytest.approx(alone, rel=2e-3)
