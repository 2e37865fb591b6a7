"""The arming list: each condition is one check that names itself, what was found, and its remedy.

The operator reads `name: found. remedy`: a name is a thing, and what was found is said of it.
Pure. "Can arm" is that every check passes; nothing passes until it has been looked at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from firmware_protocol import messages as m
from firmware_protocol.catalogue import Cause as BoardCause
from firmware_protocol.catalogue import State as BoardState

STATUS_FRESH_S = 0.25


@dataclass(frozen=True, slots=True)
class Check:
    name: str
    """Short and stable, with the controller's name where it concerns one."""
    passed: bool
    found: str
    remedy: str


@dataclass(frozen=True, slots=True)
class ControllerFacts:
    """What a session knows of its controller, as the checks need it."""

    name: str
    linked: bool
    link_problem: str
    identity: m.Identity | None
    expected_board_id: int
    setup_problem: str
    """Empty once all configured limits are in force with the digest this host computes."""
    status: m.Status | None
    status_age_s: float
    clock_problem: str
    outputs: tuple[int, ...]
    can_break: bool | None
    break_pending: bool = False
    """A break is asked for and not over: what armed now would be tripped by it."""


def controller_checks(facts: ControllerFacts) -> list[Check]:
    """The conditions on one controller, in the order an operator would look at them."""
    who = facts.name
    status, identity = facts.status, facts.identity

    def check(name: str, passed: bool, found: str, remedy: str) -> Check:
        return Check(f"{who}: {name}", passed, found, remedy)

    if not facts.linked:
        return [
            check("link", False, facts.link_problem or "not connected", "Connect the controller.")
        ]
    checks = [check("link", True, "open", "")]
    if identity is None or status is None:
        checks.append(check("answer", False, "none yet", "Check cable, baud rate and its supply."))
        return checks
    checks.append(
        check(
            "identity",
            identity.board_id == facts.expected_board_id and identity.version == m.VERSION,
            f"board {identity.board_id:08x}, protocol {identity.version}",
            f"This port must lead to board {facts.expected_board_id:08x} speaking protocol "
            f"{m.VERSION}: are cables swapped?",
        )
    )
    parts = (("fuses", m.CHECK_FUSES), ("flash", m.CHECK_FLASH))
    wrong = [part for part, bit in parts if not identity.checks & bit]
    checks.append(
        check(
            "board self-test",
            not wrong,
            f"{' and '.join(wrong)} not in order" if wrong else "fuses and flash in order",
            "Do not arm it; program the board anew, as whoever built it says.",
        )
    )
    checks.append(
        check(
            "limits",
            not facts.setup_problem,
            facts.setup_problem or "in force, digest agreed",
            "Correct the limits in the configuration; if they are looser than the board still "
            "holds, switch the board's supply off and on.",
        )
    )
    dated = math.isfinite(facts.status_age_s)
    checks.append(
        check(
            "status",
            facts.status_age_s < STATUS_FRESH_S,
            f"{facts.status_age_s * 1000:.0f} ms old" if dated else "none yet that can be dated",
            "Wait a moment; if it stays, check the link." if not dated else "Check the link.",
        )
    )
    tripped = status.state == BoardState.TRIPPED
    checks.append(
        check(
            "state",
            status.state == BoardState.LOCKED,
            f"tripped by {cause_name(status.cause)}" if tripped else state_name(status.state),
            "Clear the cause, then reset." if tripped else "Disarm it or stop; it must be locked.",
        )
    )
    for bit, letter in ((m.INPUT_ESTOP_A, "A"), (m.INPUT_ESTOP_B, "B")):
        closed = bool(status.inputs & bit)
        proven = bool(status.proofs & bit)
        checks.append(
            check(
                f"e-stop input {letter}",
                closed,
                "closed" if closed else "open",
                "Release the emergency button at the button.",
            )
        )
        checks.append(
            check(
                f"e-stop proof {letter}",
                proven,
                "seen open and closed" if proven else "not seen open since power-up",
                "Press the emergency button and release it: today's proof test.",
            )
        )
    key = bool(status.inputs & m.INPUT_KEY)
    checks.append(check("key", key, "on" if key else "off", "Turn the key on."))
    pressed = bool(status.inputs & m.INPUT_LOCAL_STOP)
    checks.append(
        check("local stop", not pressed, "pressed" if pressed else "released", "Release it.")
    )
    for output in facts.outputs:
        ready = bool(status.inputs & (m.INPUT_READY_1 << output))
        checks.append(
            check(
                f"output {output + 1}",
                ready,
                "ready" if ready else "not ready",
                "Look at that coil's driver.",
            )
        )
    checks.append(
        check(
            "line",
            not facts.break_pending,
            "held low for a test or a stop" if facts.break_pending else "free",
            "Wait a moment.",
        )
    )
    checks.append(
        check(
            "clock",
            not facts.clock_problem,
            facts.clock_problem or "in step",
            "Wait a moment; if it stays, check the board's oscillator and the link.",
        )
    )
    return checks


def site_checks(*, notes_held: bool, latched: bool) -> list[Check]:
    """The conditions that concern no single controller."""
    return [
        Check(
            "notes",
            not notes_held,
            "a key or pedal is held" if notes_held else "none held",
            "Let go of every key and pedal, stop the DAW, or press hush.",
        ),
        Check(
            "trip",
            not latched,
            "latched, not reset yet" if latched else "none latched",
            "Clear the cause, then reset.",
        ),
    ]


def cause_name(number: int) -> str:
    """A controller's cause in words; an unknown number as a number."""
    try:
        return BoardCause(number).name.lower().replace("_", " ")
    except ValueError:
        return f"cause {number}"


def state_name(number: int) -> str:
    """A controller's state in words; an unknown number as a number."""
    try:
        return BoardState(number).name.lower()
    except ValueError:
        return f"state {number}"
