"""Players for random nights: seeded generators with a temper, the same messages in every run."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from bridge.config import Config
from tests.chain.random_sites import SECOND_INPUT
from tests.chain.rig import INPUT


@dataclass(frozen=True)
class Temper:
    """How a player plays, and for how long."""

    nights: int
    messages: int
    """In each night, at least."""
    pause_s: float
    """Mean time between two messages."""
    gestures: dict[str, float]
    """What is played, each with its weight."""
    large: bool = False


ALL: dict[str, float] = dict.fromkeys(
    ("note", "chord", "bend", "hold", "level", "modes", "program", "parameter", "zone", "press",
     "drum", "garbage"), 1.0,
)  # fmt: skip

TEMPERS = {
    "storm": Temper(14, 4200, 0.00012, ALL),
    "bends": Temper(12, 2500, 0.0003, {"bend": 12, "note": 2, "parameter": 0.1}),
    "pressure": Temper(8, 3500, 0.0005, {"press": 8, "note": 2, "program": 0.2, "hold": 0.2}),
    "swings": Temper(8, 900, 0.006, {"swing": 1}),
    "tuning": Temper(8, 3000, 0.0006, {"parameter": 6, "note": 3, "bend": 3}),
    "zones": Temper(8, 2000, 0.0008, {"zone": 0.5, "note": 4, "bend": 6, "press": 6, "level": 1}),
    "modes": Temper(8, 1500, 0.002, {"modes": 2, "chord": 2, "note": 4, "hold": 2, "bend": 1}),
    "eight": Temper(2, 1200, 0.0005, ALL, large=True),
    "chords": Temper(8, 1000, 0.003, {"chord": 3, "note": 6, "program": 0.3}),
    "trills": Temper(6, 500, 0.008, {"trill": 10, "program": 0.2}),
    "drums": Temper(6, 350, 0.012, {"drum": 9, "note": 1}),
    "pedals": Temper(6, 500, 0.008, {"hold": 3, "level": 2, "note": 6}),
    "garbage": Temper(6, 1500, 0.002, {"garbage": 5, "note": 5}),
    "slow": Temper(4, 60, 0.15, {"note": 8, "chord": 1, "level": 1}),
}


class Player:
    """Messages by temper, from a seed, mostly for notes that the site's coils have."""

    def __init__(self, temper: str, seed: int, config: Config) -> None:
        self._random = random.Random(f"{temper} {seed}")
        self._temper = TEMPERS[temper]
        self._ranges = [(c.notes.lowest, c.notes.highest) for c in config.coil]
        self._trilled = min(self._key(), 125)
        lowest, highest = self._random.choice(self._ranges)
        self._swung = self._random.randint(lowest, max(lowest, highest - 8))
        gestures = self._temper.gestures
        self._gestures: list[Callable[[], list[bytes]]] = [
            getattr(self, f"_{name}") for name in gestures
        ]
        self._weights = list(gestures.values())
        self._channels = self._random.choice((1, 2, 16))
        """How many channels are played on."""

    def input_name(self) -> str:
        return SECOND_INPUT if self._random.random() < 0.1 else INPUT

    def bunch(self) -> tuple[list[bytes], float]:
        """Messages that come at one instant, and how long until the next: a DAW sends so."""
        rnd = self._random
        found: list[bytes] = []
        for _ in range(rnd.choice((1, 1, 3, 12))):
            found += rnd.choices(self._gestures, self._weights)[0]()
        return found, rnd.expovariate(1 / (self._temper.pause_s * len(found)))

    def interrupted(self) -> bool:
        """Does the operator press hush now?"""
        return self._random.random() < 0.002

    def _channel(self) -> int:
        return self._random.randrange(self._channels)

    def _key(self) -> int:
        rnd = self._random
        if rnd.random() < 0.15:
            return rnd.randrange(128)
        return rnd.randint(*rnd.choice(self._ranges))

    def _note(self) -> list[bytes]:
        rnd = self._random
        status = rnd.choice((0x90, 0x90, 0x80)) | self._channel()
        return [bytes((status, self._key(), rnd.choice((rnd.randrange(128), 127))))]

    def _trill(self) -> list[bytes]:
        rnd = self._random
        status = rnd.choice((0x90, 0x90, 0x80))
        return [bytes((status, self._trilled + rnd.randrange(3), rnd.randrange(1, 128)))]

    def _chord(self) -> list[bytes]:
        rnd, root = self._random, min(self._key(), 111)
        status = rnd.choice((0x90, 0x90, 0x80)) | self._channel()
        return [bytes((status, root + n, rnd.randrange(1, 128))) for n in (0, 4, 7, 12, 16)]

    def _bend(self) -> list[bytes]:
        rnd = self._random
        return [bytes((0xE0 | self._channel(), rnd.randrange(128), rnd.randrange(128)))]

    def _control(self, *pairs: tuple[int, int], channel: int | None = None) -> list[bytes]:
        status = 0xB0 | (self._channel() if channel is None else channel)
        return [bytes((status, number, value)) for number, value in pairs]

    def _swing(self) -> list[bytes]:
        """From end to end: by bend, by volume, or the whole chord anew. What is hardest to keep
        lawful is a coil at its limit whose rates and on-times change faster than frames arrive."""
        rnd, channel = self._random, self._channel()
        match rnd.randrange(4):
            case 0 | 1:
                return [bytes((0xE0 | channel, *rnd.choice(((0, 0), (0, 64), (127, 127)))))]
            case 2:
                return self._control((7, rnd.choice((0, 127, 127))), channel=channel)
            case _:
                status = rnd.choice((0x90, 0x90, 0x80)) | channel
                return [bytes((status, self._swung + n, 127)) for n in (0, 3, 5, 8)]

    def _hold(self) -> list[bytes]:
        """Sustain, sostenuto."""
        rnd = self._random
        return self._control((rnd.choice((64, 66)), rnd.choice((0, 40, 64, 127))))

    def _level(self) -> list[bytes]:
        """Modulation, volume, expression."""
        rnd = self._random
        return self._control((rnd.choice((1, 7, 11)), rnd.choice((0, 1, 64, 100, 127, 127))))

    def _modes(self) -> list[bytes]:
        """Channel mode messages, 120 to 127."""
        rnd = self._random
        return self._control((rnd.randrange(120, 128), rnd.choice((0, 0, 1, 127))))

    def _program(self) -> list[bytes]:
        return [bytes((0xC0 | self._channel(), self._random.randrange(128)))]

    def _press(self) -> list[bytes]:
        """Channel or poly pressure."""
        rnd, channel = self._random, self._channel()
        if rnd.random() < 0.5:
            return [bytes((0xD0 | channel, rnd.randrange(128)))]
        return [bytes((0xA0 | channel, self._key(), rnd.randrange(128)))]

    def _parameter(self) -> list[bytes]:
        """RPN 0, 1 or 2 entered, stepped or left null; a non-registered one now and then."""
        rnd, channel = self._random, self._channel()
        high, low = rnd.choice(((101, 100),) * 5 + ((99, 98),))
        number = rnd.choice((0, 1, 2, 127))
        entry = rnd.choice((
            ((6, rnd.choice((0, 2, 12, 48, 64, 76, 96))), (38, rnd.randrange(128))),
            ((96, 0),), ((97, 0),),
        ))  # fmt: skip
        head = ((high, 127 if number == 127 else 0), (low, number))
        return self._control(*head, *entry, channel=channel)

    def _zone(self) -> list[bytes]:
        """RPN 6 on channel 1 or 16: an MPE zone set up, changed or removed."""
        rnd = self._random
        members = rnd.choice((0, 1, 3, 7, 15))
        return self._control((101, 0), (100, 6), (6, members), channel=rnd.choice((0, 15)))

    def _drum(self) -> list[bytes]:
        rnd = self._random
        return [bytes((0x99, rnd.randrange(27, 88), rnd.choice((0, 60, 127))))]

    def _garbage(self) -> list[bytes]:
        """Any bytes at all; clock, start, sensing and system exclusive among them."""
        rnd = self._random
        if rnd.random() < 0.2:
            return [rnd.choice((b"\xf8", b"\xfa", b"\xfe", b"\xff", b"\xf0\x7e\x7f\x09\x01\xf7"))]
        return [bytes(rnd.randrange(256) for _ in range(rnd.randrange(5)))]
