"""Are the bench's tests any good? Plants faults at the write point; a test must fail for each.

`python -m tests.bench.plant [number ...]`: by hand, takes minutes. Each plant changes one place of
the port (timers.c, main.c) in a copy, builds the image and runs the tests of pulses, stops, faults
and wedges against it. One that does not build, or whose place is gone, is no kill and is told. The
first run, without a plant, is the control. Prints what failed first for each.

Not planted: `count = 0` in make_dark. Without it the core's own withdrawal still empties the line
whenever it goes dark, and in both places a check's fault trips: nothing else is ever to be seen.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from tests.bench.image_bench import FIRMWARE

HERE = Path(__file__).parent
TESTS = (
    "test_image_faults.py",
    "test_image_pulses.py",
    "test_image_stops.py",
    "test_image_wedges.py",
    "test_image_start.py",
)


class Plant(NamedTuple):
    """`old` becomes `new`, once, in a file of the port."""

    what: str
    old: str
    new: str
    file: str = "timers.c"


PLANTS = (
    Plant("the write point takes any length", "|| (compare >= CEILING_MAX_ON))", ")"),
    Plant("the write point takes any top: no off-time", "(top < LEAST_TOP) || ", ""),
    Plant(
        "the write point takes a top at or below the counter",
        "((uint16_t)(left - LEAST_LEFT) > (MOST_LEFT - LEAST_LEFT))",
        "(left > MOST_LEFT && left < 0x8000U)",
    ),
    Plant(
        "the write point takes what lies beyond the horizon",
        "((uint16_t)(left - LEAST_LEFT) > (MOST_LEFT - LEAST_LEFT))",
        "(left < LEAST_LEFT)",
    ),
    Plant("connects whatever the e-stop says", "    if (!may_connect()) {\n", "    if (false) {\n"),
    Plant(
        "connects although an input had opened",
        "(halted == 0U) && ((ESTOP_PINS",
        "((ESTOP_PINS",
    ),
    Plant(
        "does not stop the timer between two pulses",
        "    hw->timer->control_a = A_DISCONNECTED;\n    hw->timer->control_b = B_STOPPED;",
        "    hw->timer->control_a = A_DISCONNECTED;",
    ),
    Plant(
        "does not disconnect between two pulses",
        "    hw->timer->control_a = A_DISCONNECTED;\n    hw->timer->control_b = B_STOPPED;",
        "    hw->timer->control_b = B_STOPPED;",
    ),
    Plant("a tick too long", "compare = (uint16_t)(on - 1U)", "compare = on"),
    Plant("a tick too late", "+ left) - 1U);", "+ left));"),
    Plant("OCRnB = 0: a spike", "#define LEAST_ON 2U", "#define LEAST_ON 1U"),
    Plant(
        "the next bottom is near: a wedge repeats the pulse",
        "    hw->timer->top = top;\n    return connect(hw);",
        "    hw->timer->top = top;\n    connect(hw);\n    while (hw->timer->count > 0x8000U) {}\n"
        "    hw->timer->top = 2000U;\n    return true;",
    ),
    Plant(
        "TCNTn is written while it runs, connected",
        "    return connect(hw);\n}\n\n/* The next prepared",
        "    { bool ok = connect(hw); hw->timer->count = hw->timer->count; return ok; }\n}\n\n"
        "/* The next prepared",
    ),
    Plant(
        "an interrupt makes up a pulse when none is prepared",
        "    return output->count != 0U;",
        "    if (output->count == 0U) {\n        output->count = 1U;\n"
        "        output->line[output->first].start = (uint16_t)(ticks_now16() + 2000U);\n"
        "        output->line[output->first].compare = 100U;\n    }\n    return true;",
    ),
    Plant("the compare latch stays high", "    hw->timer->control_c = C_FORCE;\n", ""),
    Plant(
        "one timer goes on at an e-stop", "    TCCR5A = A_DISCONNECTED;\n    TCCR1B", "    TCCR1B"
    ),
    Plant(
        "an end that nobody saw is not found",
        " &&\n           ((count >= APPROACH) || (count <= (pulse->compare + OVERDUE_TICKS)));",
        ";",
    ),
    Plant("the top is not looked at again", " && (top >= LEAST_TOP) &&", " &&"),
    Plant(
        "the compare value is not looked at again",
        "(hw->timer->compare == pulse->compare) && (pulse->compare < CEILING_MAX_ON) &&",
        "(pulse->compare < CEILING_MAX_ON) &&",
    ),
    Plant("the interrupt's mask is not looked at", " && (*hw->mask == COMPARE_FLAG) &&", " &&"),
    Plant("the pin's direction is not looked at", "((*hw->direction & hw->pin) != 0U) && ", ""),
    Plant("the waveform mode is not looked at", "(hw->timer->control_a == a) && ", ""),
    Plant("the prescaler is not looked at", " && (hw->timer->control_b == b)", ""),
    Plant(
        "a pin that does not follow is not seen",
        "    return disagree;",
        "    return false && disagree;",
    ),
    Plant(
        "a pulse that could not be kept is not told",
        "        fault |= may_connect(); /* an opened e-stop input tells of itself */\n",
        "",
    ),
    Plant("the watchdog is kicked whatever is found", "    if (sound) {\n", "    {\n", "main.c"),
    Plant(
        "ENABLE goes on whatever is found",
        "alive_allow(sound && (disagreeing == 0U) && (timers_halted() == 0U));",
        "alive_allow(true);",
        "main.c",
    ),
    Plant(
        "the clock's interrupt need not come for the watchdog",
        "    if (overflows != kicked_at) {",
        "    {",
        "alive.c",
    ),
    Plant(
        "the clock's interrupt need not come for ENABLE",
        "} else if (overflows != turned_at) {",
        "} else if (true) {",
        "alive.c",
    ),
)


def image_with(plant: Plant | None, folder: Path) -> Path | str:
    """The planted image, or why there is none."""
    copy = folder / "firmware"
    shutil.copytree(FIRMWARE, copy, ignore=shutil.ignore_patterns("build"))
    if plant is not None:
        path = copy / "atmega2560" / plant.file
        source = path.read_text(encoding="utf-8")
        if source.count(plant.old) != 1:
            return f"its place is there {source.count(plant.old)} times in {plant.file}"
        path.write_text(source.replace(plant.old, plant.new), encoding="utf-8")
    elf = folder / "build" / "image" / "coilwarden.elf"
    command = ["make", "-s", "-C", str(copy), f"BUILD={folder / 'build'}", str(elf)]
    # without -Werror: something unused is no fault of the plant's
    done = subprocess.run(
        [*command, "IMAGE_EXTRA=-Wno-error -w"], capture_output=True, text=True, check=False
    )
    return elf if done.returncode == 0 else f"does not build:\n{done.stderr}"


def first_failure(elf: Path) -> str | None:
    """The first test that fails against this image, with its reason; None: all pass."""
    environment = os.environ | {"COILWARDEN_IMAGE": str(elf)}
    tests = [str(HERE / name) for name in TESTS]
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    done = subprocess.run(
        command, env=environment, capture_output=True, text=True, check=False, timeout=600
    )
    if done.returncode == 0:
        return None
    found = re.search(r"^(?:FAILED|ERROR) \S*?(test_\w+\.py::.*)$", done.stdout, re.MULTILINE)
    return found.group(1) if found else done.stdout[-300:]


def main() -> int:
    wanted = [int(word) for word in sys.argv[1:]] or list(range(-1, len(PLANTS)))
    missed = 0
    for number in wanted:
        plant = PLANTS[number] if number >= 0 else None
        with tempfile.TemporaryDirectory() as folder:
            elf = image_with(plant, Path(folder))
            verdict = first_failure(elf) if isinstance(elf, Path) else None
        name = plant.what if plant else "control, nothing planted"
        if isinstance(elf, str):
            print(f"{number} {name}: NO PLANT: {elf}", flush=True)
            missed += 1
        elif (verdict is None) == (plant is not None):
            print(f"{number} {name}: {'NOT SEEN' if plant else verdict}", flush=True)
            missed += 1
        else:
            print(f"{number} {name}: {verdict or 'passes'}", flush=True)
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
