"""The image beside the Python model and the C core on the host: told the same, they do the same.

The image cannot be told something at a given tick: bytes take their time on the line, and the main
loop comes when it comes. So its own core's entries are traced: what it was told, at which tick by
its own clock. The other two are told exactly that (`Pair` demands that they agree to the tick, the
frame and the pulse), and then the pins and the line of the bench are held against them.

Three things the image may do otherwise, each within MARGIN of its cause and nowhere else:
a pulse due before a processor could prepare it (after an immediate frame) comes late or is dropped;
one already prepared is not changed any more; at a trip an output is dark at once by hardware,
before the core is told.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from bridge.link.simulated_settings import BoardMemory, BoardSettings, Pulse
from firmware_protocol.catalogue import Cause, ResetCause, State
from firmware_protocol.framing import FrameReader
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    Ceilings,
    ControllerMessage,
    MessageError,
    Pong,
    Status,
    Voices,
    parse_controller_message,
    parse_host_message,
)
from tests.bench.bench import CYCLES_PER_TICK, Entry
from tests.bench.image_bench import ImageBench
from tests.firmware.core import ORDINARY_LEVELS
from tests.firmware.pair import Pair

TICK_REGISTERS: tuple[int | str, ...] = (0x46, 0x35, 0x3E, "ticks_upper", "ticks_upper+1")
"""TCNT0, TIFR0, GPIOR0, and the clock's upper half."""
MEMORY_BYTES = 8
TRACED = {
    "core_start": {"pointer": 20, "length": MEMORY_BYTES},
    "core_bytes": {"pointer": 18, "count": 16},
    "core_line_error": {},
    "core_line_break": {},
    "core_line_idle": {},
    "core_inputs": {},
    "core_pin_mismatch": {},
    "core_fault": {},
}
"""Arguments, as avr-gcc passes them: core in r25:24, now in r23:20, then r19:18, r17:16, r15:14."""
MARGIN = 3000
"""Ticks, 1.5 ms: twice the longest round of the main loop, and the way of a pulse to its timer."""
M32 = 0xFFFF_FFFF


class Told(NamedTuple):
    """What the program's core was told, at a tick of its own."""

    tick: int
    name: str
    value: int
    bytes_: bytes


@dataclass
class Program:
    """From one start of the program to the next."""

    memory: BoardMemory
    first_tick: int
    told: list[Told] = field(default_factory=list)
    from_cycle: int = 0
    base_cycle: int = 1 << 62
    """The cycle at which `first_tick` began, as nearly as was seen."""

    def tick_at(self, cycle: int) -> int:
        """Extended, from `first_tick` on."""
        return self.first_tick + (cycle - self.base_cycle) // CYCLES_PER_TICK


def start_tracing(board: ImageBench) -> None:
    board.trace(TRACED, TICK_REGISTERS)


def programs_of(entries: list[Entry]) -> list[Program]:
    """The traced entries, by program."""
    found: list[Program] = []
    for cycle, name, registers, data, read in entries:
        if name == "core_start":
            now = int.from_bytes(bytes(registers[14:18]), "little")
            boot = int.from_bytes(bytes(data[0:4]), "little")
            number = int.from_bytes(bytes(data[4:6]), "little")
            kept = BoardMemory(State(data[6]), Cause(data[7]), number, boot)
            assert registers[18] == ORDINARY_LEVELS, hex(registers[18])
            found.append(Program(kept, now, from_cycle=cycle))
        else:
            now = int.from_bytes(bytes(registers[20:24]), "little")
            found[-1].told.append(Told(now, name, registers[18], bytes(data)))
        low, flags, middle, upper, highest = read
        if flags & 1 and low < 0x80:
            middle += 1
        tick = (highest << 24) + (upper << 16) + (middle << 8) + low
        passed = (tick - found[-1].first_tick) & M32
        base = cycle - passed * CYCLES_PER_TICK
        # the start itself takes longer than the clock can count without its interrupt
        old = found[-1].base_cycle if len(found[-1].told) > 1 else base
        found[-1].base_cycle = min(old, base)
    return found


class Twin(Pair):
    """The model and the host's core, told what one program on the image was told."""

    def __init__(self, settings: BoardSettings, program: Program, cause: ResetCause) -> None:
        super().__init__(settings, program.memory, power_on=cause)
        self.frame_reader = FrameReader()
        self.loose: list[list[tuple[int, int]]] = [[], [], [], []]
        """For each output: stretches of ticks in which the image may differ."""
        for one in program.told:
            self.tell(one)

    def tell(self, one: Told) -> None:
        """At its own tick, extended."""
        self.tick += (one.tick - self.tick) & M32
        match one.name:
            case "core_bytes":
                self.note(one.bytes_)
                self.both("receive", one.bytes_)
            case "core_inputs":
                bits = one.value
                self.both(
                    "set_inputs",
                    estop_a=bool(bits & 1),
                    estop_b=bool(bits & 2),
                    key=bool(bits & 4),
                    local_stop=bool(bits & 8),
                    ready={n: bool(bits & (16 << n)) for n in range(4)},
                )
            case "core_pin_mismatch":
                self.both("set_inputs", pin_mismatch=bool(one.value))
            case "core_fault":
                self.both("internal_fault")
            case name:
                self.both(name.removeprefix("core_"))
        self.settle()

    def loosen_where_armed_ended(self) -> None:
        """Also by a lease that expired, which nobody told."""
        reader, armed = FrameReader(), False
        for tick, data in self.said:
            for frame in reader.feed(data):
                message = parse_controller_message(frame.type_code, frame.payload)
                if isinstance(message, Status):
                    if armed and message.state != State.ARMED:
                        self.loosen(range(4), tick)
                    armed = message.state == State.ARMED

    def note(self, data: bytes) -> None:
        """Frames after which an output may differ for a while."""
        for frame in self.frame_reader.feed(data):
            if frame.type_code != Voices.TYPE:
                continue
            try:
                message = parse_host_message(frame.type_code, frame.payload)
            except MessageError:
                continue
            assert isinstance(message, Voices)
            ahead = (message.apply_at - self.tick + 2**31) % 2**32 - 2**31
            if message.output < 4 and (message.flags & FLAG_IMMEDIATE or ahead < MARGIN):
                self.loosen([message.output])

    def loosen(self, outputs: Any, tick: int | None = None) -> None:
        at = self.tick if tick is None else tick
        for output in outputs:
            self.loose[output].append((at - MARGIN, at + MARGIN))

    def may_differ(self, pulse: Pulse) -> bool:
        spans = self.loose[pulse.output]
        return any(a <= pulse.start_tick <= b for a, b in spans)


def leftover(mine: list[Pulse], theirs: list[Pulse]) -> tuple[list[Pulse], list[Pulse], int]:
    """What of two rows of one output's pulses has no equal in the other (start to one tick, and
    on-time exactly), and how many have."""
    a, b = sorted(mine, key=lambda p: p.start_tick), sorted(theirs, key=lambda p: p.start_tick)
    only_mine: list[Pulse] = []
    only_theirs: list[Pulse] = []
    matched = i = j = 0
    while i < len(a) or j < len(b):
        if i < len(a) and j < len(b) and abs(a[i].start_tick - b[j].start_tick) <= 1:
            if a[i].on_ticks == b[j].on_ticks:
                matched += 1
            else:
                only_mine.append(a[i])
                only_theirs.append(b[j])
            i, j = i + 1, j + 1
        elif j == len(b) or (i < len(a) and a[i].start_tick < b[j].start_tick):
            only_mine.append(a[i])
            i += 1
        else:
            only_theirs.append(b[j])
            j += 1
    return only_mine, only_theirs, matched


def spoken(frames: list[bytes]) -> list[ControllerMessage]:
    reader = FrameReader()
    return [
        parse_controller_message(f.type_code, f.payload) for d in frames for f in reader.feed(d)
    ]


def answers(messages: list[ControllerMessage]) -> list[Any]:
    """All but statuses; of a pong, not when it was sent."""
    kept = [m for m in messages if not isinstance(m, Status)]
    return [(m.echo, m.received_at, m.nonce) if isinstance(m, Pong) else m for m in kept]


def states(messages: list[ControllerMessage]) -> list[Any]:
    """What the statuses told, one after another, without repetitions."""
    told: list[Any] = []
    for m in messages:
        if isinstance(m, Status):
            one = (m.state, m.cause, m.trip_number, m.session, m.proofs, m.inputs)
            if not told or told[-1] != one:
                told.append(one)
    return told


def counters(messages: list[ControllerMessage]) -> Any:
    """Of the last status: what does not hang on a prompt processor."""
    last = [m for m in messages if isinstance(m, Status)][-1]
    return (
        last.bad_frames,
        last.line_errors,
        last.breaks,
        last.stale_frames,
        last.late_frames,
        last.refused_frames,
        [one.last_guard_reason for one in last.per_output],
        [one.queued for one in last.per_output],
    )


def is_part(few: list[Any], many: list[Any]) -> bool:
    """`few` in this order among `many`: a slow board may not have told of what lasted no time."""
    rest = iter(many)
    return all(any(one == other for other in rest) for one in few)


class Verdict(NamedTuple):
    """What was compared: equal pulses, pulses in loose stretches, equal answers, and the end."""

    pulses: int
    loose: int
    answers: int
    state: State
    cause: Cause


def settings_of(board: ImageBench) -> BoardSettings:
    """What the program knows of its board (`struct board` of core.h), read from its RAM."""
    raw = board.peek("board", 20 + 4 * 10)
    build, crc, board_id, horn, low, high, extended, lock, checks = struct.unpack_from(
        "<IIIHBBBBB", raw
    )
    ceilings = tuple(Ceilings(*struct.unpack_from("<HHHI", raw, 20 + 10 * n)) for n in range(4))
    return BoardSettings(
        board_id=board_id,
        build=build,
        ceilings=ceilings,
        horn_ms=horn,
        checks=checks,
        flash_crc=crc,
        fuse_low=low,
        fuse_high=high,
        fuse_extended=extended,
        lock_bits=lock,
    )


CAUSES = {
    "power": ResetCause.POWER_ON,
    "external": ResetCause.EXTERNAL,
    "watchdog": ResetCause.WATCHDOG,
    "brownout": ResetCause.BROWN_OUT,
}


def compare(board: ImageBench, entries: list[Entry], forced: Sequence[int] = ()) -> list[Verdict]:
    """Holds the image's pins and line against its twins, program by program. The board must have
    been left alone for 60 ms, and every edge and byte since power-on must still be there.
    `forced`: cycles at which the test put a pin high, which is no pulse.

    Raises: AssertionError, with what differs.
    """
    board.collect()
    settings = settings_of(board)
    programs = programs_of(entries)
    resets = board.statistics()["resets"]
    verdicts: list[Verdict] = []
    for index, program in enumerate(programs):
        until = board.now
        if index + 1 < len(programs):
            until = max(at for at, *_ in resets if at < programs[index + 1].from_cycle)
        cause = CAUSES[[name for at, name, _ in resets if at <= program.from_cycle][-1]]
        twin = Twin(replace(settings, first_tick=program.first_tick), program, cause)
        twin.tick = max(twin.tick, program.tick_at(until))
        twin.both("advance")
        twin.settle()
        twin.loosen_where_armed_ended()
        if until != board.now:
            twin.loosen(range(4))
        pulses = [
            Pulse(p.output, program.tick_at(p.start_cycle), p.on_cycles // CYCLES_PER_TICK)
            for p in board.pulses()
            if p.on_cycles is not None
            and program.from_cycle <= p.start_cycle < until
            and not any(abs(p.start_cycle - at) <= CYCLES_PER_TICK for at in forced)
        ]
        said = [m for at, m in board.messages if program.from_cycle <= at < until]
        verdicts.append(hold(twin, pulses, said, whole=until == board.now))
    return verdicts


def hold(twin: Twin, pulses: list[Pulse], said: list[ControllerMessage], *, whole: bool) -> Verdict:
    """The comparison itself. `whole`: no reset came between."""
    matched = loose = 0
    for output in range(4):
        mine = [p for p in pulses if p.output == output]
        theirs = [p for p in twin.pulses if p.output == output]
        extra, missing, equal = leftover(mine, theirs)
        matched += equal
        loose += len(extra)
        alone = [p for p in extra if not twin.may_differ(p)]
        absent = [p for p in missing if not twin.may_differ(p)]
        assert (alone[:4], absent[:4]) == ([], []), (
            f"output {output}: image {len(mine)}, twins {len(theirs)} pulses; "
            f"image alone {alone[:4]}, twins alone {absent[:4]}, loose {twin.loose[output][:3]}"
        )
        longest = max((p.on_ticks for p in theirs), default=0)
        assert all(p.on_ticks <= longest for p in extra) or not theirs
    reference = spoken([data for _, data in twin.said])
    mine, theirs = answers(said), answers(reference)
    assert mine == (theirs if whole else theirs[: len(mine)])
    told, reference_told = states(said), states(reference)
    assert is_part(told, reference_told), (told, reference_told)
    if whole:
        assert told[-1] == reference_told[-1]
        assert counters(said) == counters(reference)
    return Verdict(matched, loose, len(mine), twin.model.state, twin.model.cause)
