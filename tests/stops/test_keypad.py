"""The keypad's events, as struct input_event through a pipe's file."""

from __future__ import annotations

import errno
import os

import pytest

from bridge.stops.challenge import Finding
from bridge.stops.condition import Condition
from bridge.stops.keypad import EVENT, Keypad, KeypadKeys
from tests.stops.device import Device

# linux/input-event-codes.h: EV_SYN 0, EV_KEY 1, SYN_DROPPED 3, KEY_ENTER 28, KEY_KP1 79 (from
# memory). On 64-bit Linux struct input_event is 24 bytes (linux/input.h, from memory).
SYN, KEY, DROPPED, ENTER, KP1 = 0, 1, 3, 28, 79


def event(kind: int, code: int, value: int) -> bytes:
    return EVENT.pack(1700000000, 250000, kind, code, value)


def press(code: int) -> bytes:
    return event(KEY, code, 1) + event(SYN, 0, 0)


def release(code: int) -> bytes:
    return event(KEY, code, 0) + event(SYN, 0, 0)


def conditions(said: list[Finding | bool]) -> list[Condition | bool]:
    return [s.condition if isinstance(s, Finding) else s for s in said]


def test_the_struct_has_the_kernels_size() -> None:
    assert EVENT.size == 24


def test_any_key_is_a_stop_also_where_press_and_release_come_at_once() -> None:
    keys = KeypadKeys()
    assert conditions(keys.take(press(KP1) + release(KP1))) == [Condition.PRESSED, Condition.CLOSED]
    assert conditions(keys.take(press(ENTER))) == [Condition.PRESSED]
    assert keys.take(event(KEY, ENTER, 2)) == []
    assert conditions(keys.take(press(KP1))) == [Condition.PRESSED]
    assert keys.take(release(ENTER)) == []
    assert conditions(keys.take(release(KP1))) == [Condition.CLOSED]


def test_a_key_that_was_down_before_anyone_listened_counts() -> None:
    assert conditions(KeypadKeys().take(event(KEY, KP1, 2))) == [Condition.PRESSED]


def test_events_cut_anywhere_are_the_same() -> None:
    data = press(KP1) + release(KP1)
    for cut in range(len(data)):
        keys = KeypadKeys()
        said = keys.take(data[:cut]) + keys.take(data[cut:])
        assert conditions(said) == [Condition.PRESSED, Condition.CLOSED]


def test_lost_events_count_as_a_press_and_as_let_go() -> None:
    keys = KeypadKeys(ENTER)
    assert conditions(keys.take(event(SYN, DROPPED, 0))) == [False, Condition.PRESSED]
    assert keys.lost


def test_the_dead_mans_key_stops_nothing_and_any_other_does() -> None:
    keys = KeypadKeys(ENTER)
    assert keys.take(press(ENTER) + release(ENTER)) == [True, False]
    assert conditions(keys.take(press(KP1))) == [Condition.PRESSED]


def test_only_a_fresh_press_holds_not_a_key_that_repeats() -> None:
    keys = KeypadKeys(ENTER, [ENTER])
    assert keys.finding.condition is Condition.CLOSED
    assert keys.take(event(KEY, ENTER, 2) * 3) == []
    assert keys.take(press(ENTER)) == [True]
    assert False in keys.take(event(SYN, DROPPED, 0))
    assert keys.take(event(KEY, ENTER, 2)) == []


def test_other_events_mean_nothing() -> None:
    assert KeypadKeys().take(event(4, 4, 458841) + event(17, 0, 1) + event(SYN, 0, 0)) == []


def test_a_device_that_goes_away_says_so(device: Device) -> None:
    pad = Keypad(str(device.path))
    assert pad.open().condition is Condition.CLOSED
    assert pad.read() == []
    os.write(device.writer, press(KP1))
    assert conditions(pad.read()) == [Condition.PRESSED]
    device.go_away()
    assert conditions(pad.read()) == [False, Condition.ABSENT]
    pad.close()


def test_one_that_another_program_has_is_no_stop(device: Device) -> None:
    """It would say nothing, pressed or not."""
    device.grab_error = errno.EBUSY
    pad = Keypad(str(device.path))
    found = pad.open()
    assert found.condition is Condition.ABSENT
    assert "another program has it" in found.detail
    assert pad.descriptor == -1
    device.grab_error = 0
    assert pad.open().condition is Condition.CLOSED
    pad.close()


@pytest.mark.parametrize("path", ["/dev/null", "/dev/zero", "/etc/hostname", "/nowhere", "/"])
def test_what_is_no_keypad_is_no_stop(path: str) -> None:
    pad = Keypad(path)
    assert pad.open().condition is Condition.ABSENT
    assert pad.descriptor == -1


def test_a_key_that_is_down_when_it_is_opened_is_pressed(device: Device) -> None:
    device.down = {KP1}
    pad = Keypad(str(device.path))
    assert pad.open().condition is Condition.PRESSED
    os.write(device.writer, release(KP1))
    assert conditions(pad.read()) == [Condition.CLOSED]
    pad.close()


def test_after_lost_events_the_keys_are_looked_at(device: Device) -> None:
    pad = Keypad(str(device.path), ENTER)
    pad.open()
    os.write(device.writer, press(KP1) + event(SYN, DROPPED, 0))
    assert conditions(pad.read())[-1] is Condition.CLOSED  # released meanwhile
    device.down = {KP1, ENTER}
    os.write(device.writer, event(SYN, DROPPED, 0))
    assert conditions(pad.read()) == [False, Condition.PRESSED, Condition.PRESSED]
    os.write(device.writer, release(KP1))
    assert conditions(pad.read()) == [Condition.CLOSED]
    pad.close()
