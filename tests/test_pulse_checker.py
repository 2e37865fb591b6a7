"""The judge is judged: every limit broken by one tick is found, and nothing else."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest

from tests.pulse_checker import Violation, check_pulses

TICK = Fraction(1, 2)  # µs


def judge(pulses: list[tuple[Fraction, Fraction]], **changes: object) -> list[Violation]:
    limits: dict[str, object] = {
        "max_on_us": 100,
        "min_off_us": 300,
        "max_starts_1s": 2000,
        "windows": [],
        **changes,
    }
    return check_pulses(pulses, **limits)  # pyright: ignore[reportArgumentType]


def train(count: int, period: int, on: int, start: int = 0) -> list[tuple[Fraction, Fraction]]:
    return [(Fraction(start + i * period), Fraction(on)) for i in range(count)]


def test_no_pulse_breaks_nothing() -> None:
    assert judge([]) == []


def test_on_time_one_tick_too_long_is_found() -> None:
    pulses = train(5, 1000, 100)
    assert judge(pulses) == []
    pulses[3] = (pulses[3][0], 100 + TICK)
    assert judge(pulses) == [Violation("on-time", 3000, 100.5, 100)]


def test_gap_one_tick_too_short_is_found() -> None:
    pulses = train(5, 400, 100)
    assert judge(pulses) == []
    pulses[2] = (pulses[2][0] - TICK, pulses[2][1])
    assert judge(pulses) == [Violation("off-time", 500, 299.5, 300)]


def test_overlapping_pulses_are_an_off_time_violation() -> None:
    (found,) = judge([(Fraction(0), Fraction(100)), (Fraction(50), Fraction(10))])
    assert (found.kind, found.found) == ("off-time", -50)


def test_starts_are_counted_in_half_open_seconds() -> None:
    pulses = train(11, 100_000, 50)  # the eleventh begins exactly a second after the first
    assert judge(pulses, max_starts_1s=10) == []
    pulses[10] = (pulses[10][0] - TICK, pulses[10][1])
    (found,) = judge(pulses, max_starts_1s=10)
    assert (found.kind, found.found, found.at_us) == ("break rate", 11, 0)


@pytest.mark.parametrize("length_us", [5_000, 10_000, 1_000_000])
def test_duty_one_tick_too_much_is_found(length_us: int) -> None:
    pulses = train(2 * length_us // 1000, 1000, 50)
    most = length_us // 1000 * 50
    assert judge(pulses, windows=[(length_us, most)]) == []
    pulses[7] = (pulses[7][0], pulses[7][1] + TICK)
    (found,) = judge(pulses, windows=[(length_us, most)])
    assert (found.kind, found.found) == ("duty", most + 0.5)


def test_a_pulse_half_in_the_window_counts_by_half() -> None:
    # Window of 1000 from 950: 50 of the first pulse, 100 of the second, 50 of the third.
    pulses = [(Fraction(900), Fraction(100)), (Fraction(1400), Fraction(100)),
              (Fraction(1900), Fraction(100))]  # fmt: skip
    assert judge(pulses, windows=[(1000, 200)]) == []
    (found,) = judge(pulses, windows=[(1000, 200 - TICK)])
    assert found.found == 200


def test_the_worst_window_is_the_worst_of_every_tick() -> None:
    # Brute force over every half microsecond, for small random trains.
    rng = random.Random(5)
    for _ in range(60):
        at, pulses = Fraction(0), list[tuple[Fraction, Fraction]]()
        for _ in range(rng.randint(1, 8)):
            at += Fraction(rng.randint(0, 60), 2)
            on = Fraction(rng.randint(1, 20), 2)
            pulses.append((at, on))
            at += on
        length = Fraction(rng.randint(2, 100), 2)
        high = [False] * 1000
        for start, on in pulses:
            for half in range(int(start * 2), int((start + on) * 2)):
                high[half + 200] = True
        width = int(length * 2)
        worst = max(Fraction(sum(high[i : i + width]), 2) for i in range(1000 - width))
        limits = {"max_on_us": 1000, "min_off_us": 0}
        assert judge(pulses, windows=[(length, worst)], **limits) == []
        (found,) = judge(pulses, windows=[(length, worst - TICK)], **limits)
        assert found.found == float(worst)


def test_order_of_pulses_does_not_matter_and_floats_are_taken() -> None:
    pulses = [(float(s), float(n)) for s, n in train(50, 500, 100)]
    random.Random(1).shuffle(pulses)
    limits = {"max_on_us": 100.0, "min_off_us": 400.0, "max_starts_1s": 50}
    assert check_pulses(pulses, windows=[(1000.0, 200.0)], **limits) == []  # pyright: ignore
    found = check_pulses(pulses, windows=[(1000.0, 199.5)], **limits)  # pyright: ignore
    assert [v.kind for v in found] == ["duty"]
