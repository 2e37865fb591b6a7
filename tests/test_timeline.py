"""When music takes effect: delays, lead, chords, distances and the speed of sound."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.timeline import (
    FRAME_S,
    LEAD_S,
    LEAST_LEAD_S,
    MOST_AHEAD_S,
    NEAR_FRAME_S,
    SLACK_S,
    Timeline,
    acoustic_offsets_s,
    speed_of_sound_m_s,
)
from tests.site_text import site

LOUDSPEAKER_NEAR = ("loudspeaker_distance_m = 18\n", "loudspeaker_distance_m = 24\n")
FAR = (
    "duty_windows = [{ window_ms = 1000, max_percent = 4 }]",
    "duty_windows = [{ window_ms = 1000, max_percent = 4 }]\ndistance_to_audience_m = 29",
)
IMMEDIATE = ('timing = "fixed_delay"\ndelay_ms = 60\n', "")
NEAR = 0.005 + NEAR_FRAME_S
"""The links of the site here may jitter by 5 ms."""
ON = bytes((0x90, 60, 100))
OFF = bytes((0x80, 60, 0))


def delay(ms: float) -> tuple[str, str]:
    return ("delay_ms = 60", f"delay_ms = {ms:g}")


@pytest.mark.parametrize(
    ("temperature_c", "speed_m_s"),
    [(0.0, 331.3), (5.0, 334.3), (20.0, 343.2)],  # handbook values, dry air
)
def test_the_speed_of_sound_is_the_handbooks(temperature_c: float, speed_m_s: float) -> None:
    assert speed_of_sound_m_s(temperature_c) == pytest.approx(speed_m_s, abs=0.05)


@pytest.mark.parametrize("temperature_c", [-40.0, -10.0, 10.0, 30.0, 50.0])
def test_the_speed_of_sound_is_the_standards_over_all_that_may_be_entered(
    temperature_c: float,
) -> None:
    """ISO 9613-1:1993: 343.2 m/s times the root of T over 293.15 K."""
    standard = 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)
    assert speed_of_sound_m_s(temperature_c) == pytest.approx(standard, abs=0.05)


def test_the_farther_coil_fires_earlier_by_its_way_over_the_speed() -> None:
    config = site(FAR)
    offsets = acoustic_offsets_s(config)
    speed = 331.3 * math.sqrt(1 + 2 / 273.15)  # the site's 2 °C, handbook formula
    assert offsets["Larkspur"] - offsets["Foxglove"] == pytest.approx((29 - 24) / speed, rel=1e-12)
    # Together with the loudspeakers: sound from each leaves so as to arrive with the others'.
    for name, metres in (("Larkspur", 24.0), ("Foxglove", 29.0)):
        assert offsets[name] + metres / speed == pytest.approx(18 / speed, rel=1e-12)


def test_without_loudspeakers_the_farthest_coil_is_the_reference() -> None:
    config = site(("loudspeaker_distance_m = 18\n", ""), FAR)
    offsets = acoustic_offsets_s(config)
    assert offsets["Foxglove"] == 0
    assert offsets["Larkspur"] == pytest.approx(5 / speed_of_sound_m_s(2.0), rel=1e-12)


def test_a_coil_without_a_distance_is_not_moved() -> None:
    assert acoustic_offsets_s(site())["Foxglove"] == 0


def test_an_immediate_site_has_no_lead_and_no_offsets() -> None:
    timeline = Timeline(site(IMMEDIATE))
    assert not timeline.scheduled
    assert timeline.lead_s == 0
    assert timeline.offsets_s == {}
    assert timeline.problems == []
    timeline.put(10.0, "DAW", ON)
    assert timeline.due(10.0) == (10.0, [("DAW", ON)])


def test_a_delayed_event_takes_effect_in_time_though_handed_over_late() -> None:
    for late_s in (0.0, 0.001, SLACK_S * 0.999):
        timeline = Timeline(site(LOUDSPEAKER_NEAR, delay(25)))
        arrived = 100.0
        assert timeline.due(arrived + late_s) is None  # the loop was here a moment before
        timeline.put(arrived, "DAW", ON)
        due_s = timeline.next_s()
        assert timeline.due(due_s - 2e-9) is None
        at_s, group = timeline.due(max(due_s, arrived + late_s)) or (math.nan, [])
        assert at_s == pytest.approx(arrived + 0.025, abs=2e-9)
        assert group == [("DAW", ON)]


def test_an_event_is_decided_one_lead_before_it_takes_effect() -> None:
    timeline = Timeline(site(LOUDSPEAKER_NEAR, delay(60)))
    timeline.put(100.0, "DAW", ON)
    assert timeline.next_s() == pytest.approx(100.060 - timeline.lead_s, abs=2e-9)
    assert timeline.now_s(timeline.next_s()) == pytest.approx(100.060, abs=2e-9)


def test_an_immediate_input_beside_a_delayed_one_waits_for_no_lead() -> None:
    timeline = Timeline(site(LOUDSPEAKER_NEAR, delay(60)))
    assert timeline.near == {"Keyboard"}
    timeline.put_near(100.0, "Keyboard", ON)
    assert timeline.next_s() == pytest.approx(100.0, abs=2e-9)
    assert timeline.due_near(100.0) == (pytest.approx(100.0 + NEAR), [("Keyboard", ON)])
    assert timeline.due(101.0) is None
    assert timeline.problems == []


def test_nothing_waits_for_ever_when_nothing_waits() -> None:
    timeline = Timeline(site())
    assert timeline.next_s() == math.inf
    assert timeline.due(1e9) is None


def test_a_chord_is_one_group_in_its_order() -> None:
    timeline = Timeline(site(LOUDSPEAKER_NEAR))
    for n in range(5):
        timeline.put(100.0 + n * 0.00004, "DAW", bytes((0x90, 60 + n, 100)))
    timeline.put(100.0005, "DAW", OFF)
    at_s, group = timeline.due(101.0) or (0.0, [])
    assert at_s == pytest.approx(100.060, abs=2e-9)
    assert [m[1] for _, m in group] == [60, 61, 62, 63, 64]
    at_s, group = timeline.due(101.0) or (0.0, [])
    assert at_s == pytest.approx(100.0605, abs=2e-9)
    assert group == [("DAW", OFF)]
    assert timeline.due(101.0) is None


def test_a_group_never_holds_what_is_not_due_yet() -> None:
    timeline = Timeline(site(LOUDSPEAKER_NEAR))
    timeline.put(100.0, "DAW", ON)
    timeline.put(100.0001, "DAW", OFF)
    _, group = timeline.due(timeline.next_s() + 1e-6) or (0.0, [])
    assert group == [("DAW", ON)]


def test_equal_times_keep_the_order_of_arrival() -> None:
    timeline = Timeline(site(LOUDSPEAKER_NEAR))
    messages = [bytes((0xB0, 64, n)) for n in (127, 0, 5, 3, 90)]
    for message in messages:
        timeline.put(100.0, "DAW", message)
    _, group = timeline.due(101.0) or (0.0, [])
    assert [m for _, m in group] == messages


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 0.05),
            st.floats(0, 0.03),
            st.sampled_from(["DAW", "Keyboard"]),
        ),
        max_size=30,
    )
)
def test_the_music_never_runs_backwards(steps: list[tuple[float, float, str]]) -> None:
    """Whatever is handed over late: times never decrease, nor fall behind what was passed."""
    timeline = Timeline(site(LOUDSPEAKER_NEAR))
    now_s, passed_s, put, taken = 50.0, -math.inf, 0, 0
    for step_s, late_s, name in steps:
        now_s += step_s
        timeline.put(now_s - late_s, name, ON)
        put += 1
        while (group := timeline.due(now_s)) is not None:
            assert group[0] >= passed_s
            assert group[0] <= timeline.now_s(now_s)
            passed_s = group[0]
            taken += len(group[1])
        passed_s = max(passed_s, timeline.now_s(now_s))
    while (group := timeline.due(now_s + 1)) is not None:
        assert group[0] >= passed_s
        passed_s = group[0]
        taken += len(group[1])
    assert taken == put


def test_a_lost_input_takes_only_its_own_events_along() -> None:
    timeline = Timeline(site(LOUDSPEAKER_NEAR))
    timeline.put(100.0, "Keyboard", ON)
    timeline.put(100.0, "DAW", ON)
    timeline.put(100.001, "Keyboard", OFF)
    timeline.drop_input("Keyboard")
    _, group = timeline.due(101.0) or (0.0, [])
    assert group == [("DAW", ON)]
    assert timeline.due(101.0) is None


def test_hush_forgets_notes_that_wait() -> None:
    timeline = Timeline(site(LOUDSPEAKER_NEAR))
    timeline.put(100.0, "DAW", ON)
    timeline.drop_notes()
    assert timeline.next_s() == math.inf


def test_the_lead_is_the_slack_below_the_delay_and_no_more_than_needed() -> None:
    assert Timeline(site(LOUDSPEAKER_NEAR, delay(20))).lead_s == pytest.approx(0.020 - SLACK_S)
    assert Timeline(site(LOUDSPEAKER_NEAR, delay(100))).lead_s == pytest.approx(LEAD_S)
    early = 6 / speed_of_sound_m_s(2.0)  # Larkspur at 24 m, loudspeakers at 18 m
    assert Timeline(site(delay(100))).lead_s == pytest.approx(LEAD_S + early)


def test_every_event_can_be_sent_before_its_coil_fires() -> None:
    """A lead without faults leaves the least time for the coil that fires earliest."""
    for ms in range(1, 150):
        timeline = Timeline(site(delay(ms)))
        room_s = timeline.lead_s + min(timeline.offsets_s.values())
        assert (room_s >= LEAST_LEAD_S - 1e-9) is (timeline.faults == [])


def test_a_delay_that_is_too_short_says_what_is_enough() -> None:
    (fault,) = Timeline(site(delay(10))).faults
    assert fault.startswith('input[1].delay_ms (of "DAW"): 10 is too short')
    assert "18.0 ms early" in fault  # 6 m / 332.5 m/s = 18.05 ms
    enough = float(fault.rsplit(" ", 1)[1])
    assert Timeline(site(delay(enough))).faults == []


@pytest.mark.parametrize(("metres", "fine"), [(24.0, True), (50.0, True), (80.0, False)])
def test_sources_so_far_apart_that_a_queue_would_overflow_are_a_fault(
    metres: float, fine: bool
) -> None:
    timeline = Timeline(
        site(("loudspeaker_distance_m = 18\n", f"loudspeaker_distance_m = {metres}\n"))
    )
    ahead_s = timeline.lead_s + max(timeline.offsets_s.values())
    assert (ahead_s <= MOST_AHEAD_S) is fine
    assert (timeline.faults == []) is fine
    if not fine:
        assert timeline.faults[0].startswith('coil[1].distance_to_audience_m (of "Larkspur")')


def test_the_most_ahead_fits_a_controllers_queue_and_its_rule() -> None:
    """PROTOCOL.md, section 7: a queue holds at least 16 frames; apply_at at most 250 ms ahead."""
    motion_s = 0.009
    assert MOST_AHEAD_S / motion_s + 1 < 16
    assert MOST_AHEAD_S < 0.250


def jittery(ms: float) -> tuple[str, str]:
    return ("link_jitter_ms = 5", f"link_jitter_ms = {ms:g}")


def test_the_lead_takes_in_what_a_link_may_hold_back() -> None:
    timeline = Timeline(site(delay(150), jittery(50)))
    offsets = acoustic_offsets_s(site(delay(150)))
    assert timeline.lead_s >= 0.050 + FRAME_S - min(0.0, *offsets.values()) - 1e-9
    assert held_back(timeline) == []


def held_back(timeline: Timeline) -> list[str]:
    return [p for p in timeline.problems if "hold frames" in p]


def test_a_delay_too_short_for_the_links_jitter_is_said() -> None:
    timeline = Timeline(site(delay(45), jittery(50)))
    assert not timeline.faults
    (problem,) = held_back(timeline)
    assert "50 ms" in problem
    needed = math.ceil(1000 * (0.050 + FRAME_S + SLACK_S - min(0.0, *timeline.offsets_s.values())))
    assert f"a delay of {needed} ms" in problem
    assert held_back(Timeline(site(delay(needed), jittery(50)))) == []


def test_what_is_near_is_no_nearer_than_the_link_may_hold_a_frame_back() -> None:
    """Nearer, boards refuse frames as too late, and a lease may run out (15 % loss, 50 ms)."""
    timeline = Timeline(site(IMMEDIATE, ("link_jitter_ms = 5", "link_jitter_ms = 40")))
    assert timeline.ahead_s >= 0.040 + NEAR_FRAME_S - 1e-9
