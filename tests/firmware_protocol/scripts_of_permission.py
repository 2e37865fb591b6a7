"""Scripts about permission to fire: the horn, arming, inputs, the line, restarts, trips."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from bridge.link.simulated_controller import BoardMemory
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Arm, Disarm, Hello, Limits, Reset, Voices
from tests.link.board_bench import BOARD, LIMITS, MS, Bench, slot

from .hostile_hosts import READ
from .vector_script import LINE, STORED, Script, armed, keep_in

PERMISSION: dict[str, Script] = {}
script = partial(keep_in, PERMISSION)


@script("horn", replace(BOARD, horn_ms=120))
def _horn(bench: Bench) -> None:
    """Silence while the horn sounds, slots refused, then music; disarm ends it."""
    armed(bench)
    bench.voices(slot(2000))
    bench.voices()
    bench.advance(100 * MS)
    bench.voices()
    bench.advance(20 * MS)
    bench.voices(slot(2000))
    bench.advance(15_001)
    bench.send(Disarm())
    bench.advance(60 * MS)


@script("every wrong way to arm")
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


@script("e-stop")
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


@script("broken contact")
def _contact(bench: Bench) -> None:
    """In the proof test one input opens and the other does not."""
    bench.inputs(estop_a=False)
    bench.advance(10 * MS - 1)
    bench.advance(2)


@script("line")
def _line(bench: Bench) -> None:
    """Framing errors in and between frames, in and between bangs; then a break."""
    armed(bench)
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


@script("restarts")
def _restarts(bench: Bench) -> None:
    """A watchdog reset in mid-pulse, brown-out from locked, power-on after an uncleared trip."""
    armed(bench)
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
    armed(bench)
    bench.voices(slot(4000, 300))
    bench.advance(30_000)
    bench.restart(ResetCause.EXTERNAL)
    bench.advance(60 * MS)


@script(
    "starts armed",
    memory=BoardMemory(State.ARMED, Cause.NONE, 0xFFFF, 0xFFFF_FFFF),
    power_on=ResetCause.POWER_ON,
)
def _starts_armed(bench: Bench) -> None:
    """Power failed while armed: tripped at the start; numbers and boots wrap."""
    bench.advance(120 * MS)


@script("every other trip", byte_ticks=LINE)
def _other_trips(bench: Bench) -> None:
    """Local stop, ready input, pin read-back, key, wrong session: trip, cause gone, reset, arm."""
    armed(bench)
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


@script("board check failed", replace(BOARD, checks=1))
def _checks(bench: Bench) -> None:
    """Flash not in order: it answers and cannot be armed."""
    bench.send(Hello())
    bench.armed()
    bench.advance(5)
