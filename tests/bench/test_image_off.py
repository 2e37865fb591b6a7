"""How long interrupts are off, whatever happens: 200 cycles at most; an e-stop never waits."""

from __future__ import annotations

import pytest

from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Disarm, Hello, Ping, Stop
from tests.bench.bench import BYTE_CYCLES, CYCLES_PER_MS
from tests.bench.image_bench import ESTOP_A, ESTOP_B, KEY, ImageBench, slot
from tests.bench.stopping import ESTOP_BOUND, SYNCHRONISER

pytestmark = pytest.mark.long

LONGEST_OFF = 200
NOTE = slot(3000, 400)
STOP = encode_frame(Stop.TYPE, 0, b"\x01")
SPOILED = STOP[:-2] + bytes([STOP[-2] ^ 0x40]) + STOP[-1:]
"""All of a stop frame but its CRC: looked at to its end, and no stop."""


def longest_off(board: ImageBench) -> tuple[int, str]:
    """Cycles, and what turned interrupts off."""
    off = board.statistics()["off"]
    return max((one["cycles"], name) for name, one in off.items() if name != "boot")


def sounding(board: ImageBench) -> None:
    board.play(o0=(NOTE, NOTE), o1=(NOTE, NOTE), o2=(NOTE, NOTE), o3=(NOTE, NOTE))
    board.run_for(7 * CYCLES_PER_MS)


def test_nothing_that_comes_keeps_interrupts_off_for_long(armed: ImageBench) -> None:
    sounding(armed)
    kept = armed.keep()
    wires = [STOP, SPOILED, STOP[:-1], b"\0" * 40, bytes(range(1, 200)) + b"\0"]
    wires += [encode_frame(m.TYPE, 0, m.payload()) for m in (Ping(1, 1), Hello(), Disarm())]
    seen: dict[str, int] = {}
    for wire in wires:
        armed.back_to(kept)
        armed.statistics(reset=True)
        armed.bytes_at(armed.now, wire)
        armed.run_for(20 * CYCLES_PER_MS)
        seen[wire.hex()[:20]] = longest_off(armed)[0]
    for pin, level in ((ESTOP_A, 1), (ESTOP_B, 0), (KEY, 1), ("PE0", 0)):
        armed.back_to(kept)
        armed.statistics(reset=True)
        if pin == "PE0":
            armed.low_at(armed.now, 3 * CYCLES_PER_MS)  # a break
        else:
            armed.pin_at(armed.now, pin, level)
        armed.run_for(20 * CYCLES_PER_MS)
        seen[pin] = longest_off(armed)[0]
    print(seen)
    assert max(seen.values()) <= LONGEST_OFF


@pytest.mark.parametrize("wire", [STOP, SPOILED], ids=["a stop", "a spoiled one"])
def test_an_estop_does_not_wait_while_a_stop_frame_is_looked_at(
    armed: ImageBench, wire: bytes
) -> None:
    """At every few cycles of the interrupt that looks, and while lit; the main loop stands, which
    would make dark, too."""
    sounding(armed)
    kept = armed.keep()
    rise = armed.run_to_edge("PB6", 1, limit=armed.now + 4 * CYCLES_PER_MS, after=armed.now + 3000)
    assert rise is not None
    at = rise + 800 - len(wire) * BYTE_CYCLES  # received early in a pulse of 3,200 cycles
    worst = cut = 0
    for offset in range(0, 480, 9):
        armed.back_to(kept)
        end = armed.bytes_at(at, wire)
        assert armed.run_to_vector("TIMER0_COMPA", limit=end + 1000)
        armed.wedge_at(armed.now, "main")
        opens = armed.now + offset
        armed.pin_at(opens, ESTOP_A, 1)
        armed.run_to(opens + 2 * CYCLES_PER_MS)
        fall = armed.last_fall(opens)
        if fall is not None:
            worst = max(worst, fall - opens)
            cut += 1
    print(f"worst {worst} cycles, {cut} cut")
    assert cut >= 10
    assert worst <= ESTOP_BOUND - SYNCHRONISER
