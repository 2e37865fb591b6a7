"""A recorded performance through today's Engine: the very same frames, or the first difference."""

from __future__ import annotations

import pytest

from bridge import entries
from bridge.config import Config
from bridge.journal.night import Night
from bridge.journal.replay import Comparison, replay
from bridge.journal.values import Event, Missing, Wrote
from tests.running_site import Site


@pytest.fixture(scope="module")
def night(run: tuple[Site, Night]) -> Night:
    return run[1]


def through(night: Night, events: list[Event], config: Config | None = None) -> Comparison:
    config = config or night.config()
    return replay(config, night.source(config), night.latch(), events)


def test_a_recorded_performance_gives_identical_frames(night: Night) -> None:
    found = through(night, list(night.read()))
    assert found.difference is None
    assert found.same
    assert found.writes > 100
    assert found.records > 5
    assert found.writes == sum(isinstance(e, Wrote) for e in night.read())


def test_a_message_left_out_is_the_first_difference(night: Night) -> None:
    events = list(night.read())
    at, left_out = next(
        (n, e) for n, e in enumerate(events) if isinstance(e, entries.Midi) and e.message[1] == 52
    )
    found = through(night, events[:at] + events[at + 1 :])
    assert found.difference is not None
    assert found.difference.what.startswith("what North was sent")
    assert 0 <= found.difference.at_s - left_out.at_s < 0.05


def test_a_frame_altered_by_a_bit_is_found(night: Night) -> None:
    events = list(night.read())
    at = [n for n, e in enumerate(events) if isinstance(e, Wrote) and len(e.data) > 20][40]
    wrote = events[at]
    assert isinstance(wrote, Wrote)
    spoiled = wrote._replace(data=bytes((wrote.data[0] ^ 1,)) + wrote.data[1:])
    found = through(night, [*events[:at], spoiled, *events[at + 1 :]])
    assert found.difference is not None
    assert found.difference.at_s == wrote.at_s


def test_other_limits_would_have_been_another_night(night: Night) -> None:
    config = night.config()
    tighter = config.coil[0].model_copy(update={"max_on_time_us": 90.0})
    other = config.model_copy(update={"coil": (tighter, *config.coil[1:])})
    found = through(night, list(night.read()), other)
    assert found.difference is not None


def test_a_record_that_is_told_otherwise_is_found(night: Night) -> None:
    events = list(night.read())
    at = next(n for n, e in enumerate(events) if "planted" in str(getattr(e, "line", "")))
    found = through(night, [*events[:at], *events[at + 1 :]])
    assert found.difference is not None
    assert found.difference.what == "what was reported"


def test_where_things_are_missing_it_says_so_and_compares_no_further(night: Night) -> None:
    events = list(night.read())
    half = len(events) // 2
    at_s = events[half].at_s
    found = through(night, [*events[:half], Missing(at_s, 12, at_s), *events[half + 20 :]])
    assert found.difference is None
    assert found.stopped == "12 things are missing here"
    assert not found.same
