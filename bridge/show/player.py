"""The show's transport: which item, where in it, and which score events come next. Pure.

Host times are those at which the audience hears a thing. Whoever drives it takes events ahead of
their time (`take`), so that a computer that stands still moves none of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Literal

from bridge.clocks import HostS
from bridge.show.position_map import PositionMap, Steady
from bridge.show.score_file import NoSuchPlaceError, Score, ScoreEvent

START_S = 0.6
"""An item begins this long after it was called for, at least: audio has to be made ready."""
LOST_S = 0.5
"""Events whose time was so long ago are passed over, as before a bar that is resumed at."""
TAIL_S = 1.5
"""After the last event an item lasts so much longer: notes ring out."""

OnTrip = Literal["stop", "fade", "go on"]


class Transport(Enum):
    """What the show does."""

    READY = "ready"
    """The item waits for the operator."""
    COUNTDOWN = "countdown"
    PLAYING = "playing"
    PAUSED = "paused"
    """Its place is kept, after a trip too. A chased item also stands so while its master does."""
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Item:
    """One entry of the cue list, loaded. Item time counts from the audio's first frame."""

    name: str
    score: Score
    score_offset_s: float = 0.0
    """The score begins this long after the item does."""
    wait: bool = True
    countdown_s: float = 3.0
    on_trip: OnTrip = "stop"
    has_audio: bool = False
    audio_s: float = 0.0
    is_chased: bool = False
    """A DAW says where it is; from the operator's go on it runs and stands with that."""

    @property
    def duration_s(self) -> float:
        return max(self.score.duration_s + self.score_offset_s + TAIL_S, self.audio_s)


@dataclass(frozen=True, slots=True)
class AudioWish:
    """What the audio should do: play item time `position_s` at `at_s`, stop then, or fade."""

    act: Literal["play", "stop", "fade"]
    item: int
    position_s: float
    at_s: HostS


class Player:
    """See the methods. `audio` is the map of the device's clock, once there is one."""

    def __init__(self, items: Sequence[Item]) -> None:
        """At least one item."""
        self.items = tuple(items)
        self.index = 0
        self.transport = Transport.READY
        self.audio_wishes: list[AudioWish] = []
        """For the shell to take out and do."""
        self.held = True
        """A chased item stands whatever its master does: the operator has not said go since it
        became ready, was paused, or permission was withdrawn."""
        self._position_s = 0.0
        self._begins_s = HostS(0.0)
        """When an item with audio is to begin, its countdown included."""
        self._map: PositionMap | None = None
        self._audio_map: PositionMap | None = None
        """Of audio that runs."""
        self._next = 0
        self._before: list[bytes] = []

    @property
    def item(self) -> Item:
        return self.items[self.index]

    @property
    def runs(self) -> bool:
        """Or will, without another word: it counts down, or waits for its audio or its master."""
        if self.item.is_chased:
            return not self.held
        return self.transport in (Transport.PLAYING, Transport.COUNTDOWN)

    def position_s(self, now_s: HostS) -> float:
        """Item time that is heard now; where it stands if it does not run."""
        if self.transport is Transport.PLAYING and self._map is not None:
            here_s = min(self._map.position_at(now_s), self.item.duration_s)
            if self._position_s > 0:  # it has not begun there yet: that is its place, not a count
                return max(here_s, self._position_s)
            return here_s
        return self._position_s

    def bar(self, now_s: HostS) -> int:
        """The bar that is heard now."""
        return self.item.score.bar_at(self.position_s(now_s) - self.item.score_offset_s)

    # -- the operator's acts --------------------------------------------------------------------

    def go(self, now_s: HostS) -> None:
        """Begins the item that is ready, or goes on from where it was paused, at a bar's begin."""
        if self.transport is Transport.READY:
            self._begin(now_s, 0.0, self.item.countdown_s)
        elif self.transport is Transport.PAUSED:
            self.resume(now_s, None)

    def resume(self, now_s: HostS, bar: int | None) -> None:
        """Goes on at a bar, or at that in which it was paused. Raises NoSuchPlaceError."""
        score, offset_s = self.item.score, self.item.score_offset_s
        if self.item.is_chased:
            if bar is not None:
                raise NoSuchPlaceError("this item is where its master is: locate there, in the DAW")
            self.pause(now_s)
            self.held, self.transport = False, Transport.PAUSED
            return
        begin_s = 0.0 if bar is None or bar == 1 else score.position_at_bar(bar) + offset_s
        if self.transport is not Transport.PAUSED:
            self.pause(now_s)
        if bar is None:
            if self._audio_map is not None:  # the audio went on: join it
                self._play(self._audio_map, self._audio_map.position_at(HostS(now_s + START_S)))
                return
            paused_s = score.begin_of_bar(score.bar_at(self._position_s - offset_s)) + offset_s
            begin_s = paused_s if paused_s > offset_s else 0.0
        self._begin(now_s, begin_s, 0.0)

    def pause(self, now_s: HostS) -> None:
        """Stands still at what is heard at `now_s`; the audio too."""
        if self.transport in (Transport.PLAYING, Transport.COUNTDOWN):
            self._position_s = self.position_s(now_s)
            self.transport = Transport.PAUSED
        if self.item.has_audio:
            self._wish("stop", 0.0, now_s)
        self._stand()

    def choose(self, now_s: HostS, index: int) -> None:
        """Makes an item ready. Raises NoSuchPlaceError for one that is not there."""
        if not 0 <= index < len(self.items):
            raise NoSuchPlaceError(f"there is no item {index + 1}: the show has {len(self.items)}")
        self.pause(now_s)
        self.index, self._position_s, self.transport = index, 0.0, Transport.READY

    # -- what happens to it ---------------------------------------------------------------------

    def tripped(self, now_s: HostS) -> None:
        """Permission is gone: the place is kept, the audio does as the item says."""
        self.held = True
        if self.transport not in (Transport.PLAYING, Transport.COUNTDOWN):
            return
        if self.item.on_trip == "go on" and self._audio_map is not None:
            self._position_s, self.transport = self.position_s(now_s), Transport.PAUSED
            self._map = None
            return
        if self.item.has_audio and self.item.on_trip == "fade":
            self._wish("fade", 0.0, now_s)
            self._position_s, self.transport = self.position_s(now_s), Transport.PAUSED
            self._stand()
            return
        self.pause(now_s)

    def audio_plays(self, clock: PositionMap) -> None:
        """The device has been given the place: `clock` is item time by the device's own clock."""
        if self.transport is Transport.COUNTDOWN and self.item.has_audio:
            self._audio_map = clock
            self._play(clock, self._position_s)

    def audio_is_missing(self, now_s: HostS) -> None:
        """There is no device: this computer's clock must do. The countdown is counted out."""
        self._audio_map = None  # or a trip with "go on" would have it joined again
        if self.item.has_audio and self.transport is Transport.COUNTDOWN:
            begin_s = max(self._begins_s, now_s + START_S)
            self._play(Steady(HostS(begin_s - self._position_s)), self._position_s)

    def follow(self, clock: PositionMap | None, now_s: HostS) -> None:
        """A chased item: the master runs by `clock`; None: it stands."""
        if clock is None:
            if self.transport is Transport.PLAYING:
                self._position_s, self.transport = self.position_s(now_s), Transport.PAUSED
            self._map = None
        elif not self.held:
            self._play(clock, clock.position_at(now_s))

    # -- what is to be played -------------------------------------------------------------------

    def next_s(self) -> HostS:
        """When the next event is heard, or the item ends; infinite while nothing runs."""
        if self._map is None:
            return HostS(math.inf)
        events, offset_s = self.item.score.events, self.item.score_offset_s
        if self._next < len(events):
            return self._map.host_at(events[self._next].position_s + offset_s)
        return self._map.host_at(self.item.duration_s)

    def take(self, until_s: HostS) -> list[tuple[HostS, bytes]]:
        """Every event heard up to `until_s`, with its time; each once."""
        if self._map is None:
            return []
        item, found = self.item, list[tuple[HostS, bytes]]()
        events = item.score.events
        if self._next < len(events) and self.next_s() < until_s - LOST_S:
            self._play(self._map, self._map.position_at(until_s))  # join, rather than catch up
        if self._before:
            begin_s = self._map.host_at(self._position_s)
            found += [(begin_s, message) for message in self._before]
            self._before = []
        while self._next < len(events):
            at_s = self._map.host_at(events[self._next].position_s + item.score_offset_s)
            if at_s > until_s:
                break
            found.append((at_s, events[self._next].message))
            self._next += 1
        if self._next == len(events) and self._map.host_at(item.duration_s) <= until_s:
            self._end(until_s)
        return found

    # -- inside ---------------------------------------------------------------------------------

    def _begin(self, now_s: HostS, position_s: float, countdown_s: float) -> None:
        at_s = HostS(now_s + max(START_S, countdown_s))
        self._position_s, self.transport, self._begins_s = position_s, Transport.COUNTDOWN, at_s
        if self.item.is_chased:
            self.held, self.transport = False, Transport.PAUSED  # its master says when
        elif self.item.has_audio:
            self._wish("play", position_s, at_s)
        else:
            self._play(Steady(HostS(at_s - position_s)), position_s)

    def _play(self, clock: PositionMap, position_s: float) -> None:
        self._map, self._position_s, self.transport = clock, position_s, Transport.PLAYING
        events, score_s = self.item.score.events, position_s - self.item.score_offset_s
        self._next = next(
            (i for i, e in enumerate(events) if e.position_s >= score_s - 1e-9), len(events)
        )
        self._before = settings_before(events[: self._next])

    def _stand(self) -> None:
        self._map = self._audio_map = None
        self.held = True

    def _end(self, now_s: HostS) -> None:
        self._stand()
        if self.index + 1 == len(self.items):
            self._position_s, self.transport = self.item.duration_s, Transport.ENDED
            return
        self.index, self._position_s, self.transport = self.index + 1, 0.0, Transport.READY
        if not self.item.wait:
            self.go(now_s)

    def _wish(self, act: Literal["play", "stop", "fade"], position_s: float, at_s: HostS) -> None:
        self.audio_wishes.append(AudioWish(act, self.index, position_s, at_s))


def settings_before(events: Sequence[ScoreEvent]) -> list[bytes]:
    """What holds after `events` but their notes: the last program, bend, pressure and controller
    of each channel, and every step of registered parameters, in order."""
    last: dict[tuple[int, ...], int] = {}
    for index, event in enumerate(events):
        status = event.message[0] & 0xF0
        if status < 0xB0 or status == 0xF0:
            continue
        key: tuple[int, ...] = (event.message[0],)
        if status == 0xB0:
            controller = event.message[1]
            steps = controller in (6, 38, 96, 97, 98, 99, 100, 101)
            key = (event.message[0], controller, index) if steps else (*key, controller)
        last[key] = index
    return [events[index].message for index in sorted(last.values())]
