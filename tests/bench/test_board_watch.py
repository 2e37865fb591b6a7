"""The watch of the write point (watch.mjs): each way to break its invariant is noted, no more."""

import pytest

from tests.bench.conftest import Probe

pytestmark = pytest.mark.long

EXPECTED = [
    "ICRn written while connected",
    "OCRnB written while connected",
    "TCCRnB written while connected",
    "TCNTn written while it runs or is connected",
    "TCNTn written while it runs or is connected",
    "connected with OCRnB 0",
    "connected with OCRnB 800",
    "connected with ICRn 298, OCRnB 99",
    "connected with ICRn 298, TCNTn 65024",
    "connected with ICRn 65025, TCNTn 65024",
    "connected other than set at bottom, clear on compare",
    "A or C connected",
    "connected without its interrupt",
    "connected while an e-stop input is open",
    "connected with interrupts on",
    "16 bits with interrupts on",
    "16 bits with interrupts on",
    "connected with a latch that is high",
    "a latch that is high shows",
]


def test_every_way_to_break_the_invariant_is_noted(probe: Probe) -> None:
    b = probe("write_point")
    b.pin_at(0, "PD1", 1)
    b.run_for(16_000)
    found = b.violations(take=True)
    assert [what for _, _, what, _ in found] == EXPECTED
    assert {timer for _, timer, _, _ in found} == {"timer 1"}
    assert b.violations() == []


def test_what_a_test_pokes_is_not_the_program_s(probe: Probe) -> None:
    b = probe("idle")
    b.poke(0x80, b"\x22")  # TCCR1A
    b.poke(0x85, b"\x01")
    b.poke(0x84, b"\x00")
    b.act(b.now, "poke", 0x86, [1])
    b.run_for(1000)
    assert b.read(0x84) == 0
    assert b.violations() == []
