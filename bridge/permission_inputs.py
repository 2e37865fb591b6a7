"""What else, beside the controllers, must be in order for permission to be had and kept. Pure.

Stop inputs of this computer, the dead man's switch and today's proof of the stops. Nothing here
grants anything: the Engine asks what stands against permission, and trips or mutes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from bridge.checks import Check
from bridge.clocks import HostS
from bridge.interlock import Cause, Trip
from bridge.midi.stop import switched
from bridge.stops.condition import Condition
from bridge.stops.dead_man import RENEW_WITHIN_S, DeadMan

if TYPE_CHECKING:
    from bridge.config import Config

_REMEDY = {
    Condition.PRESSED: "Release the button at the button; if it is released, its wire is broken.",
    Condition.BROKEN: "Repair the button's line before anything else.",
    Condition.ABSENT: "Connect it where the site file says, or take it out of the site file.",
    Condition.CLOSED: "",
}
_WORD = {
    Condition.PRESSED: "pressed or open",
    Condition.BROKEN: "broken",
    Condition.ABSENT: "not there",
    Condition.CLOSED: "closed",
}


def _resets(message: bytes) -> bool:
    """Reset All Controllers, on any channel, or System Reset: pedals count as up (MMA RP-015; from
    memory). If it is still held, that takes a fresh press."""
    return message[:1] == b"\xff" or (
        len(message) == 3 and message[0] >> 4 == 0xB and message[1] == 121
    )


class Reason(NamedTuple):
    """Why to trip."""

    cause: Cause
    origin: str
    detail: str


@dataclass(slots=True)
class _StopInput:
    condition: Condition = Condition.ABSENT
    detail: str = "not looked at yet"


class PermissionInputs:
    """Told what happened; answers what follows."""

    def __init__(self, config: Config) -> None:
        self._stops = {s.name: _StopInput() for s in config.stop}
        self._wants_proof = config.site.require_todays_proof
        self._unproven: tuple[str, ...] | None = None
        """Stops without today's proof; None: nobody has looked yet."""
        self._objections: dict[str, Check] = {}
        self._switch = config.dead_man
        self.dead_man: DeadMan | None = None
        if config.dead_man is not None:
            renew_s = RENEW_WITHIN_S if config.dead_man.source == "panel" else math.inf
            self.dead_man = DeadMan(config.dead_man.latch_after_s, renew_s)

    # -- what happens -------------------------------------------------------------------------

    def stop_input(
        self, now_s: HostS, name: str, condition: Condition, detail: str, *, permitted: bool
    ) -> Reason | None:
        """A stop input is found so. `permitted`: permission is held, or being had."""
        known = self._stops[name]
        was_closed = known.condition is Condition.CLOSED
        known.condition, known.detail = condition, detail
        switch = self._switch
        if condition in (Condition.ABSENT, Condition.BROKEN) and switch and switch.stop == name:
            self.hold(now_s, False)
        if condition is Condition.PRESSED and (was_closed or permitted):
            return Reason(Cause.STOP_BUTTON, name, detail)
        if condition is not Condition.CLOSED and permitted:
            return Reason(Cause.STOP_INPUT_FAULT, name, f"{_WORD[condition]}: {detail}")
        return None

    def hold(self, now_s: HostS, held: bool) -> None:
        """The dead man's switch is held, or is not."""
        if self.dead_man is not None:
            (self.dead_man.held if held else self.dead_man.released)(now_s)

    def midi(self, now_s: HostS, input_name: str, message: bytes) -> None:
        """Any message: it may be the pedal that is the dead man's switch."""
        switch = self._switch
        if switch is not None and switch.input == input_name:
            on = switched(message, switch.controller)
            if on is not None:
                self.hold(now_s, on)
            elif _resets(message):
                self.hold(now_s, False)

    def input_lost(self, now_s: HostS, input_name: str) -> None:
        """Whoever held a pedal of it holds it no more."""
        if self._switch is not None and self._switch.input == input_name:
            self.hold(now_s, False)

    def proven(self, unproven: tuple[str, ...]) -> None:
        """Which stops have no proof of today's date; empty: all have."""
        self._unproven = unproven

    def objection(self, source: str, found: str, remedy: str) -> None:
        """Somebody objects to arming, or (found is "") no more."""
        self._objections.pop(source, None)
        if found:
            self._objections[source] = Check(source, False, found, remedy)

    # -- what follows -------------------------------------------------------------------------

    def muted(self, now_s: HostS) -> bool:
        return self.dead_man is not None and not self.dead_man.is_held(now_s)

    def let_go(self, now_s: HostS) -> Reason | None:
        """The dead man's switch was let go for too long, while permission is held."""
        if self.dead_man is None or not self.dead_man.let_go_too_long(now_s):
            return None
        return Reason(Cause.DEAD_MAN, "", "")

    def next_s(self, now_s: HostS) -> HostS:
        """When to look again while permission is held, though nothing happens."""
        return HostS(math.inf) if self.dead_man is None else self.dead_man.next_s(now_s)

    def checks(self, now_s: HostS) -> list[Check]:
        """For the arming list."""
        found = [
            Check(
                f"stop {name}",
                one.condition is Condition.CLOSED,
                _WORD[one.condition] + (f" ({one.detail})" if one.detail else ""),
                _REMEDY[one.condition],
            )
            for name, one in self._stops.items()
        ]
        if self.dead_man is not None:
            held = self.dead_man.is_held(now_s)
            found.append(
                Check(
                    "dead man's switch",
                    held,
                    "held" if held else "not held",
                    "Hold it, and keep holding it: let go, the site is silent.",
                )
            )
        if self._wants_proof:
            missing = self._unproven
            found.append(
                Check(
                    "today's proof",
                    missing == (),
                    "not looked up yet"
                    if missing is None
                    else f"missing for {', '.join(missing)}"
                    if missing
                    else "every stop was proven today",
                    "End this and run `coilwarden prove-stop` with this site file. A proof ends "
                    "with its day, when what it is of is changed in the site file, and when this "
                    "computer's clock is set back.",
                )
            )
        return [*found, *self._objections.values()]

    def lasting(self, trip: Trip | None) -> list[str]:
        """Why a trip by one of these cannot be reset yet."""
        causes = () if trip is None else ((trip.cause, trip.origin), *trip.later)
        return [
            f"stop {origin} is still {_WORD[self._stops[origin].condition]}"
            for cause, origin in causes
            if cause in (Cause.STOP_BUTTON, Cause.STOP_INPUT_FAULT)
            and origin in self._stops
            and self._stops[origin].condition is not Condition.CLOSED
        ]
