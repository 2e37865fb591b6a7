"""What the panel's commands do to the site, on the loop's thread. No port, no process.

A stop is done first and asked nothing. Everything else is an operator's, by name; arming takes a
hold of HOLD_S that is timed here, while the arming list is clear all along.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from bridge.bang_source import STEPS, Longer
from bridge.clocks import HostS
from bridge.engine import Act
from bridge.interlock import NOT_SAFE, Cause, State
from bridge.panel import commands as c
from bridge.panel.hold import HOLD_S, KEEP_S, ArmHold, Step
from bridge.service import Service
from bridge.stage import HOLD_S as BANG_HOLD_S
from bridge.stage import Stage
from bridge.view import open_conditions

ACTS_KEPT = 12
Other = Callable[[str, c.Phase | None], str]
"""Something of the command's own, told who asks; answers with a line, or ""."""


class Desk:
    """The panel's side of the site. `say`: a line for every operator, terminal included."""

    def __init__(
        self,
        service: Service,
        stage: Stage,
        say: Callable[[str], None],
        others: Mapping[str, Other] | None = None,
    ) -> None:
        self._service = service
        self._stage = stage
        self._say = say
        self._others = dict(others or {})
        self._hold = ArmHold()
        self._bangs: dict[str, tuple[int, str, float]] = {}
        """Who holds a rate on which coil, and when that was last seen."""
        self._others_held: dict[str, tuple[int, str, float]] = {}
        """Who holds something of the command's own, likewise."""
        self.acts: deque[tuple[str, str]] = deque(maxlen=ACTS_KEPT)
        """(time of day, who did what), newest last."""

    def stop(self, who: str) -> None:
        """Whoever reaches the page may."""
        self._hold.cancel()
        before = self._state
        self._service.stop(Cause.OPERATOR_STOP, f"panel: {who}", f"panel {who}")
        if before is not State.TRIPPED:
            self._note(who, "stop")

    def gone(self, now_s: HostS, seat: int) -> None:
        """A page went away: what it held is let go."""
        if self._hold.end(now_s, seat):
            self._note("a page", "went away while arming was held: not armed")
        for coil, (holder, _, _) in tuple(self._bangs.items()):
            if holder == seat:
                self._let_go(coil)
        for name, (holder, who, _) in tuple(self._others_held.items()):
            if holder == seat:
                self._other(now_s, seat, who, name, "end")

    def do(self, now_s: HostS, seat: int, who: str, command: c.Command) -> str:
        """One command; the answer is for who asked, "" where there is nothing to say."""
        match command:
            case c.Stop():
                self.stop(who)
                return ""
            case c.Arm(phase=phase):
                return self._arm(now_s, seat, who, phase)
            case c.Simple(do=do):
                return self._simple(who, do)
            case c.Other(name=name, phase=phase):
                return self._other(now_s, seat, who, name, phase)
            case c.Loudness(share=share):
                self._stage.set_loudness(share)
                self._service.source_changed()
                self._note(who, f"loudness {share:.0%}")
                return ""
            case _:
                if command.coil not in self._stage.coils:
                    return f"no coil {command.coil}"
                return self._on_coil(now_s, seat, who, command)

    @property
    def state_word(self) -> str:
        return self._state.value

    # -- arming -------------------------------------------------------------------------------

    @property
    def _state(self) -> State:
        return self._service.engine.interlock.state

    def _not_yet(self, now_s: HostS) -> str:
        if self._state is not State.LOCKED:
            return f"{self._state.value}: arming begins at locked"
        conditions = open_conditions(self._service.engine, now_s)
        return f"not yet: {' · '.join(conditions)} {NOT_SAFE}" if conditions else ""

    def _arm(self, now_s: HostS, seat: int, who: str, phase: c.Phase) -> str:
        if phase == "end":
            return "let go too soon: not armed" if self._hold.end(now_s, seat) else ""
        if phase == "begin":
            if problem := self._not_yet(now_s):
                return problem
            step = self._hold.begin(now_s, seat, who)
            if step is Step.OTHERS:
                return f"{self._hold.holder(now_s)} is arming: one person at a time"
            return "" if step is Step.BEGUN else "let go first"
        step = self._hold.keep(now_s, seat)
        if step in (Step.GOES_ON, Step.DONE) and (problem := self._not_yet(now_s)):
            self._hold.cancel()
            return problem
        if step is Step.DONE:
            self._note(who, "arm")
            self._service.act(Act.ARM, f"panel {who}")
        return ""

    def _simple(self, who: str, do: str) -> str:
        state = self._state
        if do == "disarm" and state not in (State.ARMED, State.ARMING):
            return f"{state.value}: nothing to disarm. {NOT_SAFE}"
        if do == "reset" and state is not State.TRIPPED:
            return f"{state.value}: no trip to reset"
        self._hold.cancel()
        self._note(who, do)
        self._service.act(Act(do), f"panel {who}")
        return ""

    def _other(self, now_s: HostS, seat: int, who: str, name: str, phase: c.Phase | None) -> str:
        other = self._others.get(name)
        if other is None:
            return f"{name}: not possible here"
        holder = self._others_held.get(name)
        if holder is not None and now_s - holder[2] > KEEP_S:
            del self._others_held[name]
            holder = None  # it takes a fresh press
        if phase in ("keep", "end") and (holder is None or holder[0] != seat):
            return ""
        if phase == "begin" and holder is not None and holder[0] != seat:
            return f"{holder[1]} holds it: one person at a time"
        if phase == "end":
            del self._others_held[name]
        elif phase is not None:
            self._others_held[name] = (seat, who, now_s)
        if phase is None or phase == "begin":
            self._note(who, name.replace(":", " "))
        answer = other(who, phase)
        if phase is None:
            self._service.source_changed()
        return answer

    # -- one coil -----------------------------------------------------------------------------

    def _on_coil(
        self,
        now_s: HostS,
        seat: int,
        who: str,
        command: c.Mute | c.Bang | c.Rate | c.SetRate | c.Step,
    ) -> str:
        coil, stage = command.coil, self._stage
        at_s = self._service.engine.timeline.now_s(now_s)
        match command:
            case c.Mute(muted=muted):
                stage.mute(coil, muted)
                self._note(who, f"{coil} {'muted' if muted else 'no longer muted'}")
            case c.SetRate(break_rate_hz=rate_hz):
                stage.set_rate(coil, rate_hz)
            case c.Step(way=way):
                if way == "shorter":
                    stage.shorter(coil)
                elif stage.longer(coil, at_s) is not Longer.DONE:
                    return "one step at a time: wait a moment, then press again"
                self._note(who, f"{coil}: step {stage.bangs[coil].step} of {STEPS}")
            case c.Bang() | c.Rate():
                return self._bang(now_s, seat, who, command)
        self._service.source_changed()
        return ""

    def _bang(self, now_s: HostS, seat: int, who: str, command: c.Bang | c.Rate) -> str:
        coil = command.coil
        holder = self._bangs.get(coil)
        if holder is not None and now_s - holder[2] > BANG_HOLD_S:
            del self._bangs[coil]
            holder = None
        if isinstance(command, c.Rate) and command.phase == "end":
            if holder is not None and holder[0] == seat:
                self._let_go(coil)
            return ""
        if holder is not None and holder[0] != seat:
            return f"{holder[1]} fires {coil}: one person at a time"
        if self._state is not State.ARMED:
            return f"{self._state.value}: it fires only while armed"
        at_s = self._service.engine.timeline.now_s(now_s)
        if isinstance(command, c.Bang):
            self._stage.fire(coil, at_s)
            self._note(who, f"{coil}: one bang")
        else:
            if command.phase == "keep" and holder is None:
                return ""  # over already: it takes a fresh press
            if command.phase == "begin":
                self._note(who, f"{coil}: fixed rate while held")
            self._bangs[coil] = (seat, who, now_s)
            self._stage.hold(coil, at_s)
        self._service.source_changed()
        return ""

    def _let_go(self, coil: str) -> None:
        self._bangs.pop(coil, None)
        self._stage.let_go(coil)
        self._service.source_changed()

    # -- for the pages ------------------------------------------------------------------------

    def _note(self, who: str, what: str) -> None:
        self.acts.append((time.strftime("%H:%M:%S"), f"{who}: {what}"))
        self._say(f"panel, {who}: {what}")

    def shown(self, now_s: HostS) -> dict[str, Any]:
        """The panel's own part of what the pages show."""
        stage = self._stage
        return {
            "acts": list(self.acts),
            "arming_by": self._hold.holder(now_s),
            "arming_progress": round(self._hold.progress(now_s), 3),
            "hold_s": HOLD_S,
            "loudness": stage.attenuation.loudness,
            "muted": sorted(stage.attenuation.muted),
            "others": sorted(self._others),
            "bangs": {
                name: {
                    "step": bangs.step,
                    "steps": STEPS,
                    "break_rate_hz": bangs.break_rate_hz,
                    "sounding": bangs.sounding,
                }
                for name, bangs in stage.bangs.items()
            },
        }
