"""The session by itself: what it says and does not say, with bytes and times in hand."""

from __future__ import annotations

import pytest

from bridge.link.greeting import Phase
from bridge.link.outbox import MOST_URGENT
from bridge.link.session import STUCK_BYTES, Session
from bridge.link.stopping import STOP_REPEAT_S
from firmware_protocol import messages as m
from firmware_protocol.catalogue import StopSource
from firmware_protocol.framing import FrameReader

STOP = m.Stop.TYPE


def opened() -> Session:
    session = Session("Rack", 0xC0110001, 500_000, {})
    session.link_up(0.0)
    session.advance(0.0)
    session.collect(0.0)
    return session


def types(data: bytes) -> list[int]:
    return [f.type_code for f in FrameReader().feed(data)]


def test_a_flood_of_stops_throws_none_of_its_own_frames_away() -> None:
    session = opened()
    discards, stops, breaks = 0, 0, 0
    for number in range(100):
        now_s = 1.0 + number * 1e-4
        session.stop(now_s, StopSource.OPERATOR)
        out = session.collect(now_s)
        if out is not None:
            discards += out.discard
            stops += types(out.data).count(STOP)
            breaks += out.line_break
    assert (discards, breaks) == (1, 1)
    assert stops == 1 + int(0.01 / STOP_REPEAT_S)


def test_a_stop_is_said_again_until_a_status_confirms_it() -> None:
    session = opened()
    session.stop(1.0, StopSource.MIDI)
    now_s, said = 1.0, 0
    while now_s < 2.0:
        out = session.collect(now_s)
        said += out is not None and STOP in types(out.data)
        assert session.next_deadline_s() <= now_s + STOP_REPEAT_S + 1e-9
        now_s += STOP_REPEAT_S
    assert said > 120
    assert session.stopping


def test_the_newest_source_is_what_a_repeat_says() -> None:
    session = opened()
    session.stop(1.0, StopSource.MIDI)
    session.collect(1.0)
    session.stop(1.001, StopSource.OPERATOR)
    out = session.collect(1.0 + STOP_REPEAT_S)
    assert out is not None
    frame = FrameReader().feed(out.data)[-1]
    assert m.Stop.parse(frame.payload).source == StopSource.OPERATOR


def test_a_line_that_does_not_drain_gets_a_first_stop_and_no_more() -> None:
    session = opened()
    for number in range(2000):
        now_s = 1.0 + number * 0.01
        session.advance(now_s)
        assert session.collect(now_s, STUCK_BYTES + 1) is None
    assert session.outbox.waiting <= MOST_URGENT
    session.stop(30.0, StopSource.OPERATOR)
    out = session.collect(30.0, STUCK_BYTES + 1)
    assert out is not None
    assert out.discard
    assert types(out.data) == [STOP]
    for number in range(100):
        assert session.collect(30.0 + number * STOP_REPEAT_S, STUCK_BYTES + 1) is None
    assert session.stopping


def test_a_break_that_is_not_over_is_one_of_the_facts() -> None:
    session = opened()
    assert not session.facts(1.0).break_pending
    session.stop(1.0, StopSource.OPERATOR)
    out = session.collect(1.0)
    assert out is not None
    assert out.line_break
    assert session.facts(1.0).break_pending
    session.break_done(1.005)
    assert not session.facts(1.005).break_pending


def test_a_lost_link_forgets_the_break() -> None:
    session = opened()
    session.stop(1.0, StopSource.OPERATOR)
    session.collect(1.0)
    session.link_down("unplugged")
    assert not session.facts(1.0).break_pending
    assert session.phase is Phase.DOWN
    session.link_up(2.0)
    out = session.collect(2.0)
    assert out is not None
    assert STOP in types(out.data), "a stop outlives the link"


@pytest.mark.parametrize("reported", [0, 60, STUCK_BYTES])
def test_a_line_that_drains_is_never_kept_waiting(reported: int) -> None:
    session = opened()
    session.advance(1.0)
    assert session.collect(1.0, reported) is not None
