"""The image beside the Python model and the C core on the host: told the same, they do the same.

The image cannot be told something at a given tick: bytes take their time on the line, and the main
loop comes when it comes. So its own core's entries are traced (told.py): what it was told, at
which tick by its own clock. The other two (twin.py) are told exactly that (`Pair` demands that
they agree to the tick, the frame and the pulse); then the bench's pins and line are compared.

What the image may do otherwise, each near its cause and nowhere else: a pulse due before a
processor could prepare it (after a frame) comes late or is dropped; one already prepared is not
changed any more; at a trip an output is dark at once by hardware, before the core is told. Where a
pulse may have been dropped that the guard would have refused, and refusals trip the twins, the
image may lawfully play on: if it does, the comparison ends with that trip (Twin.unsure_trip).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, NamedTuple

from bridge.link.simulated_settings import BoardSettings, Pulse
from firmware_protocol.catalogue import Cause, GuardReason, ResetCause, State
from firmware_protocol.framing import FrameReader
from firmware_protocol.messages import (
    Ceilings,
    ControllerMessage,
    Pong,
    Status,
    parse_controller_message,
)
from tests.bench.bench import CYCLES_PER_TICK, Entry
from tests.bench.image_bench import ImageBench
from tests.bench.told import programs_of
from tests.bench.twin import MARGIN, Twin

IN_A_WINDOW = {
    GuardReason.RATE,
    GuardReason.DUTY_1S,
    GuardReason.DUTY_SECOND,
    GuardReason.DUTY_THIRD,
}
"""Refusals that hang on how much came before."""
LAST_TICKS = 1000
"""What starts so shortly before the end need not have ended on both sides."""


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


def last_status(messages: list[ControllerMessage]) -> Status:
    return [m for m in messages if isinstance(m, Status)][-1]


def counters(messages: list[ControllerMessage]) -> Any:
    """Of the last status: what does not hang on a prompt processor."""
    last = last_status(messages)
    return (
        last.bad_frames,
        last.line_errors,
        last.breaks,
        last.stale_frames,
        last.late_frames,
        last.refused_frames,
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


def compare(
    board: ImageBench,
    entries: list[Entry],
    forced: Sequence[int] = (),
    overloads: Sequence[tuple[int, int]] = (),
) -> list[Verdict]:
    """Holds the image's pins and line against its twins, program by program. The board must have
    been left alone for 60 ms, and every edge and byte since power-on must still be there.
    `forced`: cycles at which the test put a pin high, which is no pulse. `overloads`: stretches of
    cycles in which more was asked for than can be reckoned.

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
        for spans in twin.loose:
            spans += [(program.tick_at(a), program.tick_at(b)) for a, b in overloads]
        pulses = [
            Pulse(p.output, program.tick_at(p.start_cycle), p.on_cycles // CYCLES_PER_TICK)
            for p in board.pulses()
            if p.on_cycles is not None
            and program.from_cycle <= p.start_cycle < until
            and not any(abs(p.start_cycle - at) <= CYCLES_PER_TICK for at in forced)
        ]
        said = [(at, m) for at, m in board.messages if program.from_cycle <= at < until]
        end = program.tick_at(until) - LAST_TICKS
        twin.pulses = [p for p in twin.pulses if p.start_tick < end]
        pulses = [p for p in pulses if p.start_tick < end]
        whole = until == board.now
        try:
            verdict = hold(twin, pulses, [m for _, m in said], whole=whole)
        except AssertionError:
            unsure = twin.unsure_trip()
            if unsure is None:
                raise
            twin.pulses = [p for p in twin.pulses if p.start_tick < unsure - MARGIN]
            pulses = [p for p in pulses if p.start_tick < unsure - MARGIN]
            before = [m for at, m in said if program.tick_at(at) < unsure]
            verdict = hold(twin, pulses, before, whole=False)
        verdicts.append(verdict)
    return verdicts


def late_by(mine: list[Pulse], late: set[Pulse], min_off_ticks: int) -> set[Pulse]:
    """Those that had to wait for one that was lawfully late to end, and so on."""
    found: set[Pulse] = set()
    for before, pulse in pairwise(mine):
        free = before.start_tick + before.on_ticks + min_off_ticks
        if before in late | found and abs(pulse.start_tick - free) <= 1:
            found.add(pulse)
    return found


def in_place_of(pulse: Pulse, others: set[Pulse]) -> bool:
    """Is one of `others` this pulse, but for being late?"""
    return any(
        p.on_ticks == pulse.on_ticks and 0 < p.start_tick - pulse.start_tick < MARGIN
        for p in others
    )


def late_ones(missing: set[Pulse], extra: list[Pulse]) -> set[Pulse]:
    """Of `extra` those that are one of `missing`, late: each for one."""
    found: set[Pulse] = set()
    for due in sorted(missing, key=lambda p: p.start_tick):
        for pulse in extra:
            if pulse not in found and in_place_of(due, {pulse}):
                found.add(pulse)
                break
    return found


def let_through(
    alone: list[Pulse], gone: set[Pulse], refused: list[tuple[int, GuardReason]]
) -> set[Pulse]:
    """Those that the twins' guard refused for what came before, and the image's need not have: for
    each pulse that did not come before there is room for one (PROTOCOL.md, section 8: what did not
    come does not count)."""
    full = [tick for tick, reason in refused if reason in IN_A_WINDOW]
    found: set[Pulse] = set()
    for pulse in sorted(alone, key=lambda p: p.start_tick):
        room = sum(p.start_tick < pulse.start_tick for p in gone) - len(found)
        if room > 0 and any(abs(pulse.start_tick - tick) <= 1 for tick in full):
            found.add(pulse)
    return found


def turned(
    alone: list[Pulse], absent: list[Pulse], gone: set[Pulse], min_off_ticks: int
) -> tuple[set[Pulse], set[Pulse]]:
    """Of two trains with the same grid point the one whose last pulse lies further back is next. So
    where one of theirs did not come, the order of the two is turned from then on: the image's and
    the twins' pulses of such grid points."""
    mine: set[Pulse] = set()
    theirs: set[Pulse] = set()

    def follows(first: Pulse, second: Pulse) -> bool:
        free = first.start_tick + first.on_ticks + min_off_ticks
        return abs(second.start_tick - free) <= 1

    for a, b in pairwise(sorted(absent, key=lambda p: p.start_tick)):
        if not follows(a, b) or not any(p.start_tick < a.start_tick for p in gone):
            continue
        for x, y in pairwise(sorted(alone, key=lambda p: p.start_tick)):
            is_turned = (x.on_ticks, y.on_ticks) == (b.on_ticks, a.on_ticks)
            if x.start_tick == a.start_tick and is_turned and follows(x, y):
                mine |= {x, y}
                theirs |= {a, b}
    return mine, theirs


def hold(twin: Twin, pulses: list[Pulse], said: list[ControllerMessage], *, whole: bool) -> Verdict:
    """The comparison itself. `whole`: no reset came between."""
    matched = loose = 0
    for output in range(4):
        mine = sorted((p for p in pulses if p.output == output), key=lambda p: p.start_tick)
        theirs = [p for p in twin.pulses if p.output == output]
        extra, missing, equal = leftover(mine, theirs)
        matched += equal
        loose += len(extra)
        late = {p for p in extra if twin.may_differ(output, p.start_tick)}
        gone = {p for p in missing if twin.may_differ(output, p.start_tick)}
        late |= late_ones(gone, [p for p in extra if p not in late])
        waited = late_by(mine, late, twin.min_off_ticks(output))
        alone = [p for p in extra if p not in late | waited]
        fired = let_through(alone, gone, twin.refused[output])
        alone = [p for p in alone if p not in fired]
        absent = [p for p in missing if p not in gone and not in_place_of(p, waited)]
        other_way, one_way = turned(extra, missing, gone, twin.min_off_ticks(output))
        alone = [p for p in alone if p not in other_way]
        absent = [p for p in absent if p not in one_way]
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
        for output, one in enumerate(last_status(said).per_output):
            assert one.last_guard_reason in twin.last_reasons(output)
    return Verdict(matched, loose, len(mine), twin.model.state, twin.model.cause)
