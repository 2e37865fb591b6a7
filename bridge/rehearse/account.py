"""What becomes of every note on every coil: asked, sounded, cut short, quieter, dropped, why. Pure.

A note counts once on each coil it is dealt to. It is

- *dropped* if no bang of it ever sounded;
- *shortened* if it was silenced, or had to wait, while its key or a pedal held it (a release tail
  that gives way to a new note is no loss);
- *quietened* if a limit lowered its on-time, at its worst by `LOUDNESS_STEP_DB` or more, reckoned
  as 20·log₁₀ of the on-times: the square law, as a lossless tank's energy goes.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from bridge.clocks import MusicS
from bridge.coil_line import CoilLine
from bridge.governor.reasons import UNITS, Effect, HeldBack, Limit
from bridge.music.events import Dropped, MusicEvent, NoteDropped, NoteFaded, VoiceStolen
from bridge.music.instrument import Instrument
from bridge.music.note import Note, Part
from bridge.music.voices import Hold, VoiceAsk

LOUDNESS_STEP_DB: Final = 1.0
"""About the smallest change of level that is heard in music (common practice, no source)."""


@dataclass(slots=True)
class NoteStory:
    """One note on one coil. Times are the timeline's."""

    coil: str
    channel: int
    key: int
    struck_s: float
    folded: bool = False
    sounded: bool = False
    cut_by: str = ""
    """The first limit that silenced it, as words; "" while none did."""
    cut_s: float = math.inf
    asked: float = 0.0
    allowed: float = 0.0
    """What that limit was asked and allows, in its unit; 0 where it has none."""
    unit: str = ""
    quiet_by: str = ""
    quiet_s: float = math.inf
    loss_db: float = 0.0
    """At its worst."""
    over: bool = False
    """It has ended on this coil, and nothing more becomes of it."""
    counted: float = 0.0
    """What of it is in `Account.surely_lost`."""

    @property
    def dropped(self) -> bool:
        return not self.sounded

    @property
    def shortened(self) -> bool:
        return self.sounded and bool(self.cut_by)

    @property
    def quietened(self) -> bool:
        return self.sounded and self.loss_db >= LOUDNESS_STEP_DB

    @property
    def lost(self) -> float:
        """How much music that is: dropped 1, shortened ½, quieter ¼ (and both together ¾)."""
        return 1.0 if self.dropped else 0.5 * self.shortened + 0.25 * self.quietened

    @property
    def least_lost(self) -> float:
        """The same, at the least that may still come of it: what befell it is never undone, but
        while it lasts it may still sound."""
        if self.over and not self.sounded:
            return 1.0
        return 0.5 * bool(self.cut_by) + 0.25 * (self.loss_db >= LOUDNESS_STEP_DB)


@dataclass(frozen=True, slots=True)
class Nowhere:
    """A note that no coil was asked for."""

    channel: int
    key: int
    at_s: float
    why: str


OUTSIDE = "the coil's range"
VOICES = "the number of voices the coil may play"
FADED = "the input's longest note (max_note_s)"


class Account:
    """Listens to the lines' decisions and to the instrument's events."""

    def __init__(self, instrument: Instrument) -> None:
        self.stories: list[NoteStory] = []
        self.nowhere: list[Nowhere] = []
        self.voices_asked: dict[str, list[tuple[float, int]]] = defaultdict(list)
        """By coil: how many at once from when on, on the timeline."""
        self.surely_lost = 0.0
        """What is lost by now whatever follows, as `lost` counts it; never falls."""
        self._instrument = instrument
        self._by_note: dict[tuple[str, Note], NoteStory] = {}
        self._latest: dict[tuple[str, int, int], tuple[NoteStory, Note]] = {}
        self._asks: dict[str, tuple[VoiceAsk, ...]] = {}
        self._voices: dict[str, list[tuple[int, list[tuple[NoteStory, Part]]]]] = defaultdict(list)
        self._held: dict[str, bool] = {}

    @property
    def lost(self) -> float:
        """How much music is lost: of every note what its story says, and 1 for one that no coil
        was asked for."""
        return sum(story.lost for story in self.stories) + len(self.nowhere)

    def _count(self, story: NoteStory) -> None:
        lost = story.least_lost
        self.surely_lost += lost - story.counted
        story.counted = lost

    # -- decisions ----------------------------------------------------------------------------

    def overhear(self, at_s: MusicS, line: CoilLine) -> None:
        """A line has decided what its coil plays from `at_s` on."""
        name, asks, held = line.coil.name, line.asks, line.governed.held_back
        changed = asks is not self._asks.get(name)
        if changed:
            self._asks[name] = asks
            asked, count = self.voices_asked[name], len(asks)
            if not asked or asked[-1][1] != count:
                asked.append((at_s, count))
            self._match(name)
        if not changed and not held and not self._held.get(name):
            return
        self._held[name] = bool(held)
        silent: dict[int, HeldBack] = {}
        quieter: dict[int, HeldBack] = {}
        for one in held:
            for voice_id in one.voice_ids:
                (silent if one.effect is Effect.DROPPED else quieter)[voice_id] = one
        for voice_id, parts in self._voices[name]:
            why = silent.get(voice_id)
            for story, part in parts:
                if why is None:
                    story.sounded = True
                elif part.note.hold is not Hold.RELEASED or not story.sounded:
                    self._cut(story, at_s, why)
        if quieter:
            self._quieten(at_s, line, quieter)

    def _match(self, name: str) -> None:
        for _, before in self._voices[name]:
            for known, part in before:
                if part.ended:
                    known.over = True
                    if not known.sounded:
                        self._count(known)
        found: list[tuple[int, list[tuple[NoteStory, Part]]]] = []
        for voice_id, parts in self._instrument.parts_of(name):
            notes: list[tuple[NoteStory, Part]] = []
            for part in parts:
                note = part.note
                story = self._by_note.get((name, note))
                if story is None:
                    story = self._new(name, note.channel.number, note.key, note.struck_s)
                    folded = part.coil_note != note.key + note.channel.transpose
                    story.folded = note.drum is None and folded
                    self._by_note[name, note] = story
                    self._latest[name, story.channel, story.key] = story, note
                notes.append((story, part))
            found.append((voice_id, notes))
        self._voices[name] = found

    def _new(self, coil: str, channel: int, key: int, struck_s: float) -> NoteStory:
        story = NoteStory(coil, channel, key, struck_s)
        self.stories.append(story)
        return story

    def _cut(self, story: NoteStory, at_s: float, why: HeldBack) -> None:
        if not story.cut_by:
            story.cut_by, story.cut_s = _words(why), at_s
            story.asked, story.allowed = why.asked, why.allowed
            story.unit = UNITS[why.limit].strip()
            self._count(story)

    def _quieten(self, at_s: float, line: CoilLine, quieter: dict[int, HeldBack]) -> None:
        on_us = {v.voice_id: v.on_time_us for v in line.governed.voices}
        for voice_id, parts in self._voices[line.coil.name]:
            why, now_us = quieter.get(voice_id), on_us.get(voice_id)
            if why is None or now_us is None:
                continue
            asked_us = line.governor.asked_us(voice_id)
            loss_db = 20 * math.log10(asked_us / now_us) if asked_us > now_us else 0.0
            for story, part in parts:
                if loss_db > story.loss_db and part.note.hold is not Hold.RELEASED:
                    story.loss_db = loss_db
                    if loss_db >= LOUDNESS_STEP_DB and not story.quiet_by:
                        story.quiet_by, story.quiet_s = _words(why), at_s
                        self._count(story)

    # -- events -------------------------------------------------------------------------------

    def event(self, event: MusicEvent) -> None:
        """Something the instrument reports."""
        match event:
            case NoteDropped(at_s, _, channel, key, None, reason):
                self.nowhere.append(Nowhere(channel, key, at_s, reason.value))
                self.surely_lost += 1
            case NoteDropped(at_s, _, channel, key, str(coil), reason):
                story = self._new(coil, channel, key, at_s)
                story.cut_s, story.over = at_s, True
                story.cut_by = VOICES if reason is Dropped.CHORD_FULL else OUTSIDE
                self._count(story)
            case VoiceStolen(at_s, _, coil, channel, key):
                known = self._latest.pop((coil, channel, key), None)
                if known is None:  # it came and went within one moment
                    known_story, held = self._new(coil, channel, key, at_s), True
                    known_story.over = True
                else:
                    known_story, held = known[0], known[1].hold is not Hold.RELEASED
                if held and not known_story.cut_by:
                    known_story.cut_by, known_story.cut_s = VOICES, at_s
                    self._count(known_story)
            case NoteFaded(at_s, _, channel, key):
                for (_, of_channel, of_key), (story, _) in self._latest.items():
                    if (of_channel, of_key) == (channel, key) and not story.cut_by:
                        story.cut_by, story.cut_s = FADED, at_s
                        self._count(story)
            case _:
                pass


def _words(why: HeldBack) -> str:
    if why.limit is Limit.VOICES:
        return VOICES
    if why.limit is Limit.RESERVE:
        return "what the limits keep in reserve for starts and ends"
    if why.window_ms and why.limit is Limit.DUTY:
        return f"duty in {why.window_ms} ms"
    return why.limit.value


class Overheard:
    """A source whose events somebody else hears as well."""

    def __init__(self, source: Instrument, hear: Callable[[MusicEvent], None]) -> None:
        self._source = source
        self._hear = hear
        self.midi = source.midi
        self.input_lost = source.input_lost
        self.hush = source.hush
        self.tick = source.tick
        self.voices = source.voices
        self.moving = source.moving
        self.next_deadline_s = source.next_deadline_s
        self.notes_held = source.notes_held
        self.take_commands = source.take_commands
        self.do = source.do

    def take_events(self) -> Sequence[MusicEvent]:
        events = self._source.take_events()
        for event in events:
            self._hear(event)
        return events
