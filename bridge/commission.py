"""`coilwarden commission`: the walk with a coil that has never run, from breakout upward.

Drives the very site that `bang` drives; what it fires passes governor, interlock and guard. A walk
that halts, by a reading or by a hand, stops the site: dark and latched, not just silent.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from bridge import loop
from bridge.bang import bang_on_time_us, for_bangs
from bridge.bang_source import BangSource
from bridge.clocks import MusicS
from bridge.coil.fit import FitError, fit, write_csv
from bridge.coil.fit_limits import limits_of_fit
from bridge.coil.model import model_of
from bridge.coil.walk import Walk
from bridge.config import Config
from bridge.host_clock import host_now
from bridge.own_words import OwnWord, find, told
from bridge.report.coil_command import fit_chapter
from bridge.report.show import on_terminal
from bridge.serve import run_site
from bridge.terminal import StoppingAnswer

WORDS = (
    OwnWord("fire", "f"),
    OwnWord("hold", "g", "(held) fixed rate"),
    OwnWord("reading", "digits, Enter:", "a reading in A", "AMPERES"),
    OwnWord("next", "n"),
    OwnWord("where", "w"),
    OwnWord("halt", "x"),
)
_ENTER = {"\n", "\r"}
_RUB_OUT = {"\x7f", "\b"}


class WalkWords:
    """Keys and words of the walk → its acts. `fire` and `hold` do the firing."""

    def __init__(self, walk: Walk, fire: Callable[[], None], hold: Callable[[], bool]) -> None:
        self._walk = walk
        self._fire = fire
        self._hold = hold
        self._digits = ""
        self._fired_at = -1

    def __call__(self, said: str) -> str | None:
        """The answer; None: not a word of the walk. What halts the walk stops the site."""
        before = self._walk.halted
        answer = self._answer(said)
        halts = not before or find(WORDS, said)[0] == "halt"
        if answer is not None and self._walk.halted and halts:
            return StoppingAnswer(answer)
        return answer

    def _answer(self, said: str) -> str | None:
        walk = self._walk
        if len(said) == 1 and (said in "0123456789." or said in _ENTER or said in _RUB_OUT):
            return self._digit(said)
        word, rest = find(WORDS, said)
        match word:
            case "fire" | "hold":
                if not walk.may_fire:
                    return walk.describe()
                self._fired_at = walk.index
                if word == "fire":
                    self._fire()
                    return f"{walk.on_time_us:.1f} µs asked (fires only while armed)"
                return f"{walk.on_time_us:.1f} µs, while held" if self._hold() else ""
            case "reading":
                return self._reading(rest)
            case "next":
                return walk.next()
            case "where":
                return walk.describe()
            case "halt":
                return walk.stop("halted by the one who looks at it")
            case _:
                return None

    def _digit(self, key: str) -> str:
        if key in _ENTER:
            text, self._digits = self._digits, ""
            return self._reading(text) if text else ""
        self._digits = self._digits[:-1] if key in _RUB_OUT else self._digits + key
        return f"reading: {self._digits} A, then Enter"

    def _reading(self, text: str) -> str:
        try:
            amperes = float(text.strip().rstrip("A "))
        except ValueError:
            return f"{text!r} is no number of amperes"
        if self._fired_at != self._walk.index and not self._walk.halted:
            return "nothing was fired at this step: fire, and read the scope, first"
        return self._walk.read(amperes)


def _hand_to_fit(config: Config, coil_name: str, walk: Walk, readings: Path) -> int:
    """Writes the readings, fits them, prints what follows. Raises OSError."""
    if not walk.readings:
        print("no readings were taken")
        return 1
    write_csv(readings, walk.readings)
    print(f"{len(walk.readings)} readings written to {readings}")
    model = model_of(next(c for c in config.coil if c.name == coil_name))
    if model is None:
        print(f"fit them with: coilwarden coil --fit {readings} --bus-voltage VOLTS")
        return 0
    try:
        found = fit(walk.readings, model.drive_v)
    except FitError as error:
        print(f"no fit yet: {error}")
        return 1
    longest_us, why = limits_of_fit(found, model)
    on_terminal(f"{coil_name}: commissioning", [fit_chapter(found, longest_us, why, model)])
    return 0 if walk.done else 1


def run(
    config: Config, coil_name: str, *, break_rate_hz: float, with_arc: bool, readings: Path,
    plain: bool,
) -> int:  # fmt: skip
    """The command. Exit 0: every step done; 1: the walk ended before."""
    config = for_bangs(config)
    coil = next(c for c in config.coil if c.name == coil_name)
    source = BangSource(config, coil_name, break_rate_hz)

    def commanded_us(on_time_us: float) -> float:
        source.ask_on_time(on_time_us)
        return bang_on_time_us(config, coil_name, source)

    walk = Walk(coil, with_arc=with_arc, commanded_us=commanded_us)

    def fire() -> None:
        source.ask_on_time(walk.on_time_us)
        source.fire(MusicS(host_now()), 1)

    def hold() -> bool:
        source.ask_on_time(walk.on_time_us)
        fresh = not source.sounding
        source.hold(MusicS(host_now()))
        return fresh

    def extra(said: str) -> str | None:
        answer = words(said)
        if walk.halted:  # a halted walk keeps nothing sounding
            source.let_go()
        return answer

    words = WalkWords(walk, fire, hold)
    code = loop.run(
        run_site(
            config,
            source,
            plain=plain,
            with_midi=False,
            extra=extra,
            own_words=WORDS,
            greeting=f"{walk.describe()}\n{told(WORDS, plain=plain)}",
        )
    )
    if code:
        return code
    try:
        return _hand_to_fit(config, coil_name, walk, readings)
    except OSError as error:
        print(f"{readings}: {error.strerror}", file=sys.stderr)
        return 2
