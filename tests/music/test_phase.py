"""Interleaving, checked by laying both pulse trains out and measuring, not by the formula."""

from __future__ import annotations

from fractions import Fraction

import pytest

from bridge.music.phase import interleaving_phase, simple_ratio
from bridge.music.voices import VoiceAsk
from tests.music.rig import Rig


def closest_gap_s(a: tuple[float, float, float], b: tuple[float, float, float]) -> float:
    """Smallest distance of any two pulses of two trains (rate, start, phase) in a common period."""
    span = 12.2 / min(a[0], b[0])
    trains = [
        [start + (phase + n) / rate for n in range(int(span * rate) + 1)]
        for rate, start, phase in (a, b)
    ]
    return min(abs(x - y) for x in trains[0] for y in trains[1])


RATIOS = [(1, 2), (1, 3), (2, 3), (3, 4), (1, 4)]


@pytest.mark.parametrize(("p", "q"), RATIOS + [(q, p) for p, q in RATIOS])
def test_a_pair_sits_as_far_apart_as_its_ratio_allows(p: int, q: int) -> None:
    first = (60.0 * p, 5.0, 0.0)
    phase = interleaving_phase(60.0 * q, 5.0, [first])
    best = 1 / 60 / (2 * p * q)  # half of T / (p q)
    assert closest_gap_s(first, (60.0 * q, 5.0, phase)) == pytest.approx(best, rel=1e-6)
    assert 0 <= phase <= 0.5


def test_an_octave_above_gets_half_of_its_period() -> None:
    assert interleaving_phase(440.0, 0.0, [(220.0, 0.0, 0.0)]) == pytest.approx(0.5)


@pytest.mark.parametrize("delay_ms", [0.0, 0.3, 1.0, 1.7, 2.0])
@pytest.mark.parametrize("ratio", [(2, 3), (3, 2), (3, 4), (2, 1)])
def test_a_start_up_to_2_ms_later_is_taken_into_account(
    delay_ms: float, ratio: tuple[int, int]
) -> None:
    p, q = ratio
    first = (60.0 * p, 1.0, 0.0)
    start = 1.0 + delay_ms / 1000
    second = (60.0 * q, start, interleaving_phase(60.0 * q, start, [first]))
    assert closest_gap_s(first, second) == pytest.approx(1 / 60 / (2 * p * q), rel=1e-6)


def test_later_or_unrelated_voices_start_at_once() -> None:
    assert interleaving_phase(440.0, 0.0021, [(220.0, 0.0, 0.0)]) == 0.0
    assert interleaving_phase(311.13, 0.0, [(220.0, 0.0, 0.0)]) == 0.0


def test_tempered_fifths_count_and_a_ratio_four_cents_off_does_not() -> None:
    assert simple_ratio(220.0, 220.0 * 2 ** (7 / 12)) == (2, 3)
    assert simple_ratio(220.0, 220.0 * 2 ** (5 / 12)) == (3, 4)
    assert simple_ratio(220.0, 440.0 * 2 ** (2.9 / 1200)) == (1, 2)
    assert simple_ratio(220.0, 440.0 * 2 ** (4 / 1200)) is None


def test_a_third_voice_keeps_clear_of_both() -> None:
    low, mid = (110.0, 0.0, 0.0), (220.0, 0.0, 0.5)
    top = (330.0, 0.0, interleaving_phase(330.0, 0.0, [low, mid]))
    ignored = (330.0, 0.0, 0.0)
    assert min(closest_gap_s(low, top), closest_gap_s(mid, top)) > 100e-6
    assert min(closest_gap_s(low, ignored), closest_gap_s(mid, ignored)) < 1e-9


def train(ask: VoiceAsk) -> tuple[float, float, float]:
    return (ask.break_rate_hz, ask.started_s, ask.phase)


@pytest.mark.parametrize(
    ("interval", "ratio"), [(12, Fraction(1, 2)), (7, Fraction(2, 3)), (5, Fraction(3, 4))]
)
@pytest.mark.parametrize("upward", [True, False])
def test_notes_struck_together_interleave(interval: int, ratio: Fraction, upward: bool) -> None:
    rig = Rig()
    keys = (48, 48 + interval) if upward else (48 + interval, 48)
    for key in keys:
        rig.on(key)
    low, high = sorted(rig.asks(), key=lambda a: a.break_rate_hz)
    best = ratio.numerator / low.break_rate_hz / (2 * ratio.numerator * ratio.denominator)
    # Tempered fifths and fourths are 2 cents off and drift slowly out of this.
    assert closest_gap_s(train(low), train(high)) == pytest.approx(best, rel=0.15)


def test_notes_struck_again_together_interleave_again() -> None:
    rig = Rig()
    for t in (0.0, 0.5):
        rig.t = t
        rig.on(48)
        rig.on(60)
        low, high = rig.asks()
        assert high.phase == pytest.approx(0.5)
        assert low.started_s == high.started_s == t


def test_the_phase_stays_while_the_voice_lives() -> None:
    rig = Rig()
    rig.on(48)
    rig.on(60)
    phase = rig.asks()[1].phase
    rig.bend(9000)
    rig.wait(1.0)
    rig.off(48)
    rig.wait(1.0)
    assert rig.one().phase == phase == pytest.approx(0.5)
