"""One coil between voices and frames: governor, slots, and what has been sent. Pure."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from bridge.clocks import HostS, MusicS
from bridge.config import Coil, Controller
from bridge.governor.governor import Governed, Governor
from bridge.governor.mains import MainsShare
from bridge.governor.reasons import HeldBack
from bridge.link.renewal import LEASE_S, REFRESH_S
from bridge.link.slots import MOTION_S, SlotMap
from bridge.music.voices import VoiceAsk
from firmware_protocol.messages import Slot

_AHEAD_FRAMES = 14
"""Most frames sent and not yet applied: fewer than the 16 a controller must hold."""
_MOVING_FRAMES = 10
"""Voices that only move (vibrato, envelopes) leave the rest of the queue to notes that begin and
end: those must not wait for room, a step of a vibrato may."""
_WAITING_FRAMES = 2
"""Most frames decided and not yet sent. What is decided will be sent, for the governor reckons with
it; in a flood what comes meanwhile is decided when there is room, as one newest state."""
_LATE_S = 0.018
"""A planned frame that may arrive later than this applies on arrival (20 ms are refused)."""


class TickRate(Protocol):
    """The board's ticks a host second, as periods are scaled by (link/clock.py)."""

    def slew(self, host_s: HostS, *, jump: bool = False) -> float: ...


class Wire(Protocol):
    """What a line needs of the controller's session (link/session.py)."""

    @property
    def clock(self) -> TickRate: ...

    def voices_frame(
        self,
        now_s: HostS,
        output: int,
        slots: tuple[Slot | None, ...],
        apply_s: HostS | None,
        *,
        forget_later: bool = False,
    ) -> bytes: ...


@dataclass(slots=True)
class _Planned:
    apply_s: HostS
    slots: tuple[Slot | None, ...]


class CoilLine:
    """What sounds on one coil and what its controller has been told."""

    def __init__(
        self,
        coil: Coil,
        controller: Controller,
        session: Wire,
        offset_s: float,
        mains: MainsShare | None = None,
    ) -> None:
        self.coil = coil
        self.session = session
        self.output = coil.output - 1
        self.governor = Governor(
            coil,
            link_jitter_s=controller.link_jitter_ms / 1000,
            lease_s=LEASE_S,
            refresh_s=REFRESH_S,
            mains=mains,
        )
        self.governed: Governed = self.governor.silence(MusicS(0.0))
        self._late_s = max(0.0, _LATE_S - controller.link_jitter_ms / 1000)
        self.frames = 0
        self.offset_s = offset_s
        self.held_back_changes: list[tuple[HeldBack, ...]] = []
        """For the record, since the engine took them last: at each change of who is held back."""
        self.overhear: Callable[[MusicS, CoilLine], None] | None = None
        """Told of every decision, with its time: a rehearsal's account of what becomes of notes."""
        self._held_key: tuple[object, ...] = ()
        self.asks: tuple[VoiceAsk, ...] = ()
        self._slots = SlotMap()
        self._dirty = False
        self._behind = False
        """What is asked has moved, and is said with the next frame, whichever that is."""
        self._moved_s = MusicS(-math.inf)
        self._again_s = HostS(math.inf)
        self._sent_s = HostS(-math.inf)
        self._planned: deque[_Planned] = deque()
        self._ahead: deque[HostS] = deque()
        self._last_slots: tuple[Slot | None, ...] = ()
        self._forget = False

    def begin(self, at_s: MusicS) -> None:
        """A new session: nothing sounds, everything is to be said."""
        self._slots.clear()
        self._planned.clear()
        self._ahead.clear()
        self.asks = ()
        self._last_slots = ()
        self.governed = self.governor.silence(at_s)
        self._dirty = True
        self._forget = False
        self._sent_s = HostS(-math.inf)

    def ask(self, asks: tuple[VoiceAsk, ...]) -> None:
        """What the instrument wants now."""
        if asks is self.asks or asks == self.asks:
            return
        moves = [a.voice_id for a in asks] == [a.voice_id for a in self.asks]
        self.asks = asks
        if moves and len(self._ahead) + len(self._planned) >= _MOVING_FRAMES:
            self._behind = True
        else:
            self._dirty = True

    @property
    def sounding(self) -> bool:
        return bool(self.asks)

    def hush(self, now_s: HostS) -> None:
        """Silence at once: what was planned is forgotten, here and on the controller."""
        self.asks = ()
        self._planned.clear()
        self._dirty = self._forget = True

    def due_s(self) -> HostS:
        """When something must be said: now (-inf) when dirty or planned, else the next refresh."""
        if self._forget:
            return HostS(-math.inf)
        if self._dirty or self._planned:
            return self._ahead[0] if len(self._ahead) >= _AHEAD_FRAMES else HostS(-math.inf)
        due_s = HostS(self._sent_s + REFRESH_S)
        return min(due_s, self._again_s) if self.governor.moving() else due_s

    def moves_s(self) -> MusicS:
        """When the governor would answer otherwise by itself; infinite where it would not, or where
        something is to be said before. Scheduled sites `plan` then; others have it in `due_s`."""
        if self._dirty or not self.governor.moving():
            return MusicS(math.inf)
        return MusicS(self._moved_s + MOTION_S)

    def plan(self, at_s: MusicS) -> None:
        """Decides what takes effect at `at_s` on the timeline (scheduled sites)."""
        if not self._dirty and at_s < self.moves_s():
            return
        if not self._dirty and len(self._ahead) + len(self._planned) >= _MOVING_FRAMES:
            self._moved_s = at_s  # the governor's own step waits for the next
            return
        if len(self._planned) >= _WAITING_FRAMES or len(self._ahead) >= _AHEAD_FRAMES:
            self._dirty = True
            return
        self._decide(at_s)
        self._planned.append(_Planned(self._apply_s(at_s), self._last_slots))

    def _apply_s(self, at_s: MusicS) -> HostS:
        """When the controller must apply what takes effect at `at_s` in the audience."""
        return HostS(at_s + self.offset_s)

    def _decide(self, at_s: MusicS) -> None:
        self.governed = self.governor.update(at_s, self.asks)
        held = self.governed.held_back
        key = tuple((h.limit, h.effect, h.voice_ids) for h in held) if held else ()
        if key != self._held_key:
            self._held_key = key
            self.held_back_changes.append(held)
        if self.overhear is not None:
            self.overhear(at_s, self)
        # The clock slews by host time. Only how far apart its calls are counts, and the timeline
        # goes as host time does; offsets are left out, for the coils of a board share its clock.
        rate = self.session.clock.slew(HostS(at_s), jump=not self._last_slots)
        self._last_slots = self._slots.seat(at_s, self.governed.voices, rate)
        self._moved_s = at_s
        self._again_s = HostS(math.inf)
        self._dirty = self._behind = False

    def frame(self, now_s: HostS, *, scheduled_s: MusicS | None) -> bytes | None:
        """The next frame to send, or None when nothing is due.

        `scheduled_s`: the timeline's present where frames carry a time; None: on arrival.
        """
        while self._ahead and self._ahead[0] <= now_s:
            self._ahead.popleft()
        if self.due_s() > now_s:
            return None
        if self._forget or scheduled_s is None:
            if scheduled_s is None:
                self._decide(MusicS(now_s))  # on arrival: what is decided now takes effect now
                self._again_s = HostS(now_s + MOTION_S)
            else:
                self._decide(scheduled_s)  # a hush
            data = self.session.voices_frame(
                now_s, self.output, self._last_slots, None, forget_later=self._forget
            )
            self._forget = False
            self._ahead.clear()
        else:
            if self._planned:
                item = self._planned.popleft()
            else:  # a refresh: the state last decided, said again
                if self._dirty or self._behind or self.governor.restless():
                    self._decide(scheduled_s)
                item = _Planned(self._apply_s(scheduled_s), self._last_slots)
            late = item.apply_s < now_s - self._late_s
            if not late:
                self._ahead.append(item.apply_s)
            data = self.session.voices_frame(
                now_s, self.output, item.slots, None if late else item.apply_s
            )
        self._sent_s = now_s
        self.frames += 1
        return data

    def silence(self, at_s: MusicS) -> None:
        """Permission was withdrawn: the controller is dark, the governor is told so."""
        self._planned.clear()
        self._dirty = self._forget = False
        self._last_slots = ()
        self.governed = self.governor.silence(at_s)
