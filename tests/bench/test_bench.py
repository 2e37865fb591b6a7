"""The bench's own tools: planted faults, saved states, measures, what it refuses."""

from unittest.mock import ANY

import pytest

from tests.bench import build
from tests.bench.bench import Bench, BenchError
from tests.bench.conftest import Probe
from tests.bench.test_board import WATCHDOG_16_MS, WATCHDOG_ALWAYS

pytestmark = pytest.mark.long


def test_a_wedged_program_goes_round_until_the_watchdog(probe: Probe) -> None:
    b = probe("pwm", fuses=WATCHDOG_ALWAYS)
    b.run_for(100_000)
    b.wedge_at(b.now, interrupts=False)
    b.run_for(1000)
    stuck = b.processor()["pc"]
    count = b.peek_int("overflows", 2)
    b.run_for(100_000)
    assert b.processor()["pc"] == stuck
    assert b.peek_int("overflows", 2) == count
    pulses = len(b.pulses())
    assert pulses > count  # the timer repeats by itself
    assert b.run_to_reset(limit=b.now + WATCHDOG_16_MS) is not None
    b.run_for(100_000)
    assert b.processor()["pc"] != stuck
    assert len(b.pulses()) > pulses  # and the program is whole again


def test_a_wedge_in_the_main_loop_leaves_interrupts(probe: Probe) -> None:
    b = probe("pwm", fuses=WATCHDOG_ALWAYS)
    b.run_for(100_000)
    count = b.peek_int("overflows", 2)
    b.wedge_at(b.now)
    b.run_for(100_000)
    assert b.peek_int("overflows", 2) == count + 6


def test_lost_masked_and_late_interrupts(probe: Probe) -> None:
    b = probe("pwm")
    b.run_to(100 + 10 * 16_000 - 100)
    state = b.save()
    b.run_for(80_000)
    plain = b.peek_int("overflows", 2)
    b.restore(state)
    b.drop_at(b.now, "TIMER1_OVF", 2)
    b.run_for(80_000)
    assert b.peek_int("overflows", 2) == plain - 2
    b.restore(state)
    b.mask_at(b.now)
    b.run_for(80_000)
    assert b.peek_int("overflows", 2) == plain - 5
    b.restore(state)
    b.hold_at(b.now, "TIMER1_OVF", 5000)
    b.run_for(80_000)
    assert b.peek_int("overflows", 2) == plain
    assert b.statistics()["vectors"]["TIMER1_OVF"]["longestWait"] > 4000


def test_a_restored_board_does_the_same_again(probe: Probe) -> None:
    b = probe("uart", fuses=WATCHDOG_ALWAYS)
    b.pin_at(0, "PA0", 1)  # reads
    b.pin_at(0, "PA1", 1)  # and sends back
    b.run_for(10_000)
    b.bytes_at(b.now, b"before")
    b.run_for(1111)  # in the middle of a byte, both ways
    state = b.save()

    def on() -> tuple[object, ...]:
        b.bytes_at(b.now + 7000, b"behind")
        b.pin_at(b.now + 9000, "PB3", 1)
        b.wedge_at(b.now + 20_000)
        b.run_for(600_000)
        return b.sent(), b.edges(), b.peek(0, 0x2200), b.statistics(), b.processor()

    first = on()
    b.restore(state)
    assert on() == first
    assert len(b.sent()) == 12


def test_stretches_services_and_waits_are_measured(probe: Probe) -> None:
    b = probe("inputs")
    for pin in ("PD0", "PD2"):
        b.pin_at(0, pin, 1)
    b.run_for(1000)
    b.statistics(reset=True)
    b.hold_at(b.now, "INT0", 400)
    at = b.now + 10
    b.pin_at(at, "PD0", 0)
    b.run_for(1000)
    found = b.statistics()
    service = 5 + 3 + 2 + 5  # to the vector, JMP, SBI, RETI
    assert found["off"] == {
        "INT0": {"cycles": service, "at": found["off"]["INT0"]["at"], "pc": ANY}
    }
    own = found["vectors"]["INT0"]
    assert (own["count"], own["total"], own["longest"]) == (1, service, service)
    assert 388 <= own["longestWait"] <= 395
    assert own["lowestStack"] == 0x21FF - 3 - 3  # main was called, and the interrupt's own return
    assert found["longest_watchdog_gap"] >= service


def test_stops_at_a_vector_at_code_and_at_a_byte(probe: Probe) -> None:
    b = probe("pwm")
    assert b.run_to_vector("TIMER1_OVF", limit=b.now + 40_000)
    assert b.processor()["serving"] == ["TIMER1_OVF"]
    assert b.now - b.edges()[-1].cycle <= 5 + 2  # the pulse's rise is the overflow
    handler = b.call("symbol", name="__vector_20")["at"]  # avr-libc's name of it
    assert b.run_to_code("__vector_20", limit=b.now + 100)
    assert b.processor()["pc"] == handler
    assert not b.run_to_vector("INT0", limit=b.now + 1000)
    u = probe("uart")
    u.pin_at(0, "PA0", 1)
    u.pin_at(0, "PA1", 1)
    u.run_for(10_000)
    u.bytes_at(u.now, b"abc")
    assert u.run_to_sent(2, limit=u.now + 5000)
    assert bytes(one.byte for one in u.sent()) == b"ab"


def test_painted_ram_shows_what_the_stack_used(probe: Probe) -> None:
    b = probe("pwm")
    b.run_for(1000)
    end = b.paint_ram(0x1000)
    b.run_for(100_000)
    ram = b.peek(0x1000, end - 0x1000)
    untouched = len(ram) - len(ram.lstrip(b"\xa5"))
    lowest = b.statistics()["vectors"]["TIMER1_OVF"]["lowestStack"]
    # below the return address: the five registers that the handler saves
    assert 0x1000 + untouched == lowest - 5 + 1


def test_a_short_wins_over_the_output_and_is_read_back(probe: Probe) -> None:
    b = probe("memory")
    b.run_for(5000)
    pinb = 0x23
    assert b.read(pinb) & 1 == 1
    b.force_at(b.now, "PB0", 0)
    b.run_for(10)
    assert b.read(pinb) & 1 == 0
    b.force_at(b.now, "PB0", None)
    b.run_for(10)
    assert b.read(pinb) & 1 == 1


def test_missing_programs_are_named_by_their_packages(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build.shutil, "which", lambda name: None)
    assert build.missing_packages() == ["avr-libc", "binutils-avr", "gcc-avr", "nodejs", "npm"]
    with pytest.raises(BenchError, match="apt-get install avr-libc binutils-avr gcc-avr"):
        build.prepare()


def test_a_refused_command_says_why(probe: Probe) -> None:
    b: Bench = probe("idle")
    with pytest.raises(BenchError, match="no such pin: PZ9"):
        b.level("PZ9")
    with pytest.raises(BenchError, match="no such act: explode"):
        b.act(0, "explode")
    b.run_for(10)
