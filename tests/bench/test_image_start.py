"""From reset to locked: pins, identity, fuses, flash, commissioning, and what is remembered."""

import struct
import zlib
from pathlib import Path

import pytest

from firmware_protocol.catalogue import Cause, Reason
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    CHECK_FLASH,
    CHECK_FUSES,
    Arm,
    Hello,
    Limits,
    OutputLimits,
    Refusal,
    Status,
    Stop,
)
from tests.bench.bench import CYCLES_PER_MS
from tests.bench.image_bench import (
    BOARD_ID,
    CEILINGS,
    COMMISSION,
    ENABLE,
    ESTOP_A,
    OUTPUT_PINS,
    Identity,
    ImageBench,
    commissioned,
    image,
    slot,
)
from tests.bench.image_build import BEACON, HORN

pytestmark = pytest.mark.long

DRIVEN = (*OUTPUT_PINS, ENABLE, HORN, BEACON)
LIMITS = OutputLimits(0, *CEILINGS)


def quiet_pins(board: ImageBench) -> bool:
    return not [e for e in board.edges() if e.pin in DRIVEN]


def test_identity(locked: ImageBench) -> None:
    answer = locked.ask(Hello(), Identity)
    assert answer.board_id == BOARD_ID
    assert answer.checks == CHECK_FUSES | CHECK_FLASH
    assert (answer.fuse_low, answer.fuse_high, answer.fuse_extended) == (0xF7, 0xC7, 0xFC)
    assert (answer.tick_hz, answer.outputs, answer.slots, answer.queue_frames) == (
        2_000_000,
        4,
        4,
        16,
    )
    assert [
        (c.max_on_ticks, c.min_off_ticks, c.max_starts_1s, c.max_duty_1s_ticks)
        for c in answer.ceilings
    ] == [CEILINGS] * 4


def test_flash_crc_is_that_of_the_image(locked: ImageBench) -> None:
    """Against zlib, over the hex file's bytes as a programmer would write them."""
    answer = locked.ask(Hello(), Identity)
    flash = bytearray()
    for segment in elf_segments(image()):
        flash += segment
    crc = struct.pack("<I", answer.flash_crc)
    at = flash.index(struct.pack("<I", len(flash)) + crc)
    flash[at : at + 8] = b"\xff" * 8
    assert zlib.crc32(flash) == answer.flash_crc


def elf_segments(path: Path) -> list[bytes]:
    elf = path.read_bytes()
    (at,) = struct.unpack_from("<I", elf, 28)
    size, count = struct.unpack_from("<HH", elf, 42)
    found = []
    for i in range(count):
        kind, offset, _v, physical, length = struct.unpack_from("<5I", elf, at + i * size)
        if kind == 1 and length and physical < 0x40000:
            found.append((physical, elf[offset : offset + length]))
    return [data for _, data in sorted(found)]


def test_power_on_never_moves_a_driven_pin() -> None:
    with ImageBench() as board:
        board.started()
        board.run_for(120 * CYCLES_PER_MS)
        assert quiet_pins(board)


@pytest.mark.parametrize("cause", ["external", "brownout", "watchdog"])
def test_no_reset_glitches_a_pin(armed: ImageBench, cause: str) -> None:
    """While sounding: light ends at the reset; then nothing, whatever the host says."""
    note = slot(3000, 500, start=1)
    armed.play(o0=(note,), o1=(note,), o2=(note,), o3=(note,))
    armed.run_for(20 * CYCLES_PER_MS)
    at = armed.now
    armed.reset_at(at, cause)
    armed.run_for(1000)
    armed.collect()
    armed.messages.clear()
    armed.started()
    armed.play(o0=(note,))
    armed.run_for(60 * CYCLES_PER_MS)
    assert [e for e in armed.edges() if e.pin in DRIVEN and e.cycle > at + 16] == []
    expected = {
        "external": Cause.RESET_WHILE_ARMED,
        "brownout": Cause.BROWN_OUT,
        "watchdog": Cause.WATCHDOG_RESET,
    }[cause]
    status = armed.newest_status()
    assert (status.state, status.cause, status.proofs) == (2, expected, 0)


def test_a_trip_outlives_power(locked: ImageBench) -> None:
    """By the EEPROM: RAM is lost at power-on. The trip number and the boot count go on."""
    before = locked.ask(Hello(), Identity).boot_id
    locked.send(Stop(3))
    locked.run_for(120 * CYCLES_PER_MS)
    status = locked.newest_status()
    locked.reset_at(locked.now, "power", CYCLES_PER_MS)
    locked.run_for(2 * CYCLES_PER_MS)
    locked.collect()
    locked.messages.clear()
    locked.started()
    after = locked.newest_status()
    assert (after.state, after.cause, after.trip_number) == (2, Cause.HOST_STOP, status.trip_number)
    assert locked.ask(Hello(), Identity).boot_id == before + 1


def test_power_lost_while_a_trip_is_written_is_never_less_than_what_was(locked: ImageBench) -> None:
    """Power fails at many moments of writing: the new memory, or the one before; no mixture."""
    before = locked.ask(Hello(), Identity).boot_id
    end = locked.send(Stop(3))
    kept = locked.keep()
    seen = set()
    for ms in (0.5, 3, 17, 31, 44, 47, 49, 51, 60):
        locked.back_to(kept)
        locked.reset_at(end + round(ms * CYCLES_PER_MS), "power", CYCLES_PER_MS)
        locked.run_to(end + round((ms + 2) * CYCLES_PER_MS))
        locked.collect()
        locked.messages.clear()
        locked.started()
        status = locked.newest_status()
        assert (status.state, status.cause, status.trip_number) in (
            (0, 0, 0),
            (2, Cause.HOST_STOP, 1),
        )
        assert locked.ask(Hello(), Identity).boot_id == before + 1
        seen.add(status.state)
    assert seen == {0, 2}


def test_a_trip_outlives_a_reset_at_once(locked: ImageBench) -> None:
    """By the RAM that no reset clears: 1 ms after the stop, the EEPROM is far from written."""
    end = locked.send(Stop(3))
    locked.reset_at(end + CYCLES_PER_MS, "external")
    locked.run_to(end + 2 * CYCLES_PER_MS)
    locked.collect()
    locked.messages.clear()
    locked.started()
    status = locked.newest_status()
    assert (status.state, status.cause, status.trip_number) == (2, Cause.HOST_STOP, 1)


def test_damaged_memory_is_a_trip() -> None:
    spoiled = commissioned().ljust(0x100, b"\xff") + bytes([1, 0, 0, 0, 9, 9]) * 10
    with ImageBench(eeprom=spoiled) as board:
        board.started()
        status = board.newest_status()
        assert (status.state, status.cause) == (2, Cause.INTERNAL_FAULT)


@pytest.mark.parametrize(
    "fuses",
    [
        *({"high": 0xD7}, {"high": 0xC6}, {"extended": 0xFD}, {"extended": 0xFF}),
        *({"low": 0x62}, {"low": 0xF2}, {"low": 0xC7}),
    ],
    ids=[
        *("no watchdog", "into a boot loader", "brown-out 2.7 V", "no brown-out"),
        *("RC, divided", "RC, half the clock", "short start-up"),
    ],
)
def test_wrong_fuses_cannot_arm(fuses: dict[str, int]) -> None:
    with ImageBench(fuses=fuses) as board:
        board.started()
        board.prove()
        assert board.ask(Hello(), Identity).checks == CHECK_FLASH
        digest = board.set_limits(LIMITS)
        refusal = board.ask(Arm(board.nonce(), digest), Refusal)
        assert refusal.reason == Reason.BOARD_CHECK_FAILED


def test_one_changed_bit_of_flash_cannot_arm(tmp_path: Path) -> None:
    elf = bytearray(image().read_bytes())
    changed = tmp_path / "changed.elf"
    # the last word of the CRC's own table: the program runs on, and its sum is another
    where = bytes(elf).index(struct.pack("<I", 0xBDBDF21C))
    elf[where] ^= 1
    changed.write_bytes(elf)
    with ImageBench(elf=changed) as board:
        board.started()
        assert board.ask(Hello(), Identity).checks == CHECK_FUSES


def test_a_board_that_was_never_commissioned_takes_no_limits() -> None:
    with ImageBench(eeprom=b"") as board:
        board.started()
        assert board.ask(Hello(), Identity).board_id == 0
        assert board.ask(Limits(LIMITS), Refusal).reason == Reason.ABOVE_CEILING


def test_lower_ceilings_are_the_board_s_own() -> None:
    lower = ((200, 400, 1000, 100_000), *(CEILINGS,) * 3)
    looser = ((900, 100, 3000, 500_000), *(CEILINGS,) * 3)
    for ceilings, expected in ((lower, lower[0]), (looser, CEILINGS)):
        with ImageBench(eeprom=commissioned(ceilings=ceilings)) as board:
            board.started()
            found = board.ask(Hello(), Identity).ceilings[0]
            assert (
                found.max_on_ticks,
                found.min_off_ticks,
                found.max_starts_1s,
                found.max_duty_1s_ticks,
            ) == expected


def test_an_absent_ready_input_is_not_ready_unless_commissioned_as_unused() -> None:
    with ImageBench(eeprom=commissioned(unused_ready=0x0E)) as board:
        board.started()
        board.prove()
        digest = board.set_limits(LIMITS)
        assert board.newest_status().inputs & 0xF0 == 0xE0
        refusal = board.ask(Arm(board.nonce(), digest), Refusal)
        assert refusal.reason == Reason.OUTPUT_NOT_READY
        board.pin_at(board.now, "PC0", 0)  # light: healthy
        board.arm(LIMITS)
        board.sound(0, slot(3000, 300))
        board.run_for(20 * CYCLES_PER_MS)
        board.pin_at(board.now, "PC0", None)  # the fibre is pulled out
        board.run_for(60 * CYCLES_PER_MS)
        assert board.newest_status().cause == Cause.NOT_READY


def test_the_horn_sounds_before_anything_may_fire() -> None:
    with ImageBench(eeprom=commissioned(horn_ms=50)) as board:
        board.started()
        board.prove()
        board.arm(LIMITS)
        assert (board.level(BEACON), board.level(HORN)) == (1, 1)
        begin = board.now
        board.run_for(70 * CYCLES_PER_MS)
        assert (board.level(BEACON), board.level(HORN)) == (1, 0)
        assert [
            e for e in board.edges() if e.pin == ENABLE and e.cycle < begin + 40 * CYCLES_PER_MS
        ] == []
        board.sound(0, slot(3000, 300))
        board.run_for(20 * CYCLES_PER_MS)
        assert board.pulses()
        board.pin_at(board.now, ESTOP_A, 1)
        board.run_for(2 * CYCLES_PER_MS)
        assert (board.level(BEACON), board.level(HORN)) == (0, 0)


COMMISSION_TYPE, COMMISSIONED_TYPE = 0x70, 0x71  # WIRING.md


def test_commissioning() -> None:
    """With the jumper only: written, read back, nothing else runs; without it an unknown type."""
    body = struct.pack("<IHB", 0x1234, 2000, 0x0C) + struct.pack("<HHHI", 300, 250, 500, 60_000) * 4
    with ImageBench(eeprom=b"", inputs={COMMISSION: 0}) as board:
        board.run_for(300 * CYCLES_PER_MS)
        board.bytes_at(board.now, encode_frame(Hello.TYPE, 0, b"\x01"))
        board.bytes_at(board.now, encode_frame(COMMISSION_TYPE, 7, body))
        board.run_for(300 * CYCLES_PER_MS)
        frames = FrameReader().feed(bytes(s.byte for s in board.sent()))
        assert [(f.type_code, f.payload) for f in frames] == [(COMMISSIONED_TYPE, b"\x01" + body)]
        assert quiet_pins(board)
        written = board.eeprom()
        board.leave_commissioning()
        answer = board.ask(Hello(), Identity)
        assert (answer.board_id, answer.horn_ms) == (0x1234, 2000)
        assert answer.ceilings[3].max_on_ticks == 300
        board.bytes_at(board.now, encode_frame(COMMISSION_TYPE, 7, body[:-1] + b"\x7f"))
        board.run_for(60 * CYCLES_PER_MS)
        assert isinstance(board.collect()[0], Refusal | Status)
        assert board.eeprom()[:52] == written[:52]
