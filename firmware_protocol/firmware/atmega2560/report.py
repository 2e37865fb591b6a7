"""Size of an image and the deepest its stack can go, from its own machine code.

    python3 report.py image.elf

For each function: bytes pushed and set aside, and whom it calls (no call through a pointer and no
recursion: both are an error here). The deepest path from main, plus the deepest interrupt (those
that let others in are added up), must leave room. Needs avr-objdump and avr-nm; run by make.
"""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import dataclass, field

RAM_BYTES = 8192
RAM_END = 0x802200
RETURN_BYTES = 3
LEAST_ROOM = 64  # what must be left for what is not counted
LINE = re.compile(r"^\s*[0-9a-f]+:\t(?:[0-9a-f]{2} )+\s*\t?(\S+)?\s*(.*)$")
NUMBER = re.compile(r"(0x[0-9a-fA-F]+)")
ENTRY = re.compile(r"^([0-9a-f]+) <([^>]+)>:$")
TARGET = re.compile(r"0x([0-9a-f]+) <")


@dataclass
class Function:
    frame: int = 0
    name: str = ""
    calls: set[int] = field(default_factory=set)
    tails: set[int] = field(default_factory=set)  # jumped to when its own frame is gone
    is_interrupt: bool = False
    lets_others_in: bool = False


def read_functions(listing: str) -> dict[int, Function]:
    """Every function by address: names of local ones are not unique."""
    functions: dict[int, Function] = {}
    function = Function()
    jumps: list[tuple[Function, int]] = []
    low, frame = 0, False
    for line in listing.splitlines():
        if entry := ENTRY.match(line):
            function = functions[int(entry[1], 16)] = Function(name=entry[2])
            continue
        if not (found := LINE.match(line)):
            continue
        what, rest = found[1] or "", found[2]
        number = NUMBER.search(rest)
        target = TARGET.search(rest)
        # right after Y was set to the stack: Y less the frame; `sbc` where it is below 256
        frame = frame and what in ("subi", "sbci", "sbc", "sbiw")
        if what == "push":
            function.frame += 1
        elif what == "in" and rest.startswith("r29, 0x3e"):
            frame = True
        elif what == "rcall" and rest.startswith(".+0"):
            function.frame += RETURN_BYTES  # sets bytes aside
        elif frame and what == "sbiw" and number:
            function.frame += int(number[1], 0)
        elif frame and what == "subi" and number:
            low = int(number[1], 0)
        elif frame and what == "sbci" and number:
            function.frame += int(number[1], 0) << 8 | low
        elif frame and what == "sbc":
            function.frame += low
        elif what in ("call", "rcall") and target:
            function.calls.add(int(target[1], 16))
        elif what in ("jmp", "rjmp") and target:
            jumps.append((function, int(target[1], 16)))
        elif what in ("icall", "eicall", "ijmp", "eijmp") and not function.name.startswith("__"):
            raise ValueError(f"{function.name} calls through a pointer")
        elif what == "sei":
            function.lets_others_in = True
        elif what == "reti":
            function.is_interrupt = True
    for function, target_at in jumps:
        if functions.get(target_at, function) is not function:
            function.tails.add(target_at)
    return functions


def deepest(functions: dict[int, Function], at: int, above: tuple[int, ...] = ()) -> int:
    """Bytes from the function's entry to its deepest point. Raises: ValueError for recursion."""
    if at in above:
        names = [functions[one].name for one in (*above, at)]
        raise ValueError(f"recursion: {' > '.join(names)}")
    function = functions[at]
    inner = [RETURN_BYTES + deepest(functions, one, (*above, at)) for one in function.calls]
    after = [deepest(functions, one, (*above, at)) for one in function.tails]
    return max(function.frame + max(inner, default=0), max(after, default=0))


def main(image: str) -> int:
    listing = subprocess.run(
        ["avr-objdump", "-d", image], check=True, capture_output=True, text=True
    )
    symbols = subprocess.run(["avr-nm", image], check=True, capture_output=True, text=True)
    ends = [
        int(line.split()[0], 16) for line in symbols.stdout.splitlines() if line.endswith(" _end")
    ]
    functions = read_functions(listing.stdout)
    program = next(
        RETURN_BYTES + deepest(functions, at) for at, f in functions.items() if f.name == "main"
    )
    interrupts = [
        (f.lets_others_in, RETURN_BYTES + deepest(functions, at))
        for at, f in functions.items()
        if f.is_interrupt
    ]
    interrupt = sum(depth for nests, depth in interrupts if nests)
    interrupt += max(depth for nests, depth in interrupts if not nests)
    if "--path" in sys.argv:
        at = next(at for at, f in functions.items() if f.name == "main")
        while True:
            f = functions[at]
            print(f"  {f.name} {f.frame}")
            if not f.calls:
                break
            at = max(f.calls, key=lambda one: deepest(functions, one))
    room = RAM_END - ends[0]
    print(f"RAM: {RAM_BYTES - room} of {RAM_BYTES} bytes in use, {room} left for the stack")
    print(
        f"stack at its deepest: program {program} + interrupts {interrupt} bytes; "
        f"headroom {room - program - interrupt} bytes"
    )
    if room - program - interrupt < LEAST_ROOM:
        print("that is too little", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
