"""The stack: what report.py reckons from the machine code against the compiler's own figures, and
against what was really touched. The program paints its free RAM at the start (reset.c)."""

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

from firmware_protocol.messages import Hello, Identity, Status, Stop
from tests.bench.bench import CYCLES_PER_MS
from tests.bench.image_bench import ImageBench, image, slot
from tests.bench.image_build import FIRMWARE
from tests.bench.load import FULL_RATES, drive

pytestmark = pytest.mark.long

RAM_END = 0x2200
MARK = 0xC5  # reset.c
PORT = FIRMWARE / "atmega2560"


def reckoned(elf: Path) -> tuple[int, int, int]:
    """(program, interrupts, headroom) as `make image` prints them."""
    done = subprocess.run(
        [sys.executable, str(PORT / "report.py"), str(elf)],
        capture_output=True,
        text=True,
        check=True,
    )
    found = re.search(r"program (\d+) \+ interrupts (\d+) bytes; headroom (\d+)", done.stdout)
    assert found
    return int(found[1]), int(found[2]), int(found[3])


def test_the_deepest_stack_under_load_is_within_what_was_reckoned(armed: ImageBench) -> None:
    """Full line and all voices bent, gliding and spread; e-stop, stop, identity, garbage."""
    program, interrupts, headroom = reckoned(image())
    armed.ask(Stop(1), Status)
    armed.reset_trip()
    armed.ask(Hello(), Identity)
    armed.arm()
    kept = armed.keep()
    deepest = 0
    for more in ({}, {"step": 2}, {"spread": 100}):
        armed.back_to(kept)
        if more:
            notes = tuple(slot(2e6 / hz, 118, **more) for hz in FULL_RATES)
            for _ in range(6):
                armed.play(o0=notes, o1=notes, o2=notes, o3=notes)
                armed.run_for(20 * CYCLES_PER_MS)
        else:
            drive(armed, FULL_RATES, 100, 0)
        armed.bytes_at(armed.now, bytes((17 * k * k) & 0xFF for k in range(300)))
        armed.pin_at(armed.now + 30_000, "PD0", 1)
        armed.run_for(10 * CYCLES_PER_MS)
        free_from = armed.call("symbol", name="_end")["at"]
        ram = armed.peek(free_from, RAM_END - free_from)
        untouched = len(ram) - len(ram.lstrip(bytes([MARK])))
        deepest = max(deepest, len(ram) - untouched)
    print(f"stack: deepest seen {deepest}, reckoned {program} + {interrupts}, headroom {headroom}")
    assert program + interrupts + headroom == len(ram)
    assert 0.7 * program < deepest <= program + interrupts
    assert headroom >= 64


def test_frames_are_those_the_compiler_tells(tmp_path: Path) -> None:
    """Bytes pushed and set aside by every function of the image, against -fstack-usage of the same
    sources and flags, which counts the return address in."""
    flags = ("-std=c99", "-mmcu=atmega2560", "-DF_CPU=16000000UL", "-DWORK_LIMIT=8U", "-O3")
    sources = [*map(str, FIRMWARE.glob("core/*.c")), *map(str, PORT.glob("*.c"))]
    command = ["avr-gcc", *flags, "-w", "-DCW_BUILD=1UL", "-fstack-usage", "-c", *sources]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    told: dict[str, set[int]] = {}
    for path in tmp_path.glob("*.su"):
        for line in path.read_text(encoding="utf-8").splitlines():
            place, size, _ = line.split("\t")
            told.setdefault(place.split(":")[-1], set()).add(int(size))
    listing = subprocess.run(
        ["avr-objdump", "-d", str(image())], check=True, capture_output=True, text=True
    )
    spec = importlib.util.spec_from_file_location("report", PORT / "report.py")
    assert spec
    assert spec.loader
    report = importlib.util.module_from_spec(spec)
    sys.modules["report"] = report
    spec.loader.exec_module(report)
    found = {
        (one.name, one.frame + report.RETURN_BYTES)
        for one in report.read_functions(listing.stdout).values()
        if len(told.get(one.name, ())) == 1
    }
    assert len(found) > 150
    assert {(name, size) for name, size in found if told[name] != {size}} == set()


def test_the_image_has_no_heap_and_reckons_no_fractions() -> None:
    """By name: what avr-libc and libgcc would link in for malloc, for float, for printf."""
    done = subprocess.run(["avr-nm", str(image())], check=True, capture_output=True, text=True)
    names = {line.split()[-1] for line in done.stdout.splitlines()}
    assert {"main", "core_bytes", "guard_judge"} <= names
    unwanted = re.compile(
        r"malloc|calloc|realloc|free$|__\w*[sd]f\d?|__fp_\w+|v?f?printf|dtostr\w+"
    )
    assert sorted(name for name in names if unwanted.fullmatch(name)) == []
