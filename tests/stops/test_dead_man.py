"""The dead man's switch alone, with explicit times."""

from __future__ import annotations

import math

from bridge.clocks import HostS
from bridge.stops.dead_man import DeadMan


def test_nobody_has_held_it_yet() -> None:
    switch = DeadMan(2.0)
    assert not switch.is_held(HostS(0.0))


def test_a_level_holds_until_it_is_released() -> None:
    switch = DeadMan(2.0)
    switch.held(HostS(10.0))
    assert switch.is_held(HostS(9999.0))
    assert switch.latches_s(HostS(9999.0)) == math.inf
    switch.released(HostS(10_000.0))
    assert not switch.is_held(HostS(10_000.0))
    assert not switch.let_go_too_long(HostS(10_001.99))
    assert switch.let_go_too_long(HostS(10_002.0))


def test_what_must_be_renewed_is_released_when_it_is_not() -> None:
    switch = DeadMan(2.0, renew_within_s=0.5)
    for step in range(20):
        switch.held(HostS(step * 0.25))
        assert switch.is_held(HostS(step * 0.25 + 0.249))
    last = 19 * 0.25
    assert not switch.is_held(HostS(last + 0.5))
    assert not switch.let_go_too_long(HostS(last + 2.49))
    assert switch.let_go_too_long(HostS(last + 2.5))
    assert switch.next_s(HostS(last)) == last + 0.5
    assert switch.next_s(HostS(last + 1.0)) == last + 2.5


def test_released_again_and_again_does_not_put_the_trip_off() -> None:
    switch = DeadMan(2.0)
    switch.held(HostS(0.0))
    for step in range(30):
        switch.released(HostS(1.0 + step * 0.1))
    assert switch.let_go_too_long(HostS(3.0))


def test_released_after_it_ran_out_counts_from_when_it_ran_out() -> None:
    switch = DeadMan(2.0, renew_within_s=0.4)
    switch.held(HostS(0.0))
    switch.released(HostS(1.9))
    assert switch.let_go_too_long(HostS(2.4))
