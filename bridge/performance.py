"""What is played: from the source, over the timeline, to each coil's line. Pure.

Knows nothing of controllers. Whether anything may sound it asks the interlock, and never moves it.
What the source wants reaches the lines when there is room for it (immediate sites: `bring_up`), or
a lead ahead of its time (sites with a timeline: `run`). Inputs that must not wait for that lead
play an instrument of their own (`live`), over what the lines have sent ahead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from bridge.clocks import HostS, MusicS
from bridge.coil_line import CoilLine
from bridge.interlock import Interlock
from bridge.link.slots import MOTION_S
from bridge.source import Attenuates, ScoreFeed, VoiceSource
from bridge.timeline import Timeline


class Performance:
    """The source and the coils it plays on. `remark` is told what happened to notes, as it does."""

    def __init__(
        self,
        source: VoiceSource,
        timeline: Timeline,
        lines: Mapping[str, CoilLine],
        interlock: Interlock,
        remark: Callable[[str], None],
        *,
        live: VoiceSource | None = None,
    ) -> None:
        """live: played by the timeline's `near` inputs; None: there are none."""
        self.changed = False
        """What the source wants has changed and the lines have not been asked yet: that is done
        when there is room on a line, so that a flood costs no more than what can be said."""
        self.muted = False
        """Nothing sounds, though armed, until `mute` says so."""
        self._source = source
        self._live = live
        self._attenuates = source if isinstance(source, Attenuates) else None
        self._live_due_s = MusicS(math.inf)
        self._feed = source if isinstance(source, ScoreFeed) else None
        if self._feed is not None:
            self._feed.lead(timeline.lead_s)
        self._timeline = timeline
        self._lines = lines
        self._interlock = interlock
        self._remark = remark
        self._motion_due_s = MusicS(math.inf)
        self._last_note_s = HostS(-math.inf)

    # -- what happens -------------------------------------------------------------------------

    def midi(self, now_s: HostS, input_name: str, message: bytes, arrived_s: HostS) -> None:
        # Time code and clock (system messages) are the show's to follow, whoever sends them.
        is_music = message[:1] < b"\xf0"
        if self._live is not None and input_name in self._timeline.near and is_music:
            self._timeline.put_near(arrived_s, input_name, message)
            self.run(now_s)
        elif self._timeline.scheduled:
            self._timeline.put(arrived_s, input_name, message)
            self.run(now_s)
        else:
            self._source.midi(self._timeline.now_s(now_s), input_name, message)
            self.changed = True

    def input_lost(self, now_s: HostS, input_name: str) -> None:
        self._timeline.drop_input(input_name)
        self._source.input_lost(self._timeline.now_s(now_s), input_name)
        if self._live is not None:
            self._live.input_lost(self._timeline.near_s(now_s), input_name)
        self.changed = True

    def hush(self, now_s: HostS) -> None:
        """All notes off, those still waiting for their time too."""
        self._timeline.drop_notes()
        self._source.hush(self._timeline.now_s(now_s))
        self._hush_live(now_s)
        for line in self._lines.values():
            line.hush(now_s)

    def _hush_live(self, now_s: HostS) -> None:
        if self._live is not None:
            self._live.hush(self._timeline.near_s(now_s))

    def notes_held(self) -> bool:
        """By any input."""
        return self._source.notes_held() or (self._live is not None and self._live.notes_held())

    def mute(self, now_s: HostS, muted: bool) -> None:
        """Silent whatever is played, from now on; or no more: a key that was pressed meanwhile must
        be pressed again."""
        self.muted = muted
        self.hush(now_s)
        self.changed = True

    def begin(self, now_s: HostS) -> None:
        """Sessions begin: nothing sounds."""
        for line in self._lines.values():
            line.begin(self._timeline.now_s(now_s))

    def may_sound(self, now_s: HostS) -> None:
        """Armed from now on."""
        self._last_note_s = now_s
        # A key pressed while the horn sounded must be pressed again.
        self._source.hush(self._timeline.now_s(now_s))
        self._hush_live(now_s)
        self.changed = True

    def darken(self, now_s: HostS) -> None:
        """Tells every line that its controller is dark; one that fails keeps no other back."""
        failure: Exception | None = None
        if self._feed is not None:
            self._timeline.drop_notes()
            try:
                self._feed.darkened(now_s, self._timeline.now_s(now_s))
            except Exception as error:
                failure = error
        for line in self._lines.values():
            try:
                line.silence(self._timeline.now_s(now_s))
            except Exception as error:
                failure = error
        if failure is not None:
            raise failure

    def idle_s(self, now_s: HostS) -> float:
        """For how long nothing has sounded."""
        if any(line.sounding for line in self._lines.values()):
            self._last_note_s = now_s
        return now_s - self._last_note_s

    # -- time ---------------------------------------------------------------------------------

    def advance(self, now_s: HostS) -> None:
        """Everything due by `now_s`."""
        self.run(now_s)
        self._move(self._timeline.now_s(now_s))

    def run(self, now_s: HostS) -> None:
        """On sites with a timeline: takes and plans what is due to be decided by `now_s`."""
        if not self._timeline.scheduled:
            return
        if self._feed is not None and self._interlock.may_fire:
            until_s = self._timeline.now_s(now_s)
            if self._feed.next_event_s() <= until_s:
                self.changed = True  # an item may end, and its notes with it, without a message
            for at_s, name, message in self._feed.take(until_s):
                self._timeline.put_at(at_s, name, message)
        if self._live is not None:
            self._run_live(now_s, self._live)
        while (group := self._timeline.due(now_s)) is not None:
            at_s, events = group
            if self._motion_due_s < at_s:
                self._move(at_s)
            for name, message in events:
                self._source.midi(at_s, name, message)
            self._ask(at_s)
            if self._interlock.may_fire:
                for line in self._lines.values():
                    line.plan(at_s)

    def _run_live(self, now_s: HostS, live: VoiceSource) -> None:
        """What `near` inputs have played, and what moves of it by itself."""
        present_s = self._timeline.near_s(now_s)
        while (group := self._timeline.due_near(now_s)) is not None:
            at_s, events = group
            for name, message in events:
                live.midi(at_s, name, message)
            self._play_over(now_s, at_s, live)
        deadline_s = live.next_deadline_s()
        if present_s >= self._live_due_s or (deadline_s is not None and present_s >= deadline_s):
            self._live_due_s = MusicS(math.inf)
            live.tick(present_s)
            self._play_over(now_s, present_s, live)

    def _play_over(self, now_s: HostS, at_s: MusicS, live: VoiceSource) -> None:
        if self._interlock.may_fire:
            voices = live.voices(at_s)
            if self._attenuates is not None:
                voices = self._attenuates.attenuated(voices)
            for name, line in self._lines.items():
                asks = () if self.muted else voices[name]
                line.play_over(now_s, at_s, asks)
                if asks:
                    self._last_note_s = now_s
        if self._live_due_s == math.inf and live.moving():
            self._live_due_s = MusicS(at_s + MOTION_S)
        for event in live.take_events():
            self._remark(str(event))

    def bring_up(self, now_s: HostS) -> None:
        """There is room: the lines are asked for what the source wants now, if that changed."""
        if self.changed:
            self._ask(self._timeline.now_s(now_s))

    def next_deadline_s(self) -> HostS:
        """When `advance` must be called though nothing happens; infinite if nothing waits."""
        due_s, timeline = self._motion_due_s, self._timeline
        if (deadline_s := self._source.next_deadline_s()) is not None and deadline_s < due_s:
            due_s = deadline_s
        may_fire = self._interlock.may_fire
        if self._feed is not None and may_fire:
            due_s = min(due_s, self._feed.next_event_s())
        if timeline.scheduled and may_fire:
            for line in self._lines.values():
                due_s = min(due_s, line.moves_s())
        due_at_s = min(timeline.next_s(), timeline.host_s(due_s))
        if self._live is not None:
            live_s = self._live_due_s
            if (deadline_s := self._live.next_deadline_s()) is not None and deadline_s < live_s:
                live_s = deadline_s
            if live_s < math.inf:
                due_at_s = min(due_at_s, timeline.host_s(MusicS(live_s + timeline.early_s)))
        return due_at_s

    def _move(self, at_s: MusicS) -> None:
        deadline_s = self._source.next_deadline_s()
        if at_s >= self._motion_due_s or (deadline_s is not None and at_s >= deadline_s):
            self._motion_due_s = MusicS(math.inf)  # a tick that fails must not be due again at once
            self._source.tick(at_s)
            if self._source.moving():
                self._motion_due_s = MusicS(at_s + MOTION_S)
            self.changed = True
        elif self._motion_due_s == math.inf and self.changed and self._source.moving():
            self._motion_due_s = MusicS(at_s + MOTION_S)
        if self.changed and (self._timeline.scheduled or not self._interlock.may_fire):
            self._ask(at_s)
            if self._live is not None:  # a mute, a loudness: it holds for what is live at once
                host_s = self._timeline.host_s(at_s)
                self._play_over(host_s, self._timeline.near_s(host_s), self._live)
        if self._timeline.scheduled and self._interlock.may_fire:
            for line in self._lines.values():
                line.plan(at_s)

    def _ask(self, at_s: MusicS) -> None:
        self.changed = False
        if self._interlock.may_fire:
            voices = self._source.voices(at_s)
            sounding = False
            for name, line in self._lines.items():
                asks = () if self.muted else voices[name]
                line.ask(asks)
                sounding = sounding or bool(asks)
            if sounding:
                self._last_note_s = self._timeline.host_s(at_s)
        if self._motion_due_s == math.inf and self._source.moving():
            self._motion_due_s = MusicS(at_s + MOTION_S)
        for event in self._source.take_events():
            self._remark(str(event))
