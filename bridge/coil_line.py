"""One coil between voices and frames: governor, slots, and what has been sent. Pure.

Where a live player plays over what has been sent ahead (`play_over`), what was decided for later is
kept until its time. A live note then takes back all of it from the note's time on: it is decided
anew with the note added, and the first frame of one write forgets all that is queued. That write
carries the next states too, `_AT_ONCE` in all, so that a stop never waits behind more; those after
them follow as the line takes them, long before their time. Until then the queue is only shorter:
never old and new mixed, and the last state stays. Each frame forgets what is queued after it, so
that a lost one is made good by the next.

The governor never goes back: every decision counts, the ones taken back too, for the frames that
replace them may be lost. So whatever the line loses, the controller is in a state of the last
`early_s` + H, and goes through states in the order of their decision (governor.py).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from bridge.clocks import HostS, MusicS
from bridge.config import Coil, Controller
from bridge.governor.governor import Governed, Governor
from bridge.governor.mains import MainsShare
from bridge.governor.reasons import HeldBack
from bridge.link.renewal import LEASE_S, REFRESH_S
from bridge.link.slots import MOTION_S, Seating, SlotMap
from bridge.music.voices import VoiceAsk
from bridge.voice_priority import LivePriority, together
from firmware_protocol.messages import Slot

_AHEAD_FRAMES: Final = 14
"""Most frames sent and not yet applied: fewer than the 16 a controller must hold."""
_MOVING_FRAMES: Final = 10
"""Voices that only move (vibrato, envelopes) leave the rest of the queue to notes that begin and
end: those must not wait for room, a step of a vibrato may."""
_WAITING_FRAMES: Final = 2
"""Most frames decided and not yet sent. What is decided will be sent, for the governor reckons with
it; in a flood what comes meanwhile is decided when there is room, as one newest state."""
_AT_ONCE = 4
"""Frames of a replacement that go in one write: as many as a refresh of four outputs."""
_OVERDUE_S: Final = HostS(-math.inf)
_NEVER_S: Final = HostS(math.inf)
_NEVER_MUSIC_S: Final = MusicS(math.inf)
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
    forget: bool = False


@dataclass(frozen=True, slots=True)
class _Decided:
    """What of the score was decided for `at_s`, and who sat where then."""

    at_s: MusicS
    asks: tuple[VoiceAsk, ...]
    seating: Seating


class CoilLine:
    """What sounds on one coil and what its controller has been told."""

    def __init__(
        self,
        coil: Coil,
        controller: Controller,
        session: Wire,
        offset_s: float,
        mains: MainsShare | None = None,
        *,
        early_s: float = 0.0,
        live_priority: LivePriority = "live",
        played_over: bool = True,
    ) -> None:
        """early_s: how much earlier than the timeline's present what is live may take effect; 0:
        nothing plays over what is sent ahead. The governor reckons with it even where it is known
        that nobody will (`played_over` False: `play_over` must not be called)."""
        self.coil = coil
        self.session = session
        self.output = coil.output - 1
        self.governor = Governor(
            coil,
            link_jitter_s=controller.link_jitter_ms / 1000,
            lease_s=LEASE_S,
            refresh_s=REFRESH_S,
            early_s=early_s,
            mains=mains,
        )
        self._early_s = early_s
        self._played_over = played_over and early_s > 0
        self._live_priority: LivePriority = live_priority
        self._live: tuple[VoiceAsk, ...] = ()
        self._over_s: MusicS | None = None
        """From when on what is decided must be replaced; None: it stands."""
        self._over_due_s = HostS(-math.inf)
        self._replaced_s = HostS(-math.inf)
        self._decided: deque[_Decided] = deque()
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
        self._slots = SlotMap(early_s=early_s)
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
        self._be_silent()
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

    def play_over(self, now_s: HostS, at_s: MusicS, asks: tuple[VoiceAsk, ...]) -> None:
        """What a live player wants from `at_s` on, whatever has been sent for later.

        Notes that begin and end are said at once; what only moves, with a refresh at most.
        """
        if not self._played_over:
            raise RuntimeError(f"{self.coil.name}: nothing was to play over what is sent ahead")
        if asks == self._live:
            return
        moves = [a.voice_id for a in asks] == [a.voice_id for a in self._live]
        self._live = asks
        due_s = HostS(self._replaced_s + REFRESH_S) if moves else now_s
        self._over_due_s = due_s if self._over_s is None else min(self._over_due_s, due_s)
        self._over_s = at_s

    @property
    def sounding(self) -> bool:
        return bool(self.asks or self._live)

    def _be_silent(self) -> None:
        self.asks = self._live = ()
        self._over_s = None
        self._decided.clear()

    def hush(self, now_s: HostS) -> None:
        """Silence at once: what was planned is forgotten, here and on the controller."""
        self._be_silent()
        self._planned.clear()
        self._dirty = self._forget = True

    def due_s(self) -> HostS:
        """When something must be said: now (-inf) when dirty or planned, else the next refresh."""
        if self._forget:
            return _OVERDUE_S
        over_s = _NEVER_S if self._over_s is None else self._over_due_s
        if self._dirty or self._planned:
            is_full = len(self._ahead) >= _AHEAD_FRAMES
            return min(over_s, self._ahead[0]) if is_full else _OVERDUE_S
        due_s = min(over_s, HostS(self._sent_s + REFRESH_S))
        return min(due_s, self._again_s) if self.governor.moving() else due_s

    def moves_s(self) -> MusicS:
        """When the governor would answer otherwise by itself; infinite where it would not, or where
        something is to be said before. Scheduled sites `plan` then; others have it in `due_s`."""
        if self._dirty or not self.governor.moving():
            return _NEVER_MUSIC_S
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
        self._decide(at_s, at_s)
        self._planned.append(_Planned(self._apply_s(at_s), self._last_slots))

    def _apply_s(self, at_s: MusicS) -> HostS:
        """When the controller must apply what takes effect at `at_s` in the audience."""
        return HostS(at_s + self.offset_s)

    def _decide(self, at_s: MusicS, present_s: MusicS) -> None:
        """What is to sound from `at_s` on; the governor and the clock are asked at `present_s`."""
        self._decide_for(at_s, present_s, self.asks)
        self._dirty = self._behind = False

    def _decide_for(self, at_s: MusicS, present_s: MusicS, score: tuple[VoiceAsk, ...]) -> None:
        asks = together(score, self._live, self.coil.max_voices, self._live_priority)
        self.governed = self.governor.update(present_s, asks)
        held = self.governed.held_back
        key = tuple([(h.limit, h.effect, h.voice_ids) for h in held]) if held else ()
        if key != self._held_key:
            self._held_key = key
            self.held_back_changes.append(held)
        if self.overhear is not None:
            self.overhear(at_s, self)
        # The clock slews by host time. Only how far apart its calls are counts, and the timeline
        # goes as host time does; offsets are left out, for the coils of a board share its clock.
        rate = self.session.clock.slew(HostS(present_s), jump=not self._last_slots)
        self._last_slots = self._slots.seat(at_s, self.governed.voices, rate)
        self._moved_s = present_s
        self._again_s = HostS(math.inf)
        if self._played_over:
            decided = self._decided
            while len(decided) > 1 and decided[1].at_s <= present_s - self._early_s:
                decided.popleft()  # nothing takes effect before the one that follows it
            decided.append(_Decided(at_s, score, self._slots.seating()))

    def frame(self, now_s: HostS, *, scheduled_s: MusicS | None) -> bytes | None:
        """The next frame to send, or None when nothing is due.

        `scheduled_s`: the timeline's present where frames carry a time; None: on arrival.
        """
        while self._ahead and self._ahead[0] <= now_s:
            self._ahead.popleft()
        if self.due_s() > now_s:
            return None
        over = self._over_s is not None and self._over_due_s <= now_s
        if scheduled_s is not None and over and not self._forget:
            return self._replace(now_s, scheduled_s)
        if self._forget or scheduled_s is None:
            if scheduled_s is None:
                self._decide(
                    MusicS(now_s), MusicS(now_s)
                )  # on arrival: what is decided now takes effect now
                self._again_s = HostS(now_s + MOTION_S)
            else:
                self._decide(scheduled_s, scheduled_s)  # a hush
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
                    self._decide(scheduled_s, scheduled_s)
                item = _Planned(self._apply_s(scheduled_s), self._last_slots)
            data = self._say(now_s, item)
        self._sent_s = now_s
        self.frames += 1
        return data

    def _say(self, now_s: HostS, item: _Planned) -> bytes:
        """A frame for its time, or to be applied on arrival where that comes too late."""
        late = item.apply_s < now_s - self._late_s
        if item.forget:
            kept = [a for a in self._ahead if a < item.apply_s and not late]
            self._ahead = deque(kept)
        if not late:
            self._ahead.append(item.apply_s)
        return self.session.voices_frame(
            now_s, self.output, item.slots, None if late else item.apply_s, forget_later=item.forget
        )

    def _replace(self, now_s: HostS, present_s: MusicS) -> bytes:
        """Decides anew all that takes effect from the live player's time on, and says it.

        Of steps of what only moves (vibrato, envelopes) the newest is kept.
        """
        assert self._over_s is not None
        at_s = max(self._over_s, MusicS(present_s - self._early_s))
        self._over_s, self._replaced_s = None, now_s
        self._planned.clear()
        decided = self._decided
        while len(decided) > 1 and decided[1].at_s <= at_s:
            decided.popleft()
        score = decided[0].asks if decided and decided[0].at_s <= at_s else ()
        points = [(at_s, score)]
        for index, later in enumerate(decided):
            if later.at_s <= at_s:
                continue
            ids = [a.voice_id for a in later.asks]
            if ids != [a.voice_id for a in points[-1][1]] or index == len(decided) - 1:
                points.append((later.at_s, later.asks))
        if decided:
            self._slots.back_to(decided[0].seating, at_s)
        decided.clear()
        items: list[_Planned] = []
        for point_s, asks in points:
            self._decide_for(point_s, present_s, asks)
            items.append(_Planned(self._apply_s(point_s), self._last_slots, forget=True))
        data = b"".join(self._say(now_s, item) for item in items[:_AT_ONCE])
        self._planned.extend(items[_AT_ONCE:])
        self._sent_s = now_s
        self.frames += min(len(items), _AT_ONCE)
        return data

    def silence(self, at_s: MusicS) -> None:
        """Permission was withdrawn: the controller is dark, the governor is told so."""
        self._planned.clear()
        self._decided.clear()
        self._live, self._over_s = (), None
        self._dirty = self._forget = False
        self._last_slots = ()
        self.governed = self.governor.silence(at_s)
