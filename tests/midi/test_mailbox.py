"""The mailbox between the reading thread and the loop, with a wakeup that the test turns itself."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.midi.mailbox import TURN_S, Mailbox, silencing_key
from bridge.midi.parts import PortState

NOTE_ON = b"\x90\x3c\x64"
NOTE_OFF = b"\x80\x3c\x00"
STOP = b"\xb0\x50\x7f"


class Desk:
    """A mailbox, and a loop that runs only when told to.

    `burst`: so many messages take the time that one turn may take.
    """

    def __init__(self, bound: int = 8, burst: int = 4) -> None:
        self.wakeups: list[Callable[[], None]] = []
        self.got: list[tuple[float, bytes | PortState]] = []
        self._now_s = 0.0
        self._message_s = 1.0001 * TURN_S / burst
        self.box = Mailbox(
            self._take,
            self._take,
            self.wakeups.append,
            bound=bound,
            is_stop=lambda message: message == STOP,
            clock=lambda: self._now_s,
        )

    def _take(self, at_s: float, item: bytes | PortState) -> None:
        self.got.append((at_s, item))
        self._now_s += self._message_s

    def turn(self) -> None:
        """One turn of the loop: the wakeups that are pending now, not those they cause."""
        pending, self.wakeups[:] = list(self.wakeups), []
        for wakeup in pending:
            wakeup()

    def finish(self) -> list[bytes | PortState]:
        while self.wakeups:
            self.turn()
        return [item for _, item in self.got]


def test_a_batch_is_one_wakeup_and_keeps_its_order() -> None:
    desk = Desk(bound=100, burst=100)
    for number in range(50):
        desk.box.put(float(number), bytes((0xB0, 1, number)))
    assert len(desk.wakeups) == 1
    desk.turn()
    assert desk.got == [(float(n), bytes((0xB0, 1, n))) for n in range(50)]
    assert desk.wakeups == []


def test_a_message_after_the_drain_wakes_again() -> None:
    desk = Desk()
    desk.box.put(0.0, NOTE_ON)
    desk.turn()
    desk.box.put(1.0, NOTE_OFF)
    assert desk.finish() == [NOTE_ON, NOTE_OFF]


def test_a_burst_leaves_the_loop_its_turn_and_loses_nothing() -> None:
    desk = Desk(bound=100, burst=4)
    for number in range(10):
        desk.box.put(0.0, bytes((0xB0, 1, number)))
    desk.turn()
    assert len(desk.got) == 4
    assert len(desk.finish()) == 10


def test_a_slow_receiver_gives_the_loop_back_after_each_message() -> None:
    desk = Desk(bound=100, burst=1)
    for number in range(10):
        desk.box.put(0.0, bytes((0xB0, 1, number)))
    desk.turn()
    assert len(desk.got) == 1


def test_a_stop_overtakes_all_that_waits() -> None:
    desk = Desk(bound=100, burst=2)
    for _ in range(50):
        desk.box.put(0.0, NOTE_ON)
    desk.turn()
    desk.box.put(1.0, STOP)
    desk.turn()
    assert desk.got[2] == (1.0, STOP)
    assert desk.finish().count(STOP) == 1


def test_a_full_mailbox_still_takes_a_stop() -> None:
    desk = Desk(bound=4)
    for _ in range(100):
        desk.box.put(0.0, NOTE_ON)
    desk.box.put(0.0, NOTE_OFF)
    desk.box.put(1.0, STOP)
    assert desk.finish()[0] == STOP


def test_beyond_the_bound_only_what_ends_sound_is_kept() -> None:
    desk = Desk(bound=8)
    for _ in range(8):
        desk.box.put(0.0, NOTE_ON)
    desk.box.put(1.0, b"\x90\x40\x64")  # dropped
    desk.box.put(2.0, NOTE_OFF)  # kept
    desk.box.put(3.0, b"\x90\x3c\x64")  # dropped: it must not overtake the note-off
    for _ in range(1000):
        desk.box.put(4.0, b"\x90\x3c\x00")  # the same note-off, a thousand times
    assert desk.finish() == [NOTE_ON] * 8 + [b"\x90\x3c\x00"]
    assert desk.box.dropped == 2
    desk.box.put(5.0, NOTE_ON)  # room again
    assert desk.finish()[-1] == NOTE_ON


def test_no_note_on_overtakes_a_note_off_though_there_is_room_again() -> None:
    desk = Desk(bound=4, burst=3)
    for _ in range(4):
        desk.box.put(0.0, b"\xb0\x01\x00")
    desk.box.put(1.0, NOTE_OFF)
    desk.turn()
    desk.box.put(2.0, NOTE_ON)  # would sound first, and be ended by the older note-off
    desk.box.put(3.0, b"\x80\x40\x00")
    assert desk.finish()[4:] == [NOTE_OFF, b"\x80\x40\x00"]
    assert desk.box.dropped == 1


def test_a_flood_of_everything_that_ends_sound_stays_bounded() -> None:
    desk = Desk(bound=8, burst=10_000)
    for _ in range(3):
        for status in range(0x80, 0xC0):
            for data in range(128):
                desk.box.put(0.0, bytes((status, data, 0)))
    # 16 channels: 128 notes (0x8n, and 0x9n with velocity 0), CC 64, 66 and 120 to 127.
    assert len(desk.finish()) <= 8 + 16 * (128 + 2 + 8)


def test_a_change_stands_behind_the_messages_before_it_even_when_full() -> None:
    desk = Desk(bound=2)
    for _ in range(3):
        desk.box.put(0.0, NOTE_ON)
    desk.box.put_change(1.0, PortState.LOST)
    assert desk.finish() == [NOTE_ON, NOTE_ON, PortState.LOST]


def test_a_receiver_that_raises_does_not_stop_what_is_behind() -> None:
    got: list[bytes] = []
    wakeups: list[Callable[[], None]] = []

    def deliver(_: float, message: bytes) -> None:
        if message == NOTE_ON:
            raise ValueError("no such note")
        got.append(message)

    box = Mailbox(deliver, lambda *_: None, wakeups.append)
    box.put(0.0, NOTE_ON)
    box.put(0.0, NOTE_OFF)
    with pytest.raises(ValueError, match="no such note"):
        wakeups.pop()()
    wakeups.pop()()
    assert got == [NOTE_OFF]


def test_nothing_comes_after_close() -> None:
    desk = Desk()
    desk.box.put(0.0, NOTE_ON)
    desk.box.close()
    desk.box.put(1.0, NOTE_OFF)
    desk.box.put_change(1.0, PortState.LOST)
    assert desk.finish() == []


def test_close_from_within_a_delivery_ends_it() -> None:
    wakeups: list[Callable[[], None]] = []
    got: list[bytes] = []

    def deliver(_: float, message: bytes) -> None:
        got.append(message)
        box.close()

    box = Mailbox(deliver, lambda *_: None, wakeups.append)
    box.put(0.0, NOTE_ON)
    box.put(0.0, NOTE_OFF)
    wakeups.pop()()
    assert got == [NOTE_ON]
    assert wakeups == []


def test_a_long_dump_is_dropped_and_counted() -> None:
    desk = Desk()
    desk.box.put(0.0, b"\xf0" + bytes(255) + b"\xf7")
    assert desk.finish() == []
    assert desk.box.dropped == 1


def test_a_closed_loop_is_no_error() -> None:
    def wake(_: Callable[[], None]) -> None:
        raise RuntimeError("Event loop is closed")

    box = Mailbox(lambda *_: None, lambda *_: None, wake)
    box.put(0.0, NOTE_ON)
    box.put(0.0, NOTE_OFF)


# MIDI 1.0 Detailed Specification: note-off, channel mode messages, damper (64) and sostenuto (66)
# off below 64, system reset (from memory).
@pytest.mark.parametrize(
    ("message", "ends"),
    [
        ("80 3c 40", True),
        ("9f 3c 00", True),
        ("90 3c 01", False),
        ("b0 40 3f", True),
        ("b0 40 40", False),
        ("b0 42 00", True),
        ("b0 07 00", False),
        ("b0 77 00", False),
        ("b0 78 00", True),
        ("b0 7b 00", True),
        ("b0 7f 00", True),
        ("e0 00 40", False),
        ("ff", True),
        ("fe", False),
        ("", False),
    ],
)
def test_what_ends_sound(message: str, ends: bool) -> None:
    assert (silencing_key(bytes.fromhex(message)) is not None) is ends


STEPS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from([0x80, 0x90]), st.integers(60, 63), st.sampled_from([0, 99])),
        st.just("turn"),
    ),
    max_size=80,
)


@given(STEPS, st.integers(1, 6), st.integers(1, 4))
def test_no_note_hangs_whatever_is_dropped(
    steps: list[tuple[int, int, int] | str], bound: int, burst: int
) -> None:
    """After everything was delivered, a note sounds only if it sounds by the messages as sent."""
    desk = Desk(bound, burst)
    sent: dict[int, bool] = {}
    for step in steps:
        if isinstance(step, str):
            desk.turn()
        else:
            status, note, velocity = step
            sent[note] = status == 0x90 and velocity > 0
            desk.box.put(0.0, bytes(step))
    heard: dict[int, bool] = {}
    for item in desk.finish():
        assert isinstance(item, bytes)
        heard[item[1]] = item[0] == 0x90 and item[2] > 0
    for note, sounding in heard.items():
        assert not sounding or sent[note]
