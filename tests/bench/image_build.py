"""The real image, built once; a board of ours, commissioned; which pin is what (WIRING.md)."""

from __future__ import annotations

import os
import struct
import subprocess
from binascii import crc_hqx
from functools import cache
from pathlib import Path

from firmware_protocol.messages import Slot
from tests.bench.bench import missing_packages

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware_protocol" / "firmware"
ESTOP_A, ESTOP_B, KEY, LOCAL_STOP, COMMISSION = "PD0", "PD1", "PA0", "PA1", "PA2"
BEACON, HORN, ENABLE = "PA4", "PA5", "PA6"
READY = ("PC0", "PC1", "PC2", "PC3")
OUTPUT_PINS = ("PB6", "PE4", "PH4", "PL4")
LINE_PINS = ("PE0", "PE1")
COMPARE_VECTORS = ("TIMER1_COMPB", "TIMER3_COMPB", "TIMER4_COMPB", "TIMER5_COMPB")
CEILINGS = (800, 200, 2000, 240_000)
"""max_on, min_off, max_starts_1s, duty_1s in ticks: PROTOCOL.md, section 9."""
BOARD_ID = 0x00C0FFEE


@cache
def image(extra: str = "") -> Path:
    """The sealed ELF, or what COILWARDEN_IMAGE names (plant.py). `extra`: compiler flags."""
    given = os.environ.get("COILWARDEN_IMAGE")
    if given is not None and not extra:
        return Path(given)
    missing = missing_packages()
    assert not missing, f"building the image needs: apt-get install {' '.join(missing)}"
    place = os.environ.get("PYTEST_XDIST_WORKER", "image")
    build = FIRMWARE / "build" / (place + "".join(c for c in extra if c.isalnum()))
    command = ["make", "-s", "-C", str(FIRMWARE), f"BUILD={build}", f"IMAGE_EXTRA={extra}"]
    done = subprocess.run(
        [*command, f"{build}/image/coilwarden.elf"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return build / "image" / "coilwarden.elf"


def commissioned(
    board_id: int = BOARD_ID,
    horn_ms: int = 0,
    unused_ready: int = 0x0F,
    ceilings: tuple[tuple[int, int, int, int], ...] = (CEILINGS,) * 4,
) -> bytes:
    """The EEPROM's first bytes as the commissioning act leaves them (WIRING.md)."""
    body = struct.pack("<IHB", board_id, horn_ms, unused_ready)
    body += b"".join(struct.pack("<HHHI", *one) for one in ceilings)
    return b"\x57" + body + struct.pack("<H", crc_hqx(b"\x57" + body, 0xFFFF))


def slot(period_ticks: float, on_ticks: int, *, start: int = 1, **more: int) -> Slot:
    """A slot whose period is in ticks."""
    rest: dict[str, int] = {"bangs": 0, "spread": 0, "phase": 0, "step": 0, **more}
    return Slot(start=start, on_ticks=on_ticks, period=round(period_ticks * 256), **rest)
