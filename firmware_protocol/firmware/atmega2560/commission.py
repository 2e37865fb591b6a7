"""Writes board id, horn, ready inputs and ceilings into a board: the host's half of the local act.

The board must have been started with its COMMISSION jumper set (WIRING.md): only then it listens.

    python3 commission.py /dev/ttyUSB0                                  shows what is there
    python3 commission.py /dev/ttyUSB0 --board-id 0x4C61726B --horn-ms 3000 --ready 1,2
                          --max-on-us 150 --min-off-us 200 --max-rate-hz 800 --duty 0.05

Ceilings are for all four outputs; those above the compiled ones count as the compiled ones. Needs
pyserial and this repository's package `firmware_protocol`.
"""

from __future__ import annotations

import argparse
import struct
import sys
import time

import serial

from firmware_protocol.framing import FrameReader, encode_frame

COMMISSION = 0x70
COMMISSIONED = 0x71
TICKS_PER_US = 2
TICK_HZ = 2_000_000
OUTPUTS = 4


def payload(options: argparse.Namespace) -> bytes:
    """What is to be written; empty: nothing."""
    if options.board_id is None:
        return b""
    ready = {int(one) for one in options.ready.split(",") if one}
    unused = sum(1 << n for n in range(OUTPUTS) if n + 1 not in ready)
    ceiling = struct.pack(
        "<HHHI",
        round(options.max_on_us * TICKS_PER_US),
        round(options.min_off_us * TICKS_PER_US),
        options.max_rate_hz,
        round(options.duty * TICK_HZ),
    )
    return struct.pack("<IHB", options.board_id, options.horn_ms, unused) + ceiling * OUTPUTS


def describe(record: bytes) -> str:
    """The board's answer in words."""
    good, board_id, horn_ms, unused = struct.unpack_from("<BIHB", record)
    if not good:
        return "not commissioned: this board takes no limits"
    lines = [f"board id 0x{board_id:08X}, horn {horn_ms} ms"]
    for output in range(OUTPUTS):
        on, off, rate, duty = struct.unpack_from("<HHHI", record, 8 + 10 * output)
        fitted = "not fitted" if unused >> output & 1 else "fitted"
        lines.append(
            f"output {output + 1}: on-time {on / 2:g} us, off-time {off / 2:g} us, "
            f"{rate} pulses/s, duty {100 * duty / TICK_HZ:g} %, ready input {fitted}"
        )
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description="commissions a controller board")
    parser.add_argument("port")
    parser.add_argument("--baud", type=int, default=500_000)
    parser.add_argument("--board-id", type=lambda text: int(text, 0))
    parser.add_argument("--horn-ms", type=int, default=3000)
    parser.add_argument("--ready", default="1,2,3,4", help="outputs with a ready input, 1 to 4")
    parser.add_argument("--max-on-us", type=float, default=400.0)
    parser.add_argument("--min-off-us", type=float, default=100.0)
    parser.add_argument("--max-rate-hz", type=int, default=2000)
    parser.add_argument("--duty", type=float, default=0.12, help="part of any second, 0 to 1")
    options = parser.parse_args()
    wanted = payload(options)
    with serial.Serial(options.port, options.baud, timeout=0.1) as line:
        time.sleep(2.0)  # opening the port resets many boards
        line.reset_input_buffer()
        line.write(b"\0" + encode_frame(COMMISSION, 0, wanted))
        reader = FrameReader()
        for _ in range(20):
            for frame in reader.feed(line.read(256)):
                if frame.type_code == COMMISSIONED:
                    print(describe(frame.payload))
                    return 0 if not wanted or frame.payload[1:] == wanted else 1
    print(
        "no answer: is the COMMISSION jumper set, and was the board started with it?",
        file=sys.stderr,
    )
    return 1


if __name__ == "__main__":
    sys.exit(main())
