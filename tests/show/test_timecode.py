"""Time code against published counts, the specification's layout, and mido's encoding."""

from __future__ import annotations

import random

import mido
import pytest

from bridge.clocks import HostS
from bridge.show.follower import FREEWHEEL_S, Follower, Lock
from bridge.show.mtc import ClockReader, Heard, MtcReader, Observation
from bridge.show.timecode import FrameRate, Timecode
from tests.show.labels import label, ten_minutes

RATES = list(FrameRate)


@pytest.mark.parametrize(
    ("place", "count"),
    [
        # SMPTE ST 12-1, drop-frame counting; the totals as commonly printed (from memory).
        ((0, 0, 59, 29), 1799),
        ((0, 1, 0, 2), 1800),
        ((0, 9, 59, 29), 17_981),
        ((0, 10, 0, 0), 17_982),
        ((1, 0, 0, 0), 107_892),
        ((23, 59, 59, 29), 2_589_407),
    ],
)
def test_drop_frame_counts_are_the_standards(place: tuple[int, int, int, int], count: int) -> None:
    assert Timecode(*place, FrameRate.FPS_30_DROP).count == count


def test_drop_frame_leaves_out_two_labels_a_minute_but_the_tenth() -> None:
    minutes = [m for m in range(60) if _exists(m)]
    assert minutes == [0, 10, 20, 30, 40, 50]


def _exists(minute: int) -> bool:
    try:
        Timecode(0, minute, 0, 1, FrameRate.FPS_30_DROP)
    except ValueError:
        return False
    return True


@pytest.mark.parametrize("rate", RATES)
def test_every_label_counts_one_more_than_the_one_before(rate: FrameRate) -> None:
    """Ten minutes' labels written down in turn, and some of the rest of the day."""
    draw = random.Random(3)
    hour = 6 * len(ten_minutes(rate))
    for count in [*range(18_000), *(draw.randrange(24 * hour) for _ in range(2000))]:
        assert label(count, rate).count == count


def test_an_hour_of_drop_frame_is_an_hour_to_four_milliseconds() -> None:
    # 107,892 frames at 30,000/1,001 a second: 3.6 ms short of 3600 s.
    position_s = Timecode(1, 0, 0, 0, FrameRate.FPS_30_DROP).position_s
    assert position_s == pytest.approx(3599.9964, abs=1e-6)


def test_a_wrong_label_says_what_is_wrong() -> None:
    with pytest.raises(ValueError, match="left out in drop-frame"):
        Timecode.parse("00:01:00:00", FrameRate.FPS_30_DROP)
    with pytest.raises(ValueError, match="no such time"):
        Timecode.parse("00:00:00:25", FrameRate.FPS_25)


def quarter_frames(rate: FrameRate, first: int, pieces: int) -> list[bytes]:
    """As a sender spells them, encoded by mido; the layout is the specification's table."""
    found: list[bytes] = []
    bits = {
        FrameRate.FPS_24: 0,
        FrameRate.FPS_25: 1,
        FrameRate.FPS_30_DROP: 2,
        FrameRate.FPS_30: 3,
    }[rate]
    for index in range(pieces):
        code = label(first + index // 8 * 2, rate)
        values = [
            code.frames & 15,
            code.frames >> 4,
            code.seconds & 15,
            code.seconds >> 4,
            code.minutes & 15,
            code.minutes >> 4,
            code.hours & 15,
            code.hours >> 4 | bits << 1,
        ]
        piece = index % 8
        message = mido.Message("quarter_frame", frame_type=piece, frame_value=values[piece])
        found.append(bytes(message.bytes()))
    return found


def run(
    reader: MtcReader, rate: FrameRate, messages: list[bytes], skip: frozenset[int] = frozenset()
) -> list[Observation]:
    seen: list[Observation] = []
    for index, message in enumerate(messages):
        if index in skip:
            continue
        at_s = HostS(10 + index / (4 * float(rate.frames_per_s)))
        observation = reader.feed(at_s, message)
        if observation is not None:
            seen.append(observation)
    return seen


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("place", [(0, 0, 0, 0), (1, 9, 58, 10), (23, 10, 0, 20)])
def test_quarter_frames_tell_where_the_sender_is(
    rate: FrameRate, place: tuple[int, int, int, int]
) -> None:
    """Piece 0 leaves at the frame it spells, so position minus time is one constant throughout."""
    start = Timecode(*place, rate)
    seen = run(MtcReader(), rate, quarter_frames(rate, start.count, 400))
    assert len(seen) == 400 - 7
    for observation in seen:
        assert observation.heard is Heard.RUNS
        assert observation.position - (observation.host_s - 10) == pytest.approx(
            start.position_s, abs=1e-6
        )


@pytest.mark.parametrize("lost", range(8))
def test_a_lost_quarter_frame_gives_no_wrong_position(lost: int) -> None:
    rate, start = FrameRate.FPS_25, 4321
    reader = MtcReader()
    seen = run(reader, rate, quarter_frames(rate, start, 200), frozenset({80 + lost}))
    assert all(abs(o.position - (o.host_s - 10) - start / 25) < 1e-6 for o in seen)
    assert seen[-1].host_s == pytest.approx(10 + 199 / 100)
    # Silent until the next eight came whole: the last of those is piece 95.
    again = next(o for o in seen if o.host_s > 10 + (80 + lost) / 100)
    assert again.host_s == pytest.approx(10 + 95 / 100)


def test_a_sender_that_runs_backwards_is_said_so_and_gives_no_position() -> None:
    messages = quarter_frames(FrameRate.FPS_30, 9000, 64)
    reader = MtcReader()
    run(reader, FrameRate.FPS_30, messages)
    back = run(reader, FrameRate.FPS_30, messages[::-1])
    assert len(back) > 55
    assert all(o.heard is Heard.BACKWARDS for o in back)
    again = run(reader, FrameRate.FPS_30, messages)
    assert all(o.heard is Heard.RUNS for o in again)
    assert len(again) > 50


@pytest.mark.parametrize("rate", RATES)
def test_a_full_frame_is_a_place(rate: FrameRate) -> None:
    code = Timecode(17, 23, 45, 12, rate)
    hour = 17 | RATES.index(rate) << 5
    body = [0x7F, 0x7F, 0x01, 0x01, hour, 23, 45, 12]
    message = bytes(mido.Message("sysex", data=body).bytes())
    reader = MtcReader()
    seen = reader.feed(HostS(0.0), message)
    assert seen == Observation(HostS(0.0), Heard.STANDS, code.position_s)
    assert reader.rate is rate


def test_any_bytes_do_nothing_worse_than_nothing() -> None:
    draw = random.Random(5)
    reader, clock = MtcReader(), ClockReader()
    for index in range(20_000):
        status = draw.choice([0xF0, 0xF1, 0xF2, 0xF8, 0xFA, 0xFB, 0xFC, 0x90, 0xFE])
        body = bytes(draw.randrange(128) for _ in range(draw.choice([0, 1, 2, 9])))
        reader.feed(HostS(index / 1000), bytes([status]) + body)
        clock.feed(HostS(index / 1000), bytes([status]) + body)


def test_clock_and_song_position_count_quarter_notes() -> None:
    """24 clocks a quarter note, a song position counts sixteenths (MIDI 1.0, from memory)."""
    reader = ClockReader()

    def feed(kind: str, **values: int) -> Observation | None:
        return reader.feed(HostS(0.0), bytes(mido.Message(kind, **values).bytes()))

    assert feed("clock") is None  # runs, but the song does not
    feed("start")
    positions = [o.position for _ in range(25) if (o := feed("clock")) is not None]
    assert positions[0] == 0.0
    assert positions[24] == 1.0
    stopped = feed("stop")
    assert stopped is not None
    assert stopped.heard is Heard.STOPPED
    assert feed("clock") is None
    feed("songpos", pos=16)
    feed("continue")
    first = feed("clock")
    assert first is not None
    assert first.position == 4.0


def chase(rate: FrameRate, spans: list[tuple[float, float, float]], until_s: float) -> Follower:
    """A follower that heard `spans` of code: (from host s, to host s, position at its start)."""
    follower, draw = Follower(), random.Random(1)
    reader = MtcReader()
    for begin_s, end_s, position_s in spans:
        first = round(position_s * float(rate.frames_per_s))
        pieces = int((end_s - begin_s) * 4 * float(rate.frames_per_s))
        for index, message in enumerate(quarter_frames(rate, first, pieces)):
            at_s = begin_s + index / (4 * float(rate.frames_per_s)) + draw.expovariate(2000)
            if (seen := reader.feed(HostS(at_s), message)) is not None:
                follower.observe(seen)
    follower.advance(HostS(until_s))
    return follower


@pytest.mark.parametrize("rate", RATES)
def test_locks_and_is_in_place_within_a_millisecond(rate: FrameRate) -> None:
    follower = chase(rate, [(5.0, 9.0, 3600.0)], 9.0)
    assert follower.lock is Lock.LOCKED
    first = round(3600 * float(rate.frames_per_s)) / float(rate.frames_per_s)
    expected = first + 4.0
    assert follower.map.position_at(HostS(9.0)) == pytest.approx(expected, abs=0.001)


def test_freewheels_over_a_gap_and_stops_when_the_code_stays_away() -> None:
    rate = FrameRate.FPS_25
    assert chase(rate, [(0.0, 3.0, 60.0)], 3.3).lock is Lock.FREEWHEEL
    assert chase(rate, [(0.0, 3.0, 60.0), (3.3, 4.3, 63.32)], 4.3).lock is Lock.LOCKED
    assert chase(rate, [(0.0, 3.0, 60.0)], 3.0 + FREEWHEEL_S + 0.05).lock is Lock.STOPPED


def test_relocates_without_a_stop_between() -> None:
    follower = chase(FrameRate.FPS_24, [(0.0, 3.0, 60.0), (3.0, 6.0, 120.0)], 6.0)
    assert follower.lock is Lock.LOCKED
    assert follower.map.position_at(HostS(6.0)) == pytest.approx(123.0, abs=0.001)


def test_backwards_is_a_stop() -> None:
    follower = chase(FrameRate.FPS_25, [(0.0, 3.0, 60.0)], 3.0)
    assert follower.observe(Observation(HostS(3.0), Heard.BACKWARDS, 0.0))
    assert follower.lock is Lock.STOPPED
