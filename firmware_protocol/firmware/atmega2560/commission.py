"""Writes board id, horn, ready inputs and ceilings into a board: the host's half of the local act.

The board must have been started with its COMMISSION jumper set (WIRING.md): only then it listens.

    python3 commission.py /dev/ttyUSB0                                  shows what is there
    python3 commission.py /dev/ttyUSB0 --board-id 0x4C61726B --horn-ms 3000 --ready 1,2
                          --max-on-us 150,80,0,0 --min-off-us 200 --max-rate-hz 800 --duty 0.05

A ceiling is one number for every output, or four: of outputs 1, 2, 3 and 4. All of them must be
named. On-time, rate or duty of 0: that output takes no limits and never fires. Nothing beyond the
ceilings compiled into the program is taken. It prints what the board read back, and ends with 1
if that is not what was to be written. Needs pyserial and this repository's `firmware_protocol`.
"""

from __future__ import annotations

import argparse
import math
import struct
import sys
import time
from collections.abc import Sequence

import serial

from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import COMPILED_CEILINGS, TICK_HZ, Ceilings

COMMISSION = 0x70
COMMISSIONED = 0x71
TICKS_PER_US = TICK_HZ // 1_000_000
OUTPUTS = 4
HEAD_BYTES = 8
ANSWER_BYTES = HEAD_BYTES + Ceilings.LAYOUT.size * OUTPUTS
LONGEST_US = 32_767.5
U16, U32 = 0xFFFF, 0xFFFF_FFFF


def each_output(text: str) -> list[float]:
    """One number for all outputs, or one for each. Raises ValueError."""
    numbers = [float(one) for one in text.split(",")]
    if len(numbers) not in (1, OUTPUTS):
        raise ValueError(f"{text}: one number, or {OUTPUTS} of them")
    if not all(0 <= one < math.inf for one in numbers):
        raise ValueError(f"{text}: numbers from 0 up")
    return numbers if len(numbers) == OUTPUTS else numbers * OUTPUTS


def outputs_named(text: str) -> set[int]:
    """Output numbers 1 to 4. Raises ValueError."""
    numbers = {int(one) for one in text.split(",") if one}
    if not numbers <= set(range(1, OUTPUTS + 1)):
        raise ValueError(f"{text}: outputs are 1 to {OUTPUTS}")
    return numbers


def ceilings_of(options: argparse.Namespace) -> list[Ceilings]:
    """Rounded to the stricter tick. Raises ValueError for one that the program does not hold to."""
    wanted = zip(
        options.max_on_us, options.min_off_us, options.max_rate_hz, options.duty, strict=True
    )
    ceilings: list[Ceilings] = []
    for output, (on_us, off_us, rate_hz, duty) in enumerate(wanted, start=1):
        one = Ceilings(
            math.floor(on_us * TICKS_PER_US),
            math.ceil(off_us * TICKS_PER_US),
            math.floor(rate_hz),
            math.floor(duty * TICK_HZ + 1e-6),  # 0.12 is a little less in binary
        )
        if one != tightest(one) or off_us > LONGEST_US:
            raise ValueError(
                f"output {output}: not within {in_words(COMPILED_CEILINGS)}, "
                f"off-time to {LONGEST_US:g} us"
            )
        ceilings.append(one)
    return ceilings


def tightest(kept: Ceilings) -> Ceilings:
    """What counts of ceilings that a board keeps: never more than the compiled ones."""
    return Ceilings(
        min(kept.max_on_ticks, COMPILED_CEILINGS.max_on_ticks),
        max(kept.min_off_ticks, COMPILED_CEILINGS.min_off_ticks),
        min(kept.max_starts_1s, COMPILED_CEILINGS.max_starts_1s),
        min(kept.max_duty_1s_ticks, COMPILED_CEILINGS.max_duty_1s_ticks),
    )


def payload(options: argparse.Namespace) -> bytes:
    """What is to be written. Raises ValueError."""
    if not (1 <= options.board_id <= U32 and 0 <= options.horn_ms <= U16):
        raise ValueError("board id: 1 to 0xFFFFFFFF; horn: 0 to 65535 ms")
    unused = sum(1 << n for n in range(OUTPUTS) if n + 1 not in options.ready)
    head = struct.pack("<IHB", options.board_id, options.horn_ms, unused)
    return head + b"".join(one.payload() for one in ceilings_of(options))


def in_words(ceilings: Ceilings) -> str:
    """Ceilings of one output."""
    on_us = ceilings.max_on_ticks / TICKS_PER_US
    off_us = ceilings.min_off_ticks / TICKS_PER_US
    percent = 100 * ceilings.max_duty_1s_ticks / TICK_HZ
    return (
        f"on-time to {on_us:g} us, off-time from {off_us:g} us, "
        f"to {ceilings.max_starts_1s} pulses/s, duty to {percent:g} %"
    )


def describe(record: bytes) -> str:
    """The board's answer in words: what counts, output by output."""
    good, board_id, horn_ms, unused = struct.unpack_from("<BIHB", record)
    if not good:
        return "not commissioned: this board takes no limits"
    lines = [f"board id 0x{board_id:08X}, horn {horn_ms} ms"]
    for output in range(OUTPUTS):
        at = HEAD_BYTES + Ceilings.LAYOUT.size * output
        kept = tightest(Ceilings(*Ceilings.LAYOUT.unpack_from(record, at)))
        never = 0 in (kept.max_on_ticks, kept.max_starts_1s, kept.max_duty_1s_ticks)
        ready = "not fitted" if unused >> output & 1 else "fitted"
        what = "never fires" if never else in_words(kept)
        lines.append(f"output {output + 1}: {what}; ready input {ready}")
    return "\n".join(lines)


def exchange(line: serial.Serial, wanted: bytes) -> bytes | None:
    """Writes, or reads where nothing is wanted; what the board then says, None if nothing."""
    time.sleep(2.0)  # opening the port resets many boards
    line.reset_input_buffer()
    line.write(b"\0" + encode_frame(COMMISSION, 0, wanted))
    reader = FrameReader()
    for _ in range(20):
        for frame in reader.feed(line.read(256)):
            if frame.type_code == COMMISSIONED and len(frame.payload) == ANSWER_BYTES:
                return frame.payload
    return None


def parsed(arguments: Sequence[str] | None) -> tuple[argparse.Namespace, bytes]:
    """The options, and what is to be written: empty for nothing."""
    parser = argparse.ArgumentParser(description="commissions a controller board")
    parser.add_argument("port")
    parser.add_argument("--baud", type=int, default=500_000)
    parser.add_argument("--board-id", type=lambda text: int(text, 0))
    parser.add_argument("--horn-ms", type=int, default=3000)
    parser.add_argument(
        "--ready", type=outputs_named, default="1,2,3,4", help="outputs with a ready input, 1 to 4"
    )
    ceilings = parser.add_argument_group("ceilings: one number, or one for each output: 150,80,0,0")
    ceilings.add_argument("--max-on-us", type=each_output)
    ceilings.add_argument("--min-off-us", type=each_output)
    ceilings.add_argument("--max-rate-hz", type=each_output)
    ceilings.add_argument("--duty", type=each_output, help="part of any second, 0 to 1")
    options = parser.parse_args(arguments)
    named = [
        options.board_id,
        options.max_on_us,
        options.min_off_us,
        options.max_rate_hz,
        options.duty,
    ]
    if all(one is None for one in named):
        return options, b""
    if any(one is None for one in named):
        parser.error("to write, name --board-id and every ceiling")
    try:
        return options, payload(options)
    except ValueError as error:
        parser.error(str(error))


def main(arguments: Sequence[str] | None = None) -> int:
    options, wanted = parsed(arguments)
    with serial.Serial(options.port, options.baud, timeout=0.1, exclusive=True) as line:
        said = exchange(line, wanted)
    if said is None:
        print(
            "no answer: is the COMMISSION jumper set, and was the board started with it?",
            file=sys.stderr,
        )
        return 1
    print(describe(said))
    if wanted and said != b"\x01" + wanted:
        print("this is NOT what was to be written: do not use the board", file=sys.stderr)
        return 1
    print("written, and read back from the board" if wanted else "nothing was written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
