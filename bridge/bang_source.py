"""The source behind `coilwarden bang`: single bangs or a fixed rate on one coil. Pure.

Starts at breakout and grows only by a fresh act each time, never by a key that is held or pasted; a
rate sounds only while the key is held (no sign of it for `REPEAT_S`: silence). Everything it asks
passes governor, interlock, guard.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import Enum, auto

from bridge.clocks import MusicS
from bridge.config import Config
from bridge.governor.governor import Governor
from bridge.music.voices import Hold, VoiceAsk

LEAST_ENERGY = 1e-6
"""So little that the on-time is the shortest that breaks out."""
STEPS = 20
"""Fresh acts from breakout to the longest lawful on-time."""
MOST_BANGS = 255
"""A frame counts bangs in one byte; 0 would mean without end."""
FIRST_REPEAT_S = 0.7
"""A keyboard's wait before a held key repeats; the first sign of holding may take this long.
A sign that comes later than this is a fresh press."""
REPEAT_S = 0.15
"""Later signs come faster; silence for longer means released."""


class Longer(Enum):
    """What became of an act to go one step longer."""

    DONE = auto()
    HELD = auto()
    """Too soon after the last one: a key that is held or pasted. The first one of its row."""
    STILL_HELD = auto()


class BangSource:
    """A VoiceSource with one coil, no MIDI."""

    def __init__(
        self, config: Config, coil: str, break_rate_hz: float, *, hold_s: float | None = None
    ) -> None:
        """`hold_s`: how long a sign of holding counts; absent: as a keyboard repeats its keys.

        Raises ValueError for a coil that is not there or a rate that is none.
        """
        self._first_hold_s = FIRST_REPEAT_S if hold_s is None else hold_s
        self._next_hold_s = REPEAT_S if hold_s is None else hold_s
        self._names = tuple(c.name for c in config.coil)
        if coil not in self._names:
            raise ValueError(f'no coil "{coil}"; there are: {", ".join(self._names)}')
        if not 0 < break_rate_hz < math.inf:
            raise ValueError(f"break rate of {break_rate_hz:g} Hz: it must be above 0")
        self._coil = coil
        found = next(c for c in config.coil if c.name == coil)
        self._on_time_range_us = (found.min_on_time_us, found.max_on_time_us)
        self._rate_hz = break_rate_hz
        self._governor = Governor(found, link_jitter_s=0.0)
        self._has_curves = found.tank is not None and found.supply is not None
        self._asked_us: float | None = None
        self._step = 0
        self._longer_seen_s = -math.inf
        self._longer_held = False
        self._voice_id = 0
        self._count = 0
        self._until_s: MusicS | None = None
        self._asks: dict[str, tuple[VoiceAsk, ...]] = dict.fromkeys(self._names, ())
        self._commands: list[tuple[str, tuple[float, ...]]] = []

    @property
    def step(self) -> int:
        """0 (breakout) to STEPS (longest lawful on-time)."""
        return self._step

    @property
    def coil(self) -> str:
        return self._coil

    @property
    def break_rate_hz(self) -> float:
        return self._rate_hz

    @property
    def energy(self) -> float:
        """What the present step asks, so that each step lengthens the pulse by as much.

        The inverse of the governor's square law between breakout and the longest pulse, or of the
        coil's own curve where its tank is known.
        """
        shortest, longest = self._on_time_range_us
        if longest <= shortest:
            return LEAST_ENERGY
        on_time_us = shortest + (longest - shortest) * self._step / STEPS
        if self._asked_us is not None:
            on_time_us = min(longest, max(shortest, self._asked_us))
        if self._has_curves:
            return max(LEAST_ENERGY, self._governor.energy_for_on_time(on_time_us, self._rate_hz))
        energy = (on_time_us**2 - shortest**2) / (longest**2 - shortest**2)
        return min(1.0, max(LEAST_ENERGY, energy))

    def ask_on_time(self, on_time_us: float) -> None:
        """This on-time, from the next bang on, in place of the steps; held to the coil's range."""
        self._commands.append(("ask_on_time", (on_time_us,)))
        self._asked_us = on_time_us

    def set_rate(self, break_rate_hz: float) -> None:
        """From the next bang on. Raises ValueError for a rate that is none."""
        if not 0 < break_rate_hz < math.inf:
            raise ValueError(f"break rate of {break_rate_hz:g} Hz: it must be above 0")
        self._commands.append(("set_rate", (break_rate_hz,)))
        self._rate_hz = break_rate_hz

    def longer(self, now_s: MusicS) -> Longer:
        """One step longer, by a fresh act; takes effect at the next bang.

        Each sign of the act, counted or not, begins the wait for the next anew.
        """
        self._commands.append(("longer", (now_s,)))
        fresh = now_s - self._longer_seen_s > FIRST_REPEAT_S
        self._longer_seen_s = now_s
        if fresh:
            self._longer_held = False
            self._step = min(STEPS, self._step + 1)
            return Longer.DONE
        told, self._longer_held = self._longer_held, True
        return Longer.STILL_HELD if told else Longer.HELD

    def shorter(self) -> int:
        """One step shorter; by a held key too, for it leads to safety."""
        self._commands.append(("shorter", ()))
        self._step = max(0, self._step - 1)
        return self._step

    def fire(self, now_s: MusicS, bangs: int) -> None:
        """`bangs` (1..255) bangs at the fixed rate, then silence. Raises ValueError."""
        if not 1 <= bangs <= MOST_BANGS:
            raise ValueError(f"{bangs} bangs: 1 to {MOST_BANGS} are possible")
        self._commands.append(("fire", (now_s, bangs)))
        self._begin(now_s, bangs)
        self._until_s = MusicS(now_s + (bangs + 0.5) / self._rate_hz)

    def hold(self, now_s: MusicS) -> None:
        """The key is held: sounds until no further sign comes in time."""
        self._commands.append(("hold", (now_s,)))
        if self._until_s is None or now_s >= self._until_s or self._count:
            self._begin(now_s, 0)
            self._until_s = MusicS(now_s + self._first_hold_s)
        else:
            self._until_s = MusicS(now_s + self._next_hold_s)

    def let_go(self) -> None:
        """Silence, whatever is held."""
        self._commands.append(("let_go", ()))
        self._silence()

    @property
    def sounding(self) -> bool:
        return self._until_s is not None

    def _begin(self, now_s: MusicS, bangs: int) -> None:
        self._voice_id += 1
        self._count = bangs
        ask = VoiceAsk(
            voice_id=self._voice_id,
            break_rate_hz=self._rate_hz,
            energy=self.energy,
            note=0,
            channel=1,
            hold=Hold.HELD,
            started_s=now_s,
            bang_count=bangs,
        )
        self._asks = {n: (ask,) if n == self._coil else () for n in self._names}

    def _silence(self) -> None:
        self._until_s = None
        self._asks = dict.fromkeys(self._names, ())

    # -- VoiceSource --------------------------------------------------------------------------

    def midi(self, now_s: MusicS, input_name: str, message: bytes) -> None:
        """Bangs take no MIDI."""

    def input_lost(self, now_s: MusicS, input_name: str) -> None:
        """Bangs have no input to lose."""

    def hush(self, now_s: MusicS) -> None:
        self._silence()

    def tick(self, now_s: MusicS) -> None:
        if self._until_s is not None and now_s >= self._until_s:
            self._silence()

    def voices(self, now_s: MusicS) -> dict[str, tuple[VoiceAsk, ...]]:
        self.tick(now_s)  # silence must not hang on somebody having ticked in time
        return self._asks

    def moving(self) -> bool:
        return False

    def next_deadline_s(self) -> MusicS | None:
        return self._until_s

    def notes_held(self) -> bool:
        return self._until_s is not None

    def take_events(self) -> Sequence[object]:
        return ()

    def take_commands(self) -> Sequence[tuple[str, tuple[float, ...]]]:
        commands, self._commands = self._commands, []
        return commands

    def do(self, command: str, numbers: tuple[float, ...]) -> None:
        match command, numbers:
            case "ask_on_time", (on_time_us,):
                self.ask_on_time(on_time_us)
            case "longer", (now_s,):
                self.longer(MusicS(now_s))
            case "shorter", ():
                self.shorter()
            case "set_rate", (break_rate_hz,):
                self.set_rate(break_rate_hz)
            case "fire", (now_s, bangs):
                self.fire(MusicS(now_s), int(bangs))
            case "hold", (now_s,):
                self.hold(MusicS(now_s))
            case "let_go", ():
                self.let_go()
            case _:
                raise ValueError(f"bangs know no {command} with {len(numbers)} numbers")
