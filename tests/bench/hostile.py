"""Hosts that lie to the real image; what reached its pins is for judge.py.

``Played`` lets the hosts written for the Python model (tests/link) play on the bench. ``Liar`` is
one for the wire: it lies in every field, replays, floods, and arms with what it picked up.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass

from firmware_protocol.catalogue import State
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import (
    FLAG_FORGET_LATER,
    FLAG_IMMEDIATE,
    Arm,
    Armed,
    Disarm,
    Hello,
    HostMessage,
    Identity,
    Limits,
    OutputLimits,
    Reset,
    Slot,
    Stop,
    Voices,
)
from tests.bench.bench import (
    BYTE_CYCLES,
    CYCLES_PER_MS,
    CYCLES_PER_TICK,
)
from tests.bench.image_bench import CEILINGS, M32, ImageBench, slot

TEN_MS_TICKS = 20_000


@dataclass
class _Told:
    """What `hostile_performance` wants to know of a board: its state, as it last told."""

    played: Played

    @property
    def state(self) -> int:
        return self.played.bench.newest_status().state


class Played:
    """An image on the bench, as the hosts of tests/link/test_simulated_guard.py see a board."""

    def __init__(self, bench: ImageBench) -> None:
        """`bench`: started and proven."""
        self.bench = bench
        self.board = _Told(self)
        self._digest = 0

    @property
    def tick(self) -> int:
        return self.bench.clock()[0]

    def armed(self, *limits: OutputLimits) -> None:
        self._digest = self.bench.set_limits(*limits)
        self.arm()

    def arm(self) -> None:
        answer = self.bench.ask(Arm(self.bench.nonce(), self._digest), Armed)
        self.bench.session = answer.session
        self.bench.number = [0, 0, 0, 0]

    def reset_trip(self) -> None:
        self.bench.reset_trip()

    def voices(self, *slots: Slot | None, output: int, at: int | None = None) -> None:
        self.bench.run_to(self.bench.send(self.bench.voices(output, *slots, now=self.tick, at=at)))

    def advance(self, ticks: int) -> None:
        # a status that tells of a change has come by then: 1.8 ms of it on the line
        self.bench.run_for(max(ticks * CYCLES_PER_TICK, 4 * CYCLES_PER_MS))


class Liar:
    """A host that lies in every field of every frame, between an operator's arming and resets."""

    def __init__(self, bench: ImageBench, seed: int, limits: tuple[OutputLimits, ...]) -> None:
        """`bench`: started and proven; `limits`: of the outputs that may fire."""
        self.bench = bench
        self.chance = random.Random(seed)
        self.limits = limits
        self.did: Counter[str] = Counter()
        self.recorded: list[bytes] = []
        self.nonces = [0, 1, M32]
        bench.set_limits(*limits)
        self.operator()

    # -- the lies ------------------------------------------------------------

    def voices(self) -> None:
        """Every field may be a lie."""
        tick, _ = self.bench.clock()
        pick = self.chance.choice
        any32 = self.chance.randrange(2**32)
        on = pick((800, 400, 400, 100, 801, TEN_MS_TICKS, 65_535, 1, 0))
        slots = tuple(
            None
            if self.chance.random() < 0.2
            else Slot(
                start=self.chance.randrange(256),
                bangs=pick((0, 0, 1, 255)),
                spread=pick((0, 128, 255)),
                phase=pick((0, 0, 255)),
                on_ticks=on,
                step=pick((0, 0, 65_535)),
                period=pick((0, 1, 256 * 200, 256 * 900, 256 * 2500, 256 * 9000, 2**32 - 1)),
            )
            for _ in range(4)
        )
        honest = self.chance.random() < 0.6
        number = self.bench.number
        output = pick((0, 0, 3, 3, 1, 2, 4, 255))
        if output < 4:
            number[output] = (number[output] + pick((1, 1, 1, 0, 300, 0x8000))) & 0xFFFF
        self.tell(
            Voices(
                self.bench.session if honest or self.chance.random() < 0.9 else any32,
                output,
                number[output] if output < 4 else 1,
                FLAG_IMMEDIATE if honest else pick((0, FLAG_FORGET_LATER, 0xFF)),
                tick if honest else pick((tick + 9000, tick - 90_000, tick + 500_000, any32)),
                (tick + 450_000 if honest else pick((tick + 450_000, tick - 1, any32))) & M32,
                slots,
            )
        )

    def ten_ms(self) -> None:
        """Pulses of 10 ms, in a frame that is good in all else."""
        output = self.chance.choice(self.limits).output
        self.bench.run_to(self.bench.sound(output, slot(24_000, TEN_MS_TICKS)))

    def replay(self) -> None:
        for wire in self.chance.sample(self.recorded, min(6, len(self.recorded))):
            self.bench.run_to(self.bench.bytes_at(self.bench.now, wire))

    def flood(self) -> None:
        """Two hundred frames without a pause, every one a new start at full length."""
        end = self.bench.now
        tick, _ = self.bench.clock()
        for k in range(200):
            one = self.limits[k % len(self.limits)]
            loud = slot(300, one.max_on_ticks, start=k & 0xFF)
            end = self.bench.send(self.bench.voices(one.output, loud, loud, now=tick), at=end)
        self.bench.run_to(end)

    def arm_with_what_it_has(self) -> None:
        """Nonces it has seen or made up; the digest is the right one, as it may listen."""
        digest = self.bench.ask(Hello(), Identity).digest if not self.is_armed() else 0
        for nonce in self.chance.sample(self.nonces, min(3, len(self.nonces))):
            self.tell(Arm(nonce, digest))

    def reset_with_what_it_has(self) -> None:
        trip = self.bench.newest_status().trip_number
        self.tell(Reset(trip, self.chance.choice(self.nonces)))

    def loosen(self) -> None:
        """Limits as wide as they go, beyond what was set and beyond what the board allows."""
        output = self.chance.randrange(6)
        wide = self.chance.choice((CEILINGS, (TEN_MS_TICKS, 1, 65_535, 2_000_000)))
        self.tell(Limits(OutputLimits(output, *wide)))

    def set_up(self) -> None:
        self.tell(Hello(self.chance.choice((1, 2, 255))))

    def garbage(self) -> None:
        noise = self.chance.randbytes(self.chance.randrange(1, 300))
        cut = self.chance.choice(self.recorded)[: self.chance.randrange(1, 30)]
        self.bench.run_to(self.bench.bytes_at(self.bench.now, noise + b"\0" + cut + b"\0"))

    def release(self) -> None:
        self.tell(self.chance.choice((Disarm(), Stop(255))))

    # -- and what goes on around it ------------------------------------------------------------

    def perform(self, rounds: int) -> None:
        """`rounds` lies; the operator resets and arms again whenever it can."""
        lies = (
            *(self.voices,) * 8,
            *(self.honest,) * 4,
            self.ten_ms,
            self.replay,
            self.flood,
            self.arm_with_what_it_has,
            self.reset_with_what_it_has,
            self.loosen,
            self.set_up,
            self.garbage,
            self.release,
        )
        for _ in range(rounds):
            lie = self.chance.choice(lies)
            self.did[lie.__name__] += 1
            lie()
            self.bench.run_for(self.chance.choice((0, 1, 1, 5, 20, 60)) * CYCLES_PER_MS)
            if self.chance.random() < 0.5:
                self.operator()
        self.bench.run_for(60 * CYCLES_PER_MS)

    def honest(self) -> None:
        """So that there is light to be made worse."""
        for one in self.limits:
            on = max(2, one.max_on_ticks - 1)
            self.bench.run_to(self.bench.sound(one.output, slot(4000, on), slot(9000, on)))

    def is_armed(self) -> bool:
        return self.bench.newest_status().state == State.ARMED

    def operator(self) -> None:
        """Resets a trip and arms, with fresh nonces; both may be picked up by the liar."""
        bench = self.bench
        bench.run_for(3 * CYCLES_PER_MS)
        bench.bytes_at(bench.now, b"\0")  # ends a frame of which a flood left half
        if bench.newest_status().state == State.TRIPPED:
            bench.reset_trip()
        if bench.newest_status().state == State.LOCKED:
            nonce = bench.nonce()
            digest = bench.ask(Hello(), Identity).digest
            bench.session = bench.ask(Arm(nonce, digest), Armed).session
            bench.number = [0, 0, 0, 0]
            self.nonces.append(nonce)
            self.recorded.append(encode_frame(Arm.TYPE, 0, Arm(nonce, digest).payload()))
            self.did["armed"] += 1
            bench.run_for(4 * CYCLES_PER_MS)  # until the status tells of it

    def tell(self, message: HostMessage) -> None:
        wire = encode_frame(message.TYPE, self.bench.sequence, message.payload())
        self.bench.sequence = (self.bench.sequence + 1) & 0xFF
        self.recorded.append(wire)
        self.bench.run_to(self.bench.bytes_at(self.bench.now, wire) + BYTE_CYCLES)
