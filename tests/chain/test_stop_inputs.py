"""Stops of this computer, the dead man's switch and today's proof: a whole site in simulated time.

The bounds are the project's own: a stop is dark at the boards within 10 ms.
"""

from __future__ import annotations

from typing import Any

import pytest

from bridge.config import Config
from bridge.engine import Act
from bridge.interlock import Cause, State
from bridge.music.instrument import Instrument
from bridge.records import ArmDenied, ResetDenied
from bridge.stops.condition import Condition
from bridge.virtual_site import VirtualSite
from tests.chain.rig import INPUT, between, coil, control, note_off, note_on, organ, site

STOP_S = 0.010
BUTTON = {"name": "Desk button", "kind": "button_line", "port": "/dev/desk"}
KEYPAD = {"name": "Keypad", "kind": "keypad", "port": "/dev/input/by-id/keypad"}
PEDAL = {"source": "midi_controller", "input": INPUT, "controller": 66, "latch_after_s": 1.5}


def built(*, inputs: list[dict[str, Any]] | None = None, **more: Any) -> VirtualSite:
    changes = {k: more.pop(k) for k in list(more) if k not in ("stop", "dead_man")}
    base = site([coil("Larkspur", "North", 1)], inputs=inputs, **changes)
    config = Config.model_validate(base.model_dump(exclude_unset=True) | more)
    return VirtualSite(config, Instrument(config))


def found(played: VirtualSite, name: str, condition: Condition, detail: str = "") -> None:
    played.engine.stop_input(played.now_s, name, condition, detail)
    played._pump()  # pyright: ignore[reportPrivateUsage]


def hold(played: VirtualSite, held: bool) -> None:
    played.engine.hold(played.now_s, held)
    played._pump()  # pyright: ignore[reportPrivateUsage]


def failing(played: VirtualSite) -> set[str]:
    return {c.name for c in played.engine.checks(played.now_s) if not c.passed}


def sound(played: VirtualSite) -> None:
    organ(played)
    played.midi(INPUT, note_on(57, 110))
    played.run_for(0.3)
    assert between(played.take_pulses()["Larkspur"], played.now_s - 0.1, played.now_s)


def dark_from(played: VirtualSite, at_s: float) -> None:
    """Nothing begins later than 10 ms after `at_s`."""
    played.run_for(0.5)
    assert not between(played.take_pulses()["Larkspur"], at_s + STOP_S, played.now_s)


def cause(played: VirtualSite) -> Cause | None:
    trip = played.engine.interlock.current_trip
    return trip.cause if trip else None


# -- stop inputs ------------------------------------------------------------------------------


@pytest.mark.parametrize("stop", [BUTTON, KEYPAD], ids=["button", "keypad"])
def test_arming_needs_every_stop_input_there_and_closed(stop: dict[str, Any]) -> None:
    played = built(stop=[stop])
    with pytest.raises(RuntimeError, match="cannot arm"):
        played.arm(1.0)
    name = f"stop {stop['name']}"
    for condition in (Condition.ABSENT, Condition.BROKEN, Condition.PRESSED):
        found(played, stop["name"], condition)
        assert failing(played) == {name}
        played.act(Act.ARM)
        assert played.engine.interlock.state is State.LOCKED
        denied = [r for _, r in played.records if isinstance(r, ArmDenied)]
        assert name in denied[-1].failed[0]
    found(played, stop["name"], Condition.CLOSED)
    played.act(Act.ARM)
    assert played.engine.interlock.state is State.ARMING


@pytest.mark.parametrize(
    ("condition", "expected"),
    [
        (Condition.PRESSED, Cause.STOP_BUTTON),
        (Condition.BROKEN, Cause.STOP_INPUT_FAULT),
        (Condition.ABSENT, Cause.STOP_INPUT_FAULT),
    ],
)
def test_whatever_a_stop_input_says_but_closed_stops(condition: Condition, expected: Cause) -> None:
    played = built(stop=[BUTTON])
    found(played, "Desk button", Condition.CLOSED)
    played.arm()
    sound(played)
    at_s = played.now_s
    found(played, "Desk button", condition, "told so")
    assert cause(played) is expected
    dark_from(played, at_s)
    played.act(Act.RESET)
    played.run_for(0.8)
    assert played.engine.interlock.state is State.TRIPPED
    reasons = [r for _, r in played.records if isinstance(r, ResetDenied)][-1].reasons
    assert "stop Desk button is still" in reasons[0]
    found(played, "Desk button", Condition.CLOSED)
    assert played.engine.interlock.state is State.TRIPPED
    played.act(Act.RESET)
    played.run_for(0.8)
    assert played.engine.interlock.state is State.LOCKED


def test_a_press_while_locked_trips_too_and_a_button_found_open_at_the_start_does_not() -> None:
    played = built(stop=[BUTTON])
    found(played, "Desk button", Condition.PRESSED)
    assert played.engine.interlock.state is State.LOCKED
    found(played, "Desk button", Condition.CLOSED)
    found(played, "Desk button", Condition.PRESSED)
    assert cause(played) is Cause.STOP_BUTTON


# -- MIDI note as a stop ----------------------------------------------------------------------


def test_a_note_can_be_a_stop_and_others_are_music() -> None:
    inputs = [
        {"name": INPUT, "virtual_port": "Coilwarden", "stop_note": {"channel": 16, "note": 24}}
    ]
    played = built(inputs=inputs)
    played.arm()
    sound(played)
    played.midi(INPUT, note_on(24, 100, channel=15))
    played.midi(INPUT, note_on(25, 100, channel=16))
    played.midi(INPUT, note_off(24, channel=16))
    played.midi(INPUT, note_on(24, 0, channel=16))
    assert cause(played) is None
    at_s = played.now_s
    played.midi(INPUT, note_on(24, 1, channel=16))
    assert cause(played) is Cause.MIDI_STOP
    dark_from(played, at_s)


# -- dead man's switch ------------------------------------------------------------------------


def with_pedal(**more: Any) -> VirtualSite:
    played = built(dead_man=PEDAL, **more)
    played.midi(INPUT, control(66, 127))
    played.arm()
    sound(played)
    return played


DELAYED = [
    {"name": INPUT, "virtual_port": "Coilwarden", "timing": "fixed_delay", "delay_ms": 60,
     "max_note_s": 600}
]  # fmt: skip


@pytest.mark.parametrize("inputs", [None, DELAYED], ids=["immediate", "fixed delay"])
def test_let_go_is_silent_at_once_and_still_armed_until_it_lasts(inputs: Any) -> None:
    played = with_pedal(inputs=inputs)
    at_s = played.now_s
    played.midi(INPUT, control(66, 0))
    played.midi(INPUT, note_on(60, 110))  # played on: nothing of it sounds
    dark_from(played, at_s)
    assert played.engine.interlock.state is State.ARMED
    played.run_until(played.now_s.__class__(at_s + 1.49))
    assert played.engine.interlock.state is State.ARMED
    played.run_for(0.02)
    assert cause(played) is Cause.DEAD_MAN


def test_held_again_in_time_only_a_fresh_key_sounds() -> None:
    played = with_pedal()
    played.midi(INPUT, control(66, 0))
    played.run_for(0.2)
    played.midi(INPUT, note_on(60, 110))
    played.run_for(0.2)
    played.midi(INPUT, control(66, 127))
    begin = played.now_s
    played.run_for(1.5)
    assert not between(played.take_pulses()["Larkspur"], begin, played.now_s)
    assert played.engine.interlock.state is State.ARMED
    played.midi(INPUT, note_on(62, 110))
    begin = played.now_s
    played.run_for(0.2)
    assert between(played.take_pulses()["Larkspur"], begin, played.now_s)


def test_an_input_that_is_lost_holds_nothing() -> None:
    played = with_pedal()
    at_s = played.now_s
    played.engine.input_changed(played.now_s, INPUT, False, "lost")
    played._pump()  # pyright: ignore[reportPrivateUsage]
    dark_from(played, at_s)
    played.run_for(1.1)
    assert cause(played) is Cause.DEAD_MAN


def test_a_page_that_says_nothing_any_more_holds_nothing() -> None:
    played = built(dead_man={"source": "panel", "latch_after_s": 1.0})
    with pytest.raises(RuntimeError, match="dead man's switch"):
        played.arm(1.0)
    for _ in range(40):
        hold(played, True)
        played.run_for(0.1)
        if played.engine.interlock.state is State.LOCKED:
            played.act(Act.ARM)
    assert played.engine.interlock.state is State.ARMED
    organ(played)
    played.midi(INPUT, note_on(57, 110))
    hold(played, True)
    begin = played.now_s
    played.run_for(2.0)
    pulses = between(played.take_pulses()["Larkspur"], begin, played.now_s)
    assert begin + 0.35 < pulses[-1].start_s < begin + 0.4 + STOP_S + 0.02  # looked at each 20 ms
    assert cause(played) is Cause.DEAD_MAN


def test_a_keypad_that_goes_away_holds_nothing() -> None:
    played = built(
        stop=[KEYPAD], dead_man={"source": "keypad", "stop": "Keypad", "latch_after_s": 1.0}
    )
    found(played, "Keypad", Condition.CLOSED)
    hold(played, True)
    played.arm()
    found(played, "Keypad", Condition.ABSENT)
    assert cause(played) is Cause.STOP_INPUT_FAULT
    assert "dead man's switch" in failing(played)


# -- today's proof ----------------------------------------------------------------------------


def test_todays_proof_can_be_asked_for() -> None:
    played = built(require_todays_proof=True)
    played.connect()
    played.prove_estops()
    played.run_for(3.0)
    assert failing(played) == {"today's proof"}
    played.engine.proven(played.now_s, ("North: key",))
    check = next(c for c in played.engine.checks(played.now_s) if c.name == "today's proof")
    assert "North: key" in check.found
    assert "prove-stop" in check.remedy
    played.engine.proven(played.now_s, ())
    assert failing(played) == set()
