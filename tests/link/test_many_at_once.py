"""A stretch of pulses decided at once is the same stretch decided pulse by pulse."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.link.simulated_scheduler import OutputScheduler
from firmware_protocol.messages import COMPILED_CEILINGS, MAX_SLOTS, OutputLimits, Slot

LOOSE = OutputLimits(0, 800, 200, 2000, 240_000)
TIGHT = OutputLimits(0, 300, 900, 400, 60_000, 20, 2_000, 100, 9_000)
"""Of which the guard refuses much."""

slots = st.builds(
    Slot,
    start=st.integers(0, 3),
    bangs=st.sampled_from((0, 0, 1, 3, 40)),
    spread=st.sampled_from((0, 0, 60, 128)),
    phase=st.sampled_from((0, 128, 200)),
    on_ticks=st.sampled_from((1, 100, 280, 500, 900)),
    step=st.sampled_from((0, 1, 400)),
    period=st.sampled_from((51_200, 300_000, 600_000, 1_163_636, 2_327_272, 9_000_000)),
)
frames = st.lists(
    st.tuples(
        st.integers(0, 200_000),
        st.lists(st.none() | slots, max_size=MAX_SLOTS).map(tuple),
    ),
    min_size=1,
    max_size=12,
)


def output(limits: OutputLimits | None) -> OutputScheduler:
    made = OutputScheduler(0, COMPILED_CEILINGS, 0, MAX_SLOTS)
    if limits is not None:
        made.guard.set_limits(limits)
    made.arm()
    return made


@settings(max_examples=200, deadline=None)
@given(st.sampled_from((LOOSE, TIGHT, None)), frames, st.sampled_from((None, 3, 7)))
def test_a_stretch_at_once_is_pulse_by_pulse(
    limits: OutputLimits | None,
    told: list[tuple[int, tuple[Slot | None, ...]]],
    dark_after: int | None,
) -> None:
    one, other = output(limits), output(limits)
    tick = 0
    for number, (gap, what) in enumerate(told):
        one.apply(tick, what)
        other.apply(tick, what)
        if number == dark_after:
            one.go_dark(tick + 50)
            other.go_dark(tick + 50)
        tick += gap + 50
        while one.next_tick < tick:
            one.decide(one.next_tick)
        other.run_before(tick)
        assert one.next_tick == other.next_tick
        assert one.take_pulses(tick) == other.take_pulses(tick)
        assert one.is_lit(tick) == other.is_lit(tick)
        counts = "pulses collisions_dropped guard_refusals last_guard_reason refused_for"
        for name in counts.split():
            assert getattr(one, name) == getattr(other, name), name


def test_those_stretches_have_everything_in_them() -> None:
    """What the comparison above rests on: drops, refusals, bursts that end."""
    busy = output(TIGHT)
    burst = Slot(1, 5, 128, 0, 100, 0, 600_000)
    busy.apply(0, (burst, *(Slot(1, 0, 0, 0, 280, 0, 300_000 + n) for n in range(3))))
    busy.run_before(400_000)
    assert busy.collisions_dropped > 10
    assert busy.guard_refusals > 10
    assert busy.pulses > 50
