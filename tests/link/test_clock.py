"""The estimate of a controller's clock, against clocks whose truth the test knows."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import numpy as np
import pytest

from bridge.link.clock import IN_STEP_PPM, SLEW_PPM_PER_S, TOLERANCE_PPM, Clock
from firmware_protocol.messages import TICK_HZ

WIRE_OUT_S = 12 * 10 / 500_000
WIRE_BACK_S = 24 * 10 / 500_000
HALF_CENT_PPM = (2 ** (0.5 / 1200) - 1) * 1e6
Delay = Callable[[random.Random], float]


class Board:
    """A controller whose true clock is known, behind a line that delays each way on its own."""

    def __init__(
        self,
        ppm: float,
        *,
        out: Delay = lambda _: 0.0,
        back: Delay = lambda _: 0.0,
        start_tick: int = 1_000_000,
        seed: int = 1,
    ) -> None:
        self.true_hz = TICK_HZ * (1 + ppm * 1e-6)
        self.offset_ticks = 0.0
        self.start_tick = start_tick
        self.out, self.back = out, back
        self.random = random.Random(seed)

    def ticks(self, host_s: float) -> float:
        """Not wrapped."""
        return self.start_tick + self.offset_ticks + host_s * self.true_hz

    def ping(self, clock: Clock, sent_s: float, extra_s: float = 0.0) -> float:
        """One ping and its pong; answers with the time at which the pong was here."""
        there_s = sent_s + WIRE_OUT_S + self.out(self.random) + extra_s
        away_s = there_s + self.random.uniform(20e-6, 400e-6)
        here_s = away_s + WIRE_BACK_S + self.back(self.random)
        clock.add(
            sent_s,
            here_s,
            received_at=math.floor(self.ticks(there_s)) & 0xFFFF_FFFF,
            sent_at=math.floor(self.ticks(away_s)) & 0xFFFF_FFFF,
            wire_out_s=WIRE_OUT_S,
            wire_back_s=WIRE_BACK_S,
        )
        return here_s

    def run(self, clock: Clock, start_s: float, seconds: float) -> float:
        """Pings as a session does: every 23 ms until in step, then every 211 ms."""
        now_s = start_s
        while now_s < start_s + seconds:
            self.ping(clock, now_s)
            now_s += 0.023 if clock.problem() else 0.211
        return now_s

    def rate_error_ppm(self, clock: Clock) -> float:
        return (clock.rate_hz / self.true_hz - 1) * 1e6

    def tick_error_s(self, clock: Clock, host_s: float) -> float:
        wrong = (clock.tick_at(host_s) - self.ticks(host_s) + 2**31) % 2**32 - 2**31
        return wrong / self.true_hz


@pytest.mark.parametrize("seed", range(40))
def test_a_clock_that_is_in_step_does_not_flicker(seed: int) -> None:
    """Half the messages wait a few milliseconds for a busy host: after the first "in step", an
    operator must not read "not yet" for one pair that was worse."""

    def busy(chance: random.Random) -> float:
        return chance.expovariate(1 / 0.004) if chance.random() < 0.5 else 0.0

    clock, board, now_s = Clock(), Board(-700, out=busy, back=busy, seed=seed), 0.0
    while clock.problem():
        board.ping(clock, now_s)
        now_s += 0.023
    for _ in range(200):
        board.ping(clock, now_s)
        now_s += 0.211
        assert not clock.problem()


def uniform(low_s: float, high_s: float) -> Delay:
    return lambda r: r.uniform(low_s, high_s)


def usb(r: random.Random) -> float:
    """Mostly short, now and then a millisecond frame waited for, rarely a long stall."""
    late = 0.001 if r.random() < 0.1 else 0.0
    return r.uniform(0, 0.0003) + late + (r.uniform(0.005, 0.08) if r.random() < 0.02 else 0)


LINES: dict[str, tuple[Delay, Delay]] = {
    "still": (lambda _: 0.0, lambda _: 0.0),
    "even": (uniform(0, 0.0005), uniform(0, 0.0005)),
    "asymmetric": (uniform(0, 0.0001), uniform(0.0005, 0.002)),
    "usb": (usb, usb),
}


@pytest.mark.parametrize("ppm", [-5000, -1234, 0, 50, 5000])
@pytest.mark.parametrize("line", list(LINES))
def test_the_rate_is_as_good_as_it_says_once_it_is_in_step(line: str, ppm: float) -> None:
    for seed in range(6):
        board = Board(ppm, out=LINES[line][0], back=LINES[line][1], seed=seed)
        clock = Clock()
        now_s, in_step_s = 500.0, None
        while now_s < 540:
            board.ping(clock, now_s)
            if clock.problem() == "":
                in_step_s = in_step_s or now_s
                assert abs(board.rate_error_ppm(clock)) < HALF_CENT_PPM
                assert abs(board.rate_error_ppm(clock)) < 4 * clock.standard_error_ppm + 1
            now_s += 0.023 if clock.problem() else 0.211
        assert in_step_s is not None
        assert in_step_s - 500 < 8
        assert clock.jumps == 0


def test_two_boards_at_both_ends_of_the_tolerance_are_in_tune() -> None:
    rates: list[float] = []
    for ppm in (-5000, 5000):
        board = Board(ppm, out=usb, back=usb)
        clock = Clock()
        board.run(clock, 10, 20)
        assert clock.problem() == ""
        # A period of n ticks by this estimate, on the true clock:
        rates.append(clock.rate_hz / board.true_hz)
    assert abs(1200 * math.log2(rates[0] / rates[1])) < 1


@pytest.mark.parametrize("ppm", [-5000, 0, 5000])
def test_before_it_is_in_step_it_says_so(ppm: float) -> None:
    clock = Clock()
    assert clock.problem() == "no time answer yet"
    assert not clock.known
    assert clock.standard_error_ppm == math.inf
    board = Board(ppm)
    for n in range(3):
        board.ping(clock, 5 + n * 0.023)
        assert clock.problem() == "still measuring its rate"
    board.run(clock, 5.1, 10)
    assert clock.problem() == ""
    assert clock.standard_error_ppm <= IN_STEP_PPM


@pytest.mark.parametrize("ppm", [-5900, 5900, 20_000])
def test_a_board_outside_the_tolerance_is_never_in_step(ppm: float) -> None:
    clock = Clock()
    board = Board(ppm, out=LINES["even"][0], back=LINES["even"][1])
    for n in range(300):
        board.ping(clock, 5 + n * 0.1)
        assert clock.problem()
    assert f"off by {ppm:+.0f} ppm"[:10] in clock.problem()
    assert f"{TOLERANCE_PPM:.0f}" in clock.problem()


def test_a_tick_count_is_right_within_half_the_asymmetry() -> None:
    """The middle of a round trip errs by half of what one way exceeds the other: 0.6 ms here."""
    board = Board(3000, out=uniform(0, 0.0001), back=uniform(0.0011, 0.0013))
    clock = Clock()
    now_s = board.run(clock, 100, 30)
    for ahead_s in (0, 0.1, 0.25):
        error_s = board.tick_error_s(clock, now_s + ahead_s)
        # The board's answer lies later than the middle says: the estimate runs ahead by that.
        assert error_s == pytest.approx(-0.0006, abs=0.0001)


def test_a_tick_count_on_an_even_line_is_right_within_a_tenth_of_a_millisecond() -> None:
    board = Board(-4000, out=uniform(0, 0.0005), back=uniform(0, 0.0005))
    clock = Clock()
    now_s = 100.0
    for n in range(600):
        board.ping(clock, now_s)
        if n > 100:
            assert abs(board.tick_error_s(clock, now_s + 0.25)) < 0.0001
        now_s += 0.211 if n > 100 else 0.023


def test_a_counter_that_wraps_is_not_noticed() -> None:
    board = Board(4000, start_tick=2**32 - TICK_HZ * 12)
    clock = Clock()
    now_s = 0.0
    for n in range(150):
        board.ping(clock, now_s)
        if n > 20:
            assert abs(board.tick_error_s(clock, now_s + 0.2)) < 20e-6
        now_s += 0.211
    assert clock.jumps == 0
    assert board.ticks(now_s) > 2**32


def test_an_hour_and_two_wraps_later_it_is_as_good_as_ever() -> None:
    board = Board(-5000, out=usb, back=usb)
    clock = Clock()
    now_s = board.run(clock, 3e5, 10)  # a host that has been up for days
    worst_ppm = worst_s = 0.0
    while now_s < 3e5 + 4500:
        board.ping(clock, now_s)
        now_s += 0.211
        worst_ppm = max(worst_ppm, abs(board.rate_error_ppm(clock)))
        worst_s = max(worst_s, abs(board.tick_error_s(clock, now_s)))
    assert board.ticks(now_s) - board.ticks(3e5) > 2 * 2**32
    assert clock.jumps == 0
    assert worst_ppm < HALF_CENT_PPM / 5
    assert worst_s < 0.0003


def test_the_sums_agree_with_a_plain_fit_over_all_pairs() -> None:
    """numpy's weighted polynomial fit over every pair is the reference for the running sums."""
    board = Board(2500, out=uniform(0, 0.0004), back=uniform(0, 0.0004), seed=5)
    clock = Clock()
    hosts: list[float] = []
    ticks: list[float] = []
    for n in range(400):
        sent_s = 1000 + n * 0.211
        out_s = board.out(board.random)
        there_s = sent_s + WIRE_OUT_S + out_s
        here_s = there_s + WIRE_BACK_S + 0.0004 - out_s  # every round trip weighs the same
        tick = math.floor(board.ticks(there_s))
        clock.add(
            sent_s,
            here_s,
            received_at=tick & 0xFFFF_FFFF,
            sent_at=tick & 0xFFFF_FFFF,
            wire_out_s=WIRE_OUT_S,
            wire_back_s=WIRE_BACK_S,
        )
        hosts.append((sent_s + WIRE_OUT_S + here_s - WIRE_BACK_S) / 2)
        ticks.append(tick)
    assert clock.rejected == 0
    x = np.array(hosts) - hosts[-1]
    y = np.array(ticks) - ticks[-1] - x * TICK_HZ
    weights = np.exp(x / 20.0)  # the clock's decay
    slope, level = np.polyfit(x, y, 1, w=np.sqrt(weights))
    assert clock.rate_hz == pytest.approx(TICK_HZ + slope, rel=1e-10)
    expected = round(ticks[-1] + level + 0.1 * (TICK_HZ + slope)) & 0xFFFF_FFFF
    assert abs(clock.tick_at(hosts[-1] + 0.1) - expected) <= 1


def test_long_round_trips_weigh_next_to_nothing_and_very_long_ones_nothing() -> None:
    board = Board(1000, out=uniform(0, 0.0003), back=uniform(0, 0.0003))
    clock = Clock()
    now_s = board.run(clock, 10, 10)
    rate = clock.rate_hz
    for n in range(10):
        board.ping(clock, now_s + n * 0.01, extra_s=0.05)
    assert abs(clock.rate_hz / rate - 1) < 2e-6
    rate = clock.rate_hz
    for n in range(10):
        board.ping(clock, now_s + 0.1 + n * 0.01, extra_s=0.3)
    assert clock.rejected == 10
    assert clock.rate_hz == rate


def test_long_round_trips_at_the_very_start_lose_their_weight_again() -> None:
    board = Board(1000, out=uniform(0, 0.0003), back=uniform(0, 0.0003))
    clock = Clock()
    for n in range(4):
        board.ping(clock, 10 + n * 0.1, extra_s=0.06 - n * 0.01)
    board.run(clock, 10.5, 5)
    assert clock.jumps == 0
    assert clock.problem() == ""
    assert abs(board.rate_error_ppm(clock)) < HALF_CENT_PPM


def test_a_line_that_becomes_slower_is_heard_again() -> None:
    """All round trips are longer from now on: light at first, then taken for what they are."""
    board = Board(1000)
    clock = Clock()
    now_s = board.run(clock, 10, 10)
    board.out = board.back = lambda _: 0.002
    board.run(clock, now_s, 60)
    board.run(clock, now_s + 60, 60)
    assert clock.problem() == ""
    assert abs(board.rate_error_ppm(clock)) < HALF_CENT_PPM


@pytest.mark.parametrize("jump_s", [-100.0, -0.05, 0.05, 3.0])
def test_a_jump_is_noticed_after_three_pairs_and_measured_anew(jump_s: float) -> None:
    board = Board(2000)
    clock = Clock()
    now_s = board.run(clock, 10, 10)
    board.offset_ticks = jump_s * TICK_HZ
    for n in range(3):
        assert clock.jumps == 0
        board.ping(clock, now_s + n * 0.023)
    assert clock.jumps == 1
    assert clock.problem() == "still measuring its rate"
    now_s = board.run(clock, now_s + 0.07, 10)
    assert clock.problem() == ""
    assert clock.jumps == 1
    assert abs(board.tick_error_s(clock, now_s)) < 50e-6


def test_two_strange_pairs_are_no_jump() -> None:
    board = Board(2000)
    clock = Clock()
    now_s = board.run(clock, 10, 10)
    for _ in range(4):
        board.offset_ticks = TICK_HZ
        board.ping(clock, now_s)
        board.ping(clock, now_s + 0.02)
        board.offset_ticks = 0.0
        board.ping(clock, now_s + 0.04)
        now_s += 0.1
    assert clock.jumps == 0
    assert abs(board.rate_error_ppm(clock)) < 1


def test_a_resonator_that_warms_up_is_followed() -> None:
    """0.1 ppm a second for ten minutes: the rate lags by about two decay times of drift."""
    board = Board(0, out=uniform(0, 0.0003), back=uniform(0, 0.0003))
    clock = Clock()
    now_s = board.run(clock, 0, 10)
    for _ in range(2800):
        step_s = 0.211
        drifted = board.true_hz + TICK_HZ * 0.1e-6 * step_s
        board.offset_ticks += (board.true_hz - drifted) * now_s  # the count itself does not jump
        board.true_hz = drifted
        board.ping(clock, now_s)
        now_s += step_s
    assert abs(board.rate_error_ppm(clock)) < 0.1 * 2 * 20 + 2
    assert abs(board.tick_error_s(clock, now_s)) < 0.0002
    assert clock.jumps == 0


# -- the rate that periods use -----------------------------------------------------------------


def test_the_rate_in_use_moves_slowly_and_arrives() -> None:
    clock = Clock()
    board = Board(0)
    now_s = board.run(clock, 0, 5)
    before = clock.slew(now_s, jump=True)
    board = Board(500, start_tick=round(board.ticks(now_s) - 500e-6 * TICK_HZ * now_s))
    at_s = now_s
    for _ in range(2000):
        if at_s - now_s > 0.211:
            board.ping(clock, at_s)
        step_s = 0.037
        at_s += step_s
        rate = clock.slew(at_s)
        assert abs(rate / before - 1) * 1e6 <= SLEW_PPM_PER_S * step_s * 1.001
        before = rate
    assert abs(before / clock.rate_hz - 1) * 1e6 < 1
    assert clock.error_ppm == pytest.approx(500, abs=30)


def test_in_silence_the_estimate_is_taken_at_once() -> None:
    clock = Clock()
    assert clock.slew(0.0) == TICK_HZ
    Board(5000).run(clock, 0, 5)
    assert clock.slew(5.0) != clock.rate_hz
    assert clock.slew(5.0, jump=True) == clock.rate_hz


def test_times_that_go_back_give_no_faster_slew() -> None:
    clock = Clock()
    clock.slew(100.0)
    Board(5000).run(clock, 90, 10)
    start = clock.slew(100.0)
    for _ in range(50):
        clock.slew(99.0)
        clock.slew(100.0)
    assert clock.slew(100.0) == start


def test_the_first_slew_takes_the_estimate() -> None:
    clock = Clock()
    Board(1000).run(clock, 0, 5)
    assert clock.slew(5.0) == clock.rate_hz
