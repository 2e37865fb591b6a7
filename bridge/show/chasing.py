"""The master of a chased item: what arrives from it, and the places of the item it tells. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.clocks import HostS
from bridge.show.follower import CLOCK_ERROR, TIME_CODE_ERROR, Follower
from bridge.show.mtc import ClockReader, Heard, MtcReader, Observation
from bridge.show.position_map import Shifted
from bridge.show.score_file import Score


@dataclass(frozen=True, slots=True)
class Chase:
    """What a chased item follows: MIDI Time Code ("mtc") or MIDI clock ("clock") of an input."""

    input_name: str
    kind: str
    begin_s: float = 0.0
    """Time code at which the item begins, in seconds since midnight."""


class Chasing:
    """Hears one item's master, and knows where in the item it stands once `runs`."""

    def __init__(self, chase: Chase, score: Score) -> None:
        self._chase = chase
        self._score = score
        self._by_clock = chase.kind == "clock"
        self._reader = ClockReader() if self._by_clock else MtcReader()
        self.follower = Follower(prior_error=CLOCK_ERROR if self._by_clock else TIME_CODE_ERROR)

    @property
    def runs(self) -> bool:
        """`places` may be played by."""
        return self.follower.runs

    @property
    def places(self) -> Shifted:
        """Host time to seconds of the item."""
        return Shifted(self.follower.map, self._chase.begin_s)

    @property
    def says(self) -> str:
        """Which master it is and how the show stands to it, for people."""
        return f"{self._chase.input_name}: {self.follower.lock.value}"

    def is_of_master(self, input_name: str, message: bytes) -> bool:
        """Its system messages; the notes of the same input are somebody's who plays along."""
        return input_name == self._chase.input_name and message[0] >= 0xF0

    def hear(self, arrived_s: HostS, message: bytes) -> bool:
        """True: the music's place has changed, sounding notes must end."""
        seen = self._reader.feed(arrived_s, message)
        if seen is None:
            return False
        return self.follower.observe(self._in_seconds(seen) if self._by_clock else seen)

    def advance(self, now_s: HostS) -> bool:
        """Time passes. True: the master has stopped by staying quiet."""
        return self.follower.advance(now_s)

    def _in_seconds(self, seen: Observation) -> Observation:
        """Quarter notes of a MIDI clock as seconds of the score, by the score's own tempo map."""
        if seen.heard is Heard.BACKWARDS:
            return seen
        return Observation(seen.host_s, seen.heard, self._score.position_at_quarter(seen.position))
