"""Seeded performances that no musician would give: what the law is tried against."""

from __future__ import annotations

import random
from collections.abc import Callable

from bridge.config import Coil
from bridge.music.voices import Hold, VoiceAsk
from tests.governor.stage import Stage, Wire, ask, coil

RATES_HZ = (12.0, 20.0, 33.0, 55.0, 110.0, 220.0, 440.0, 880.0, 1500.0)


def any_coil(rng: random.Random) -> Coil:
    """Lawful configurations out to the corners of what config.py takes."""
    shortest = rng.choice((5, 10, 40, 100))
    longest = min(400, max(shortest + 1.5, shortest * rng.choice((1.05, 1.5, 4, 10))))
    windows = rng.sample((5, 6, 10, 20, 35, 60, 100, 250, 1000, 1500, 5000), rng.randint(1, 2))
    if rng.random() < 0.5 and 1000 not in windows:
        windows.append(1000)
    return coil(
        min_on_time_us=shortest,
        max_on_time_us=longest,
        min_off_time_us=rng.choice((100, 300, 1000, 3000)),
        max_break_rate_hz=rng.choice((20, 60, 200, 500, 900, 2000)),
        max_voices=rng.randint(1, 4),
        duty_windows=[
            {"window_ms": w, "max_percent": rng.choice((0.5, 1, 2, 4, 8, 12))} for w in windows
        ],
        notes={"lowest": 0, "highest": 127},
    )


def any_wire(rng: random.Random) -> Wire:
    return Wire(
        jitter_s=rng.choice((0, 0.005, 0.02, 0.05)),
        loss=rng.choice((0, 0.1, 0.5, 1.0)),
        extreme=rng.random() < 0.6,
        cruel=rng.random() < 0.3,
        board_error=rng.choice((-0.005, 0, 0.005)),
        measured_wrong_ppm=rng.choice((-50, 0, 50)),
    )


class Performer:
    """Plays random mischief on a stage."""

    def __init__(self, stage: Stage, rng: random.Random) -> None:
        self.stage, self.rng = stage, rng
        self.now_s = 0.05
        self.live: list[VoiceAsk] = []
        self._voice = 0

    def new(self, rate_hz: float, energy: float = 1.0, **more: object) -> VoiceAsk:
        self._voice += 1
        return ask(self._voice, rate_hz, energy, started_s=self.now_s, **more)  # pyright: ignore

    def any_rate(self) -> float:
        return self.rng.choice(RATES_HZ) * 2 ** (self.rng.random() / 6)

    def any_voice(self) -> VoiceAsk:
        rng = self.rng
        return self.new(
            self.any_rate(),
            rng.choice((0.01, 0.2, 1.0, 1.0)),
            spread=rng.choice((0, 0, 0, 0.1, 0.5)),
            bang_count=rng.choice((0, 0, 0, 1, 3, 10, 50)),
            phase=rng.choice((0, 0, 0.5, 0.9)),
            hold=rng.choice(list(Hold)),
        )

    def say(self, voices: list[VoiceAsk], then_s: float) -> None:
        self.live = voices
        self.stage.play(self.now_s, voices)
        self.now_s += then_s

    # -- mischief, one method each ---------------------------------------------------------------

    def chord(self) -> None:
        count = self.rng.randint(1, 6)
        self.say([self.any_voice() for _ in range(count)], self.rng.random() * 0.5)

    def trill(self) -> None:
        rates, gap_s = (self.any_rate(), self.any_rate()), self.rng.choice((0.003, 0.01, 0.03, 0.1))
        for turn in range(self.rng.randint(3, 40)):
            self.say([self.new(rates[turn % 2])], gap_s)

    def restarts(self) -> None:
        rates = [self.any_rate() for _ in range(self.rng.randint(1, 4))]
        gap_s = self.rng.choice((0.001, 0.005, 0.02, 0.045, 0.06))
        for _ in range(self.rng.randint(3, 40)):
            self.say([self.new(r) for r in rates], gap_s)

    def bend(self) -> None:
        factor = self.rng.choice((1.001, 1.01, 1.05, 0.95, 0.99, 1.3, 0.7))
        for _ in range(self.rng.randint(3, 40)):
            self.say(
                [
                    v._replace(break_rate_hz=min(1990.0, max(9.0, v.break_rate_hz * factor)))
                    for v in self.live
                ],
                self.rng.choice((0.002, 0.009)),
            )

    def jump(self) -> None:
        for _ in range(self.rng.randint(2, 20)):
            self.say(
                [v._replace(break_rate_hz=self.any_rate()) for v in self.live],
                self.rng.choice((0.001, 0.004, 0.012, 0.05)),
            )

    def alternate(self) -> None:
        one = [self.any_voice() for _ in range(self.rng.randint(1, 4))]
        two = [self.any_voice() for _ in range(self.rng.randint(0, 4))]
        gap_s = self.rng.choice((0.005, 0.02, 0.05, 0.09))
        for turn in range(self.rng.randint(4, 40)):
            self.say(one if turn % 2 else two, gap_s)

    def storm(self) -> None:
        for _ in range(self.rng.randint(5, 60)):
            drop = self.live and self.rng.random() < 0.4
            voices = self.live[1:] if drop else [*self.live, self.any_voice()][-8:]
            self.say(voices, self.rng.random() * 0.006)

    def swell(self) -> None:
        for _ in range(self.rng.randint(5, 40)):
            self.say(
                [v._replace(energy=self.rng.choice((0.001, 0.1, 0.5, 1.0))) for v in self.live],
                self.rng.choice((0.001, 0.009, 0.03)),
            )

    def rest(self) -> None:
        self.say([], self.rng.random() * self.rng.choice((0.05, 1.0)))

    def hold(self) -> None:
        self.now_s += self.rng.random() * 1.5

    def perform(self, length_s: float) -> None:
        mischief: tuple[Callable[[], None], ...] = (
            self.chord, self.trill, self.restarts, self.bend, self.jump, self.alternate,
            self.storm, self.swell, self.rest, self.hold,
        )  # fmt: skip
        while self.now_s < length_s:
            self.rng.choice(mischief)()
        self.stage.wait(self.now_s)


# -- attacks: each fills one reserve out of silence -----------------------------------------------


def attack(seed: int, early_s: float = 0.0) -> tuple[str, Stage]:
    """One seeded attack; its kind, and the stage after it."""
    rng = random.Random(seed)
    window_ms = rng.choice((10, 20, 50, 100, 250, 1000, 1000, 1000))
    config = coil(
        min_on_time_us=5,
        max_on_time_us=rng.choice((50, 150, 400)),
        min_off_time_us=100,
        max_break_rate_hz=rng.choice((100, 300, 2000, 2000)),
        duty_windows=[{"window_ms": window_ms, "max_percent": rng.choice((2, 4, 8, 12))}],
        notes={"lowest": 0, "highest": 127},
    )
    wire = Wire(
        jitter_s=rng.choice((0, 0.005, 0.05)),
        cruel=rng.random() < 0.6,
        board_error=rng.choice((-0.005, 0, 0.005)),
        early_s=early_s,
        early_from_s=1.0 + max(0.1, window_ms / 1000) * (seed % 16) / 16,
    )
    kind = rng.choice(("machine-gun", "pile-up", "swap", "freeze", "machine-gun"))
    player = Performer(Stage(config, wire, seed), rng)
    player.now_s = 1.0
    end_s = 1.0 + max(0.1, window_ms / 1000) * 1.1
    count = rng.randint(1, 4)
    rate_hz = rng.choice((10.0, 15.0, 30.0, 60.0, 120.0, 240.0, 480.0))
    gap_s = rng.choice((0.002, 0.004, 0.008, 0.012, 0.02, 0.04, 0.06, 1 / rate_hz + 0.0003))
    short_s = rng.choice((0.002, 0.005, 0.01, 0.03))

    def fresh() -> list[VoiceAsk]:
        return [player.new(rate_hz) for _ in range(count)]

    if kind == "freeze":
        base = player.new(rate_hz)
        player.say([base], rng.random() * 0.5)
        player.say([base, *(player.new(rate_hz * rng.choice((1, 2, 4))) for _ in range(3))], 0)
        if rng.random() < 0.5:
            player.now_s += 0.009 * rng.randint(0, 4)
        player.stage.wait(player.now_s)
        player.stage.freeze()
        return kind, player.stage
    base = player.new(rate_hz)
    while player.now_s < end_s:
        if kind == "machine-gun":
            player.say(fresh(), gap_s)
        elif kind == "pile-up":
            player.say([base], short_s)
            player.say([base, *fresh()], gap_s)
        else:
            player.say(fresh(), gap_s)
            player.say([player.new(10.0) for _ in range(4)], short_s)
    player.stage.wait(player.now_s)
    return kind, player.stage
