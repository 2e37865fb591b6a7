"""The scripts of `trains.json`: what happens to a board, tick by tick.

Each is lived through by the model when the vectors are made, and by every controller that is
compared with it. The first ones are simple enough to be worked out by hand
(`test_vectors_by_hand.py`); the last ones are hostile hosts from a seed.

They are for boards, too, whose line and main loop take their time: between a frame and what is to
be seen of it there is more than the 1.5 ms in which such a board may differ, and what changes
at a frame waits until a board has read it. With `LINE` each frame takes the time of its bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from bridge.link.simulated_controller import BoardMemory, BoardSettings
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import (
    FLAG_FORGET_LATER,
    FLAG_IMMEDIATE,
    Arm,
    Ceilings,
    Disarm,
    Hello,
    Limits,
    OutputLimits,
    Reset,
    Slot,
    Stop,
    Voices,
)
from tests.firmware_protocol.hostile_hosts import AT_TICKS, ON_A_LINE, READ, hostile
from tests.link.board_bench import BOARD, LIMITS, MS, Bench, slot


@dataclass(frozen=True)
class Script:
    """A board, what it remembers, and what happens to it."""

    play: Callable[[Bench], None]
    settings: BoardSettings = BOARD
    memory: BoardMemory | None = None
    power_on: ResetCause = ResetCause.POWER_ON
    byte_ticks: int = 0


LINE = 40
"""Ticks of a byte at 500 kbaud."""
STORED = 100 * MS
"""More than it takes to write what outlives a power-off."""


def bench_for(script: Script) -> Bench:
    memory = None if script.memory is None else replace(script.memory)
    bench = Bench(script.settings, memory, script.power_on)
    bench.byte_ticks = script.byte_ticks
    return bench


SCRIPTS: dict[str, Script] = {}


def _armed(bench: Bench, *limits: OutputLimits) -> None:
    """Armed, and left alone while a real board's line and main loop get done with that."""
    bench.armed(*limits)
    bench.advance(10 * MS)


def _script(
    name: str,
    settings: BoardSettings = BOARD,
    memory: BoardMemory | None = None,
    power_on: ResetCause = ResetCause.POWER_ON,
    byte_ticks: int = 0,
) -> Callable[[Callable[[Bench], None]], Callable[[Bench], None]]:
    def keep(play: Callable[[Bench], None]) -> Callable[[Bench], None]:
        SCRIPTS[name] = Script(play, settings, memory, power_on, byte_ticks)
        return play

    return keep


@_script("solo")
def _solo(bench: Bench) -> None:
    """A4 for 0.25 s: period 1,163,636/256 ticks, 100 ticks on, first pulse at once."""
    _armed(bench)
    bench.play_until(bench.tick + 250 * MS, Slot(1, 0, 0, 0, 100, 0, 1_163_636))


@_script("solo over the wrap", replace(BOARD, first_tick=2**32 - 300_000))
def _wrap(bench: Bench) -> None:
    """The same while the tick count goes through 2**32."""
    _solo(bench)


@_script("bangs")
def _bangs(bench: Bench) -> None:
    """Three bangs; the same start number again fires nothing more; a new one three others."""
    _armed(bench)
    three = slot(2000, bangs=3)
    bench.voices(three)
    bench.advance(20 * MS)
    bench.voices(three)
    bench.advance(20 * MS)
    bench.voices(three._replace(start=2, phase=128))
    bench.advance(20 * MS)


@_script("stop in mid-pulse")
def _stop(bench: Bench) -> None:
    """The third pulse of 400 ticks is cut after 150 by a stop."""
    _armed(bench)
    bench.voices(slot(10_000, 400), at=bench.tick + 5000)
    bench.at(bench.tick + 25_150).send(Stop(1))
    bench.advance(30_000)


@_script("two trains collide")
def _collide(bench: Bench) -> None:
    """Two trains of equal period at equal times: the second waits for the off-time."""
    _armed(bench)
    bench.voices(slot(3000), slot(3000))
    bench.advance(29_999)


@_script("dropped after half a period")
def _dropped(bench: Bench) -> None:
    """A train of 2,000 ticks beside three of 2,000: no room for all, the late ones are dropped."""
    _armed(bench, replace(LIMITS, min_off_ticks=1000))
    bench.voices(*[slot(2000, 120, bangs=4)] * 4, at=bench.tick + 6000)
    bench.advance(16_000)


@_script("step ramp")
def _ramp(bench: Bench) -> None:
    """The period goes from 2,000 to 1,990 ticks in steps of 40/16, then to 2,500 at once."""
    _armed(bench)
    bench.voices(slot(2000))
    bench.advance(4500)
    bench.voices(slot(1990, step=40))
    bench.advance(20_000)
    bench.voices(slot(2500))
    bench.advance(20_000)


@_script("spread")
def _spread(bench: Bench) -> None:
    """A train with a spread of 64 beside one without; the generator is the output's."""
    _armed(bench, LIMITS, replace(LIMITS, output=2))
    bench.voices(slot(4000, spread=64), slot(7777, 50))
    bench.voices(slot(4000, spread=128, bangs=20), output=2)
    bench.advance(180 * MS)


@_script("queue")
def _queue(bench: Bench) -> None:
    """Frames for later, out of order, two for the same tick, forgetting, late, due, refused."""
    _armed(bench)
    now = bench.tick
    bench.voices(slot(2000, start=1), at=now + 40_000)
    bench.voices(slot(3000, start=2), at=now + 20_000)
    bench.voices(slot(900, start=3), at=now + 40_000)
    bench.voices(slot(800, start=4), at=now + 60_000)
    bench.advance(50_000)
    now = bench.tick
    bench.voices(slot(1500, start=5), at=now + 5000, flags=FLAG_FORGET_LATER)
    bench.advance(20_000)
    now = bench.tick
    for at in (now, now - 1, now - 40_000, now - 40_001, now + 500_000, now + 500_001):
        bench.voices(slot(5000, start=at & 0xFF), at=at)
    for index in range(18):
        bench.voices(slot(5000, start=100), at=now + 1000 * index + 1000)
    bench.voices(slot(4000, start=9), flags=FLAG_IMMEDIATE | FLAG_FORGET_LATER)
    bench.advance(30_000)


@_script("lease")
def _lease(bench: Bench) -> None:
    """Renewed to the last tick, then not: the trip comes at the expiry, in mid-pulse."""
    _armed(bench)
    bench.voices(slot(1000), lease=20_000)
    bench.at(bench.tick + 20_000).voices(slot(1000), lease=20_050)
    bench.advance(30_000)


@_script("guard: rate")
def _rate(bench: Bench) -> None:
    """300 starts a second allowed, 1,000 asked: refused, and a trip at the 17th refusal."""
    _armed(bench, replace(LIMITS, max_starts_1s=300))
    bench.play_until(bench.tick + 400 * MS, slot(2000, 50))


@_script("guard: windows", replace(BOARD, ceilings=(Ceilings(400, 200, 2000, 240_000),) * 4))
def _windows(bench: Bench) -> None:
    """Bursts against windows of 10 ms and 100 ms; what was refused is let in again later."""
    limits = OutputLimits(0, 400, 200, 2000, 240_000, 100, 16_000, 10, 2000)
    _armed(bench, limits)
    for start in range(1, 8):
        bench.voices(slot(1200, 300, start=start, bangs=8), at=bench.tick + 10 * MS)
        bench.advance(45 * MS)


@_script("guard: on-time")
def _on_time(bench: Bench) -> None:
    """10 ms pulses asked again and again: nothing is lit but three lawful ones, and a trip."""
    _armed(bench)
    bench.voices(slot(4000, 400, bangs=3), slot(24_000, 20_000))
    bench.advance(230 * MS)


@_script("horn", replace(BOARD, horn_ms=120))
def _horn(bench: Bench) -> None:
    """Silence while the horn sounds, slots refused, then music; disarm ends it."""
    _armed(bench)
    bench.voices(slot(2000))
    bench.voices()
    bench.advance(100 * MS)
    bench.voices()
    bench.advance(20 * MS)
    bench.voices(slot(2000))
    bench.advance(15_001)
    bench.send(Disarm())
    bench.advance(60 * MS)


@_script("every wrong way to arm")
def _arming(bench: Bench) -> None:
    """Refusals of arm in their order, a reused and a stale nonce, then armed."""
    digest = bench.board.digest
    bench.send(Hello())
    bench.send(Hello(2))
    bench.send(Arm(1, 2))
    bench.send(Arm(bench.nonce(), digest()))
    bench.send(Limits(replace(LIMITS, output=7)))
    bench.send(Limits(replace(LIMITS, max_on_ticks=801)))
    bench.send(Limits(replace(LIMITS, max_on_ticks=0)))
    bench.send(Limits(LIMITS))
    bench.send(Limits(replace(LIMITS, max_on_ticks=401)))
    bench.send(Limits(replace(LIMITS, max_on_ticks=399, window2_ms=20, window2_ticks=4000)))
    bench.send(Limits(replace(LIMITS, max_on_ticks=399)))
    bench.send(Hello())
    bench.send(Arm(bench.nonce(), digest() ^ 1))
    bench.send(Arm(bench.nonce(), digest()))
    bench.inputs(estop_a=False, estop_b=False)
    bench.send(Arm(bench.nonce(), digest()))
    bench.at(bench.tick + MS).inputs(estop_a=True, estop_b=True)
    bench.advance(100 * MS)
    bench.inputs(key=False)
    bench.send(Arm(bench.nonce(), digest()))
    bench.inputs(key=True, local_stop=True)
    bench.send(Arm(bench.nonce(), digest()))
    bench.inputs(local_stop=False, ready={0: False})
    bench.send(Arm(bench.nonce(), digest()))
    bench.inputs(ready={0: True})
    for wait in (4_000_001, 4_000_000):
        nonce = bench.nonce()
        bench.advance(wait)
        bench.send(Arm(nonce, digest()))
    bench.send(Arm(nonce, digest()))
    bench.advance(10)
    bench.send(Voices(1, 0, 1, 1, 0, 1, ()))
    bench.advance(10)
    bench.send(Arm(bench.nonce(), digest()))
    bench.send(Reset(2, bench.nonce()))
    bench.send(Reset(1, 1))
    bench.reset_trip()
    bench.send(Reset(1, bench.nonce()))
    bench.advance(10)


@_script("e-stop")
def _estop(bench: Bench) -> None:
    """The proof test with a bouncing contact, then a press while armed, then two resets."""
    bench.inputs(estop_a=False)
    bench.at(bench.tick + 5 * MS).inputs(estop_b=False)
    bench.at(bench.tick + 5 * MS).inputs(estop_a=True, estop_b=True)
    bench.at(bench.tick + 99 * MS).inputs(estop_a=False, estop_b=False)
    bench.at(bench.tick + 10).inputs(estop_a=True, estop_b=True)
    bench.advance(100 * MS)
    bench.send(Limits(LIMITS))
    bench.arm()
    bench.advance(10 * MS)
    bench.voices(slot(1000, 200))
    bench.at(bench.tick + 20_050).inputs(estop_b=False)
    bench.advance(30 * MS)
    bench.send(Reset(bench.board.trip_number, bench.nonce()))
    bench.advance(READ)
    bench.inputs(estop_b=True)
    bench.advance(100 * MS - 1)
    bench.send(Reset(bench.board.trip_number, bench.nonce()))
    bench.advance(1)
    bench.reset_trip()
    bench.advance(10)


@_script("broken contact")
def _contact(bench: Bench) -> None:
    """In the proof test one input opens and the other does not."""
    bench.inputs(estop_a=False)
    bench.advance(10 * MS - 1)
    bench.advance(2)


@_script("line")
def _line(bench: Bench) -> None:
    """Framing errors in and between frames, in and between bangs; then a break."""
    _armed(bench)
    bench.voices(slot(4000, 300), at=bench.tick + 6000)
    bench.at(bench.tick + 18_100).line_error()
    wire = encode_frame(0x06, 0, b"\x01")
    bench.send_raw(wire)
    bench.send_raw(wire[:3])
    bench.at(bench.tick + 1000).line_error()
    bench.send_raw(wire[3:])
    bench.send_raw(b"\x07\x07\x00")
    bench.advance(22_000)
    bench.line_break()
    bench.advance(3)
    bench.line_idle()
    bench.send_raw(b"\x00")
    bench.reset_trip()
    bench.advance(10)


@_script("restarts")
def _restarts(bench: Bench) -> None:
    """A watchdog reset in mid-pulse, brown-out from locked, power-on after an uncleared trip."""
    _armed(bench)
    bench.voices(slot(4000, 300), at=bench.tick + 6000)
    bench.at(bench.tick + 26_100).restart(ResetCause.WATCHDOG)
    bench.advance(10)
    bench.reset_trip()
    bench.advance(STORED)
    bench.restart(ResetCause.BROWN_OUT)
    bench.advance(STORED)
    bench.restart(ResetCause.POWER_ON)
    bench.advance(10)
    bench.send(Hello())
    bench.reset_trip()
    bench.advance(STORED)
    bench.restart(ResetCause.EXTERNAL)
    _armed(bench)
    bench.voices(slot(4000, 300))
    bench.advance(30_000)
    bench.restart(ResetCause.EXTERNAL)
    bench.advance(60 * MS)


@_script(
    "starts armed",
    memory=BoardMemory(State.ARMED, Cause.NONE, 0xFFFF, 0xFFFF_FFFF),
    power_on=ResetCause.POWER_ON,
)
def _starts_armed(bench: Bench) -> None:
    """Power failed while armed: tripped at the start; numbers and boots wrap."""
    bench.advance(120 * MS)


@_script("every other trip", byte_ticks=LINE)
def _other_trips(bench: Bench) -> None:
    """Local stop, ready input, pin read-back, key, wrong session: trip, cause gone, reset, arm."""
    _armed(bench)
    for levels, gone in (
        ({"local_stop": True}, {"local_stop": False}),
        ({"ready": {0: False}}, {"ready": {0: True}}),
        ({"pin_mismatch": True}, {"pin_mismatch": False}),
        ({"key": False}, {"key": True}),
    ):
        bench.voices(slot(1500, 300))
        bench.at(bench.tick + 13_600).inputs(**levels)
        bench.advance(READ)
        bench.send(Reset(bench.board.trip_number, bench.nonce()))
        bench.advance(READ)
        bench.inputs(**gone)
        bench.advance(READ)
        bench.reset_trip()
        bench.arm()
        bench.advance(READ)
    bench.inputs(ready={1: False})
    bench.advance(5)
    bench.voices(session=12345)
    bench.advance(5)
    bench.reset_trip()
    for type_code, payload in (
        (0x00, b""),
        (0x41, b""),
        (0xFF, b"abc"),
        (0x01, b""),
        (0x08, bytes(4)),
        (0x04, bytes(16)),
        (0x04, bytes(16) + b"\x80"),
        (0x06, b""),
    ):
        bench.send_raw(encode_frame(type_code, bench.sequence, payload))
    bench.advance(5)


@_script("board check failed", replace(BOARD, checks=1))
def _checks(bench: Bench) -> None:
    """Flash not in order: it answers and cannot be armed."""
    bench.send(Hello())
    bench.armed()
    bench.advance(5)


for _seed in range(12):
    _ceilings = Ceilings(800, 200, 2000, 240_000) if _seed % 2 else Ceilings(300, 250, 700, 90_000)
    _board = replace(BOARD, ceilings=(_ceilings,) * 4, first_tick=_seed * 700_000_000)
    SCRIPTS[f"hostile {_seed}"] = Script(hostile(_seed, _ceilings, AT_TICKS), _board)
    SCRIPTS[f"hostile on a line {_seed}"] = Script(
        hostile(_seed, _ceilings, ON_A_LINE), _board, byte_ticks=LINE
    )
