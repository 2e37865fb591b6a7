"""The simulated chip against the data sheet of the ATmega2560 (from memory) and avr-libc's headers:
registers, instructions, interrupts, resets, watchdog, EEPROM, fuses. The tools: test_bench.py."""

import json
import re
import subprocess

import pytest

from tests.bench.bench import CYCLES_PER_MS, HERE, prepare
from tests.bench.conftest import QUIET_FUSES, Probe

pytestmark = pytest.mark.long

WATCHDOG_ALWAYS = {**QUIET_FUSES, "high": 0xC7}  # WDTON programmed (0)
WATCHDOG_16_MS = 2048 * 16_000_000 // 128_000  # 2K cycles of the 128 kHz oscillator
PORF, EXTRF, BORF, WDRF = 1, 2, 4, 8


def node(script: str) -> dict[str, object]:
    command = ["node", "--input-type=module", "-e", script]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=HERE)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


# --- the map ---


def test_registers_and_vectors_are_where_avr_libc_has_them() -> None:
    command = [
        "avr-gcc",
        "-mmcu=atmega2560",
        "-E",
        "-dM",
        "-include",
        "avr/io.h",
        "-xc",
        "/dev/null",
    ]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    theirs = {
        name: int(address, 16) + (0x20 if space == "IO" else 0)
        for name, space, address in re.findall(
            r"#define (\w+) _SFR_(IO|MEM)(?:8|16) ?\((0[xX][0-9A-Fa-f]+)\)", text
        )
    }
    vectors = {
        name: int(number) for name, number in re.findall(r"#define (\w+)_vect_num (\d+)", text)
    }
    ours = node(
        "import * as m from './map.mjs';"
        "console.log(JSON.stringify({regs: m.REGS, ports: m.PORTS, vectors: m.VECTORS}))"
    )
    regs, ports = ours["regs"], ours["ports"]
    assert isinstance(regs, dict)
    assert isinstance(ports, dict)
    assert isinstance(ours["vectors"], list)
    mine = {**regs, **{f"PIN{port}": address for port, address in ports.items()}}
    # SREG and the stack pointer are defined by other means there
    known = {name: at for name, at in mine.items() if name not in {"SREG", "SPL", "SPH", "RAMPZ"}}
    known.pop("EIND", None)
    assert {name: theirs.get(name) for name in known} == known
    mine_numbers = {name: i for i, name in enumerate(ours["vectors"]) if i > 0}
    assert mine_numbers == vectors


# --- instructions and interrupts ---


def test_every_opcode_does_what_avr8js_does() -> None:
    prepare()
    done = subprocess.run(
        ["node", str(HERE / "check_step.mjs"), "7"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {"compared": 65536, "cbi": 256}


def test_an_external_interrupt_answers_in_the_data_sheets_cycles(probe: Probe) -> None:
    """Five cycles to the vector at least, JMP 3, SBI 2; the instruction under way is finished first
    (here at most the two of RJMP). RETI takes five."""
    b = probe("inputs")
    b.pin_at(0, "PD0", 1)
    b.pin_at(0, "PD2", 1)
    b.run_for(1000)
    waits = set()
    for phase in range(8):
        at = b.now + 500 + phase
        b.pin_at(at, "PD0", 0)
        rise = b.run_to_edge("PC0", 1, limit=at + 100)
        assert rise is not None
        waits.add(rise - at)
        b.pin_at(b.now + 100, "PD0", 1)
        b.pin_at(b.now + 200, "PD1", 1)  # INT1 rising: cleared
        b.pin_at(b.now + 300, "PD1", 0)
        b.run_for(400)
        assert b.level("PC0") == 0
    assert min(waits) >= 5 + 3 + 2
    assert max(waits) <= 5 + 3 + 2 + 2
    own = b.statistics()["vectors"]
    assert {own["INT0"]["longest"], own["INT1"]["longest"]} == {5 + 3 + 2 + 5}
    assert own["INT0"]["count"] == 8


def test_after_a_service_one_instruction_runs_before_the_next(probe: Probe) -> None:
    """A low level keeps INT2 pending; the main loop still moves, one instruction at a time."""
    b = probe("inputs")
    b.pin_at(0, "PD2", 1)
    b.run_for(1000)
    b.pin_at(b.now, "PD2", 0)
    b.profile_start()
    b.run_for(20_000)
    by_function = b.profile_end()
    count = b.statistics()["vectors"]["INT2"]["count"]
    assert count > 100
    assert count <= by_function["main"] <= 2 * count + 2
    b.pin_at(b.now, "PD2", 1)
    b.run_for(1000)
    before = b.statistics()["vectors"]["INT2"]["count"]
    b.run_for(10_000)
    assert b.statistics()["vectors"]["INT2"]["count"] == before


def test_so_the_main_loop_still_kicks_the_watchdog(probe: Probe) -> None:
    b = probe("inputs", fuses=WATCHDOG_ALWAYS)
    b.run_for(3 * WATCHDOG_16_MS)  # PD2 is low from the start
    assert b.statistics()["vectors"]["INT2"]["count"] > 1000
    assert len(b.statistics()["resets"]) == 1


# --- resets ---


def test_reset_causes_and_what_they_keep(probe: Probe) -> None:
    b = probe("memory")
    b.run_for(10_000)
    assert b.peek("cause")[0] == PORF
    boots = b.peek_int("boots", 2)
    at = b.call("symbol", name="kept")["at"]
    b.poke(at, bytes(range(64)))
    for flag, cause in ((EXTRF, "external"), (BORF, "brownout"), (WDRF, "watchdog")):
        b.reset_at(b.now + 100, cause)
        b.run_for(10_000)
        boots += 1
        assert b.peek("cause")[0] == flag
        assert b.peek_int("boots", 2) == boots
        assert b.peek(at, 64) == bytes(range(64))
    b.reset_at(b.now + 100, "power")
    b.run_for(10_000)
    assert b.peek("cause")[0] == PORF
    assert b.peek(at, 64) != bytes(range(64))


def test_causes_add_up_until_the_power_comes(probe: Probe) -> None:
    """Flags of MCUSR stay until the program writes zeros, or power-on."""
    mcusr = 0x54
    b = probe("idle")
    for cause, flags in (
        ("external", PORF | EXTRF),
        ("watchdog", PORF | EXTRF | WDRF),
        ("power", PORF),
    ):
        b.reset_at(b.now, cause)
        b.run_for(1000)
        assert b.read(mcusr) == flags
    b.poke(mcusr, b"\xff")
    assert b.read(mcusr) == PORF
    b.poke(mcusr, b"\x00")
    assert b.read(mcusr) == 0


def test_a_reset_lets_go_of_the_pins_at_once_and_starts_after_its_time(probe: Probe) -> None:
    b = probe("memory", startup_cycles=5000)
    b.run_for(10_000)
    assert b.level("PB0") == 1
    at = b.now + 777
    b.reset_at(at, "external")
    b.run_for(20_000)
    mine = [e for e in b.edges() if e.pin == "PB0" and e.cycle >= at]
    assert (mine[0].cycle - at) <= 2
    assert mine[0].level == 0
    assert mine[1].level == 1
    assert 5000 <= mine[1].cycle - at < 5300


def test_start_up_takes_the_time_the_fuses_ask_for(probe: Probe) -> None:
    """Crystal, slowly rising power: 16K clocks, 14 clocks and 65 ms."""
    b = probe("idle", startup_cycles=None)
    assert b.now == 16 * 1024 + 14 + 65 * CYCLES_PER_MS


# --- watchdog ---


def test_the_watchdog_fuse_resets_16_ms_after_the_last_kick(probe: Probe) -> None:
    b = probe("memory", fuses=WATCHDOG_ALWAYS)
    b.run_for(2 * WATCHDOG_16_MS)
    assert len(b.statistics()["resets"]) == 1  # power-on
    b.pin_at(b.now, "PA1", 1)
    stop = b.now
    reset = b.run_to_reset(limit=stop + 2 * WATCHDOG_16_MS)
    assert reset is not None
    assert WATCHDOG_16_MS - 60 < reset - stop <= WATCHDOG_16_MS + 60  # a turn of the main loop
    b.run_for(3000)
    assert b.peek("cause")[0] == WDRF


def test_without_the_fuse_it_is_off(probe: Probe) -> None:
    b = probe("memory")
    b.pin_at(0, "PA1", 1)
    assert b.run_to_reset(limit=4 * WATCHDOG_16_MS) is None


def test_its_time_changes_by_the_timed_sequence_only(probe: Probe) -> None:
    b = probe("memory", fuses=WATCHDOG_ALWAYS)
    wdtcsr = 0x60
    b.poke(wdtcsr, b"\x01")  # no sequence: nothing changes, WDE stays
    assert b.read(wdtcsr) & 0x0F == 0x08
    b.pin_at(0, "PA2", 1)  # avr-libc's wdt_enable(WDTO_30MS) at the start
    b.reset_at(b.now, "external")
    b.run_for(5000)
    assert b.read(wdtcsr) & 0x0F == 0x09
    b.pin_at(b.now, "PA1", 1)
    stop = b.now
    reset = b.run_to_reset(limit=stop + 3 * WATCHDOG_16_MS)
    assert reset is not None
    assert 2 * WATCHDOG_16_MS - 60 < reset - stop <= 2 * WATCHDOG_16_MS + 60


def test_its_oscillator_can_be_off(probe: Probe) -> None:
    b = probe("memory", fuses=WATCHDOG_ALWAYS, wdt_hz=128_000 * 0.8)
    b.run_for(1000)
    b.pin_at(b.now, "PA1", 1)
    stop = b.now
    reset = b.run_to_reset(limit=stop + 2 * WATCHDOG_16_MS)
    assert reset is not None
    assert abs(reset - stop - WATCHDOG_16_MS * 1.25) < 60


# --- memory ---


def test_fuses_lock_bits_and_signature_are_read_by_lpm(probe: Probe) -> None:
    b = probe("memory", fuses={"low": 0x12, "high": 0xD5, "extended": 0xF4, "lock": 0xEF})
    b.run_for(10_000)
    assert b.peek("fuses", 4) == bytes([0x12, 0xEF, 0xF4, 0xD5])
    assert b.peek("signature", 3) == b"\x1e\x98\x01"  # ATmega2560


def test_a_byte_of_eeprom_takes_its_time_and_stays(probe: Probe) -> None:
    """Erase and write in one operation: 3.4 ms."""
    b = probe("memory", eeprom=bytes(range(32)))
    b.pin_at(0, "PA0", 1)
    b.run_for(1000)
    assert b.eeprom()[:33] == bytes(range(32)) + b"\xff"
    b.run_for(54_400 - 2000)
    assert b.eeprom()[0x123] == 0xFF
    b.run_for(4000)
    assert b.eeprom()[0x123] == 0x5A
    assert b.peek("read_back")[0] == 0x5A
    b.pin_at(b.now, "PA0", 0)
    b.reset_at(b.now, "power")
    b.run_for(1000)
    assert b.eeprom()[0x123] == 0x5A


@pytest.mark.parametrize("cause", ["power", "external"])
def test_a_write_is_cut_by_the_supply_and_not_by_a_reset(probe: Probe, cause: str) -> None:
    b = probe("memory", eeprom=bytes(4096))
    b.pin_at(0, "PA0", 1)
    b.run_for(10_000)
    b.pin_at(b.now, "PA0", 0)
    b.reset_at(b.now, cause)
    b.run_for(1000)
    busy = b.read(0x3F) & 0x02 != 0  # EEPE
    assert busy == (cause == "external")
    b.run_for(100_000)
    assert b.eeprom()[0x123] == (0xFF if cause == "power" else 0x5A)
