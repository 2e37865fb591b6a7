"""Hosts that lie about everything, against the real image: nothing beyond the limits at a pin.

The judge is tests/pulse_checker.py, duty windows included, on the pins' recorded edges to the
cycle. Each test also asserts light, or the lies told: a silent board proves nothing.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, cast

import pytest

from firmware_protocol.catalogue import Cause, GuardReason, Reason, State
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import (
    Arm,
    Armed,
    Hello,
    Identity,
    Limits,
    OutputLimits,
    Refusal,
    Reset,
    Status,
    Stop,
)
from tests.bench.bench import CYCLES_PER_MS, CYCLES_PER_TICK, OUTPUT_PINS
from tests.bench.hostile import TEN_MS_TICKS, Liar, Played
from tests.bench.image_bench import CEILINGS, ImageBench, slot
from tests.bench.judge import ceilings, judge, outside_armed, unlawful
from tests.link.test_simulated_guard import hostile_performance

pytestmark = pytest.mark.long

NARROW = (OutputLimits(0, 400, 400, 300, 30_000, 20, 3000, 200, 12_000),
          OutputLimits(3, 800, 200, 2000, 240_000, 50, 9000))  # fmt: skip


def seeds(request: pytest.FixtureRequest, few: int, many: int) -> range:
    return range(many if request.config.getoption("--long-bench") else few)


def refusals(board: ImageBench, since: int = 0) -> Counter[int]:
    board.collect()
    return Counter(m.reason for at, m in board.messages if at > since and isinstance(m, Refusal))


def test_hosts_made_for_the_model(locked: ImageBench, request: pytest.FixtureRequest) -> None:
    """The very hosts that play against model and core (tests/link), on the wire: limits drawn anew
    for each, everything asked for, an operator who arms again after every trip."""
    start = locked.keep()
    fired = 0
    reasons: set[int] = set()
    for seed in seeds(request, 6, 150):
        locked.back_to(start)
        limits = hostile_performance(cast(Any, Played(locked)), seed)
        locked.run_for(60 * CYCLES_PER_MS)
        fired += judge(locked, *limits)
        for output in locked.newest_status().per_output:
            reasons |= {output.last_guard_reason}
            assert sum(output.refused_for) == output.guard_refusals
            assert output.last_guard_reason == 0 or output.refused_for[output.last_guard_reason - 1]
    print(f"{fired} pulses, guard's reasons {sorted(reasons)}")
    assert fired > 60
    assert len(reasons - {GuardReason.NONE}) >= 3


def test_a_host_that_lies_in_every_field(
    locked: ImageBench, request: pytest.FixtureRequest
) -> None:
    start = locked.keep()
    fired = 0
    did: Counter[str] = Counter()
    refused: Counter[int] = Counter()
    causes: set[int] = set()
    for seed in seeds(request, 4, 80):
        locked.back_to(start)
        liar = Liar(locked, seed, NARROW)
        liar.perform(60)
        fired += judge(locked, *NARROW, asks_too_fast=True)
        did += liar.did
        refused += refusals(locked)
        causes |= {m.cause for _, m in locked.messages if isinstance(m, Status)}
        sessions = [m.session for _, m in locked.messages if isinstance(m, Armed)]
        assert len(sessions) == liar.did["armed"]  # no nonce but the operator's ever armed
        assert len(set(sessions)) == len(sessions)
    print(f"{fired} pulses of {dict(did)}; refused {dict(refused)}, tripped by {sorted(causes)}")
    assert fired > 400
    assert min(did.values()) >= 3
    assert len(did) == 12
    assert {Reason.BAD_NONCE, Reason.NO_SUCH_OUTPUT, Reason.BAD_SLOT} <= set(refused)
    assert {Cause.SETUP_WHILE_ARMED, Cause.WRONG_SESSION, Cause.GUARD_REFUSALS} <= causes


def test_asking_for_twice_the_duty_for_seconds_gets_the_ceiling_and_no_more(
    locked: ImageBench,
) -> None:
    """A host that arms again after each trip has no second helping: what the worst second holds
    comes near its limit, so the judge of windows has something to judge."""
    played = Played(locked)
    begin = locked.now
    played.armed()
    while locked.now < begin + 2600 * CYCLES_PER_MS:
        played.voices(slot(3300, 800), output=1)
        for quiet in (0, 2, 3):
            played.voices(output=quiet)
        played.advance(120_000)
        if played.board.state == State.TRIPPED:
            played.reset_trip()
            played.arm()
    locked.run_for(60 * CYCLES_PER_MS)
    fired = judge(locked)
    least = OutputLimits(1, *CEILINGS[:3], CEILINGS[3] * 96 // 100)
    assert [one.kind for one in unlawful(locked.pulses(), least)] == ["duty"]
    print(f"{fired} pulses in {(locked.now - begin) / CYCLES_PER_MS:.0f} ms")
    status = locked.newest_status()
    assert status.per_output[1].last_guard_reason == GuardReason.DUTY_1S
    assert status.trip_number >= 2


def wires(board: ImageBench, at: int, data: bytes) -> int:
    """Sends as recorded; returns when the last byte has arrived."""
    end = board.bytes_at(at, data)
    board.run_to(end)
    return end


def test_a_recorded_session_played_again_fires_nothing(locked: ImageBench) -> None:
    """Limits, arm, nonce, session and all: after a trip that was reset, and while armed anew."""
    recorded: list[bytes] = []
    send = locked.bytes_at

    def recording(cycle: int, data: bytes, **more: Any) -> int:
        recorded.append(data)
        return send(cycle, data, **more)

    locked.bytes_at = recording  # type: ignore[method-assign]
    try:
        locked.arm()
        for _ in range(3):
            locked.play(o0=(slot(3000, 300),), o2=(slot(2500, 300),))
            locked.run_for(30 * CYCLES_PER_MS)
    finally:
        del locked.bytes_at
    assert len(locked.pulses()) > 50
    locked.run_to(locked.send(Stop(1)) + 5 * CYCLES_PER_MS)
    locked.reset_trip()
    quiet = locked.now
    for data in recorded:
        wires(locked, locked.now, data)
        locked.run_for(CYCLES_PER_MS)
    locked.run_for(5 * CYCLES_PER_MS)
    assert locked.newest_status().state == State.LOCKED
    seen = refusals(locked, quiet)
    assert seen[Reason.BAD_NONCE] == 1
    assert seen[Reason.NOT_ARMED] >= 12
    locked.arm()
    for data in recorded[-4:]:
        wires(locked, locked.now, data)
    locked.run_for(60 * CYCLES_PER_MS)
    assert [p for p in locked.pulses() if p.start_cycle > quiet] == []
    assert locked.newest_status().cause == Cause.WRONG_SESSION


def test_a_replayed_frame_changes_nothing_and_renews_no_lease(armed: ImageBench) -> None:
    tick, _ = armed.clock()
    loud = armed.voices(0, slot(2000, 400), now=tick, lease=200_000)
    data = encode_frame(loud.TYPE, 0, loud.payload())
    wires(armed, armed.now, data)
    for output in (1, 2, 3):
        armed.sound(output)
    armed.run_for(10 * CYCLES_PER_MS)
    assert len(armed.pulses()) > 5
    armed.run_to(armed.send(armed.voices(0, now=tick, lease=200_000)))  # silence, its lease too
    armed.run_for(2 * CYCLES_PER_MS)
    silent = armed.now
    expires = armed.cycle_of(tick + 200_000)
    while armed.now < expires + CYCLES_PER_MS:
        wires(armed, armed.now, data)
        armed.run_for(3 * CYCLES_PER_MS)
    assert [p for p in armed.pulses() if p.start_cycle > silent] == []
    armed.run_for(5 * CYCLES_PER_MS)
    status = armed.newest_status()
    assert (status.state, status.cause) == (State.TRIPPED, Cause.LEASE_EXPIRED)
    told = next(m.now for _, m in armed.messages if isinstance(m, Status) and m.state == 2)
    assert 0 <= told - (tick + 200_000) < 2000


@pytest.mark.parametrize(
    "message",
    [Hello(), Limits(ceilings(0)), Limits(OutputLimits(1, TEN_MS_TICKS, 1, 65_535, 2_000_000))],
)
def test_setting_up_while_armed_is_dark_and_a_trip(
    armed: ImageBench, message: Hello | Limits
) -> None:
    note = slot(1500, 400)
    armed.play(o0=(note,), o1=(note,), o2=(note,), o3=(note,))
    armed.run_for(12 * CYCLES_PER_MS)
    assert len(armed.pulses()) > 30
    end = armed.send(message)
    armed.run_to(end + 60 * CYCLES_PER_MS)
    assert max(p.start_cycle + (p.on_cycles or 0) for p in armed.pulses()) <= end + CYCLES_PER_MS
    assert armed.newest_status().cause == Cause.SETUP_WHILE_ARMED
    armed.reset_trip()
    armed.ask(Hello(), Identity)
    assert judge(armed) > 30


@pytest.mark.parametrize("output", range(4))
def test_pulses_of_10_ms_are_never_lit(armed: ImageBench, output: int) -> None:
    """However they are dressed; beside them lawful ones are, so that the output does work."""
    for on in (TEN_MS_TICKS, 65_535, CEILINGS[0] + 1):
        armed.sound(output, slot(24_000, on, bangs=3), slot(5000, on, bangs=3, start=2))
        armed.run_for(30 * CYCLES_PER_MS)
    assert armed.pulses() == []
    for other in range(4):
        armed.sound(other, slot(8000, CEILINGS[0], start=3, bangs=2, phase=128))
    armed.run_for(30 * CYCLES_PER_MS)
    assert [p.on_cycles for p in armed.pulses()] == [CEILINGS[0] * CYCLES_PER_TICK] * 8
    assert armed.newest_status().per_output[output].last_guard_reason == GuardReason.ON_TIME


def test_old_nonces_arm_and_reset_nothing(locked: ImageBench) -> None:
    digest = locked.set_limits()
    old = locked.nonce()
    used = locked.nonce()
    assert locked.ask(Arm(used, digest), Armed).nonce == used
    locked.run_to(locked.send(Stop(1)) + 5 * CYCLES_PER_MS)
    trip = locked.newest_status().trip_number
    for nonce in (old, used, 0, used + 1):
        assert locked.ask(Reset(trip, nonce), Refusal).reason == Reason.BAD_NONCE
    locked.reset_trip()
    stale = locked.nonce()
    for nonce in (old, used, 0, stale + 1):
        assert locked.ask(Arm(nonce, digest), Refusal).reason == Reason.BAD_NONCE
    locked.run_for(2050 * CYCLES_PER_MS)
    assert locked.ask(Arm(stale, digest), Refusal).reason == Reason.BAD_NONCE
    assert locked.status().state == State.LOCKED
    assert locked.pulses() == []
    assert locked.ask(Arm(locked.nonce(), digest), Armed)  # the control


def test_the_judge_sees_what_a_pin_does(armed: ImageBench) -> None:
    """The control of all above: a pin that is really lit too long, too close, too often, or while
    locked, is called so; a bang that was asked for is not."""
    armed.sound(0, slot(8000, 100, bangs=1))
    armed.run_for(10 * CYCLES_PER_MS)
    (bang,) = armed.pulses()
    for k in range(3):
        armed.force_at(armed.now + k * 20_000, OUTPUT_PINS[2], 1)
        armed.force_at(armed.now + k * 20_000 + 8000, OUTPUT_PINS[2], None)
    armed.run_for(20 * CYCLES_PER_MS)
    found = [p for p in armed.pulses() if p.output == 2]
    assert [p.on_cycles for p in found] == [8000] * 3
    tight = OutputLimits(2, 900, 2000, 2, 2500)
    kinds = {v.kind for v in unlawful(found, tight)}
    assert kinds == {"on-time", "off-time", "break rate", "duty"}
    # By chance a check of the pins has found one of these; tripped for sure after a stop.
    armed.run_to(armed.send(Stop(1)) + 60 * CYCLES_PER_MS)
    armed.force_at(armed.now, OUTPUT_PINS[2], 1)
    armed.force_at(armed.now + 100, OUTPUT_PINS[2], None)
    armed.run_for(20 * CYCLES_PER_MS)
    assert armed.newest_status().state == State.TRIPPED
    outside = outside_armed(armed, armed.pulses())
    assert bang not in outside
    assert armed.pulses()[-1] in outside
