"""The voices of a show: the instrument, played by the score and by whoever plays along. Pure.

Gives the engine its score events ahead of their time (`ScoreFeed`, in source.py), each to take
effect exactly when the audience is to hear it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.clocks import HostS, MusicS
from bridge.config import Config, Input, Route
from bridge.music.instrument import Instrument
from bridge.music.voices import VoiceAsk
from bridge.show.follower import CLOCK_ERROR, TIME_CODE_ERROR, Follower
from bridge.show.mtc import ClockReader, Heard, MtcReader, Observation
from bridge.show.player import Player, Shifted, Transport
from bridge.show.score_file import Score
from bridge.source import ShowStatus

SCORE_INPUT = "score"
MAX_NOTE_S = 120.0
"""A score's note this long without a new event fades: files too forget to end notes."""
AHEAD_S = 0.125
"""How far ahead frames are sent: this computer may stand still for 100 ms, and a frame still needs
its time to be built, sent and queued. A board takes at most 250 ms."""
_IDS_APART = 1_000_000


@dataclass(frozen=True, slots=True)
class Chase:
    """What a chased item follows: MIDI Time Code ("mtc") or MIDI clock ("clock") of an input."""

    input_name: str
    kind: str
    begin_s: float = 0.0
    """Time code at which the item begins, in seconds since midnight."""


@dataclass(frozen=True, slots=True)
class Playing:
    """How an item is played, beside what is in `player.Item`."""

    routes: tuple[Route, ...] = ()
    """None: the site's."""
    priority_channel: int | None = None
    """Of the site where None."""
    chase: Chase | None = None


class ShowSource:
    """A VoiceSource and a ScoreFeed. `config`: the site; `playing`: one for each item."""

    def __init__(self, config: Config, player: Player, playing: Sequence[Playing]) -> None:
        self.player = player
        self.ahead_s = AHEAD_S
        self._config = config
        self._playing = tuple(playing)
        self._generation = -1
        self._has_ended = False
        self._item = -1
        self._now_s = MusicS(0.0)
        self._lead_s = AHEAD_S
        self._listen_anew()
        self._instrument = self._make()

    # -- ScoreFeed ------------------------------------------------------------------------------

    def take(self, until_s: MusicS) -> list[tuple[MusicS, str, bytes]]:
        """Score events that take effect up to `until_s`."""
        found = self.player.take(HostS(until_s))
        if self._item != self.player.index:
            found = []  # of the item that has ended: they are nothing to the next one's instrument
        self._change_item(until_s)
        if self.player.transport is Transport.ENDED and not self._has_ended:
            self._instrument.input_lost(max(self._now_s, until_s), SCORE_INPUT)
        self._has_ended = self.player.transport is Transport.ENDED
        return [(MusicS(at_s), SCORE_INPUT, message) for at_s, message in found]

    def next_event_s(self) -> MusicS:
        """When `take` has something next; infinite while nothing runs."""
        return MusicS(self.player.next_s())

    def lead(self, lead_s: float) -> None:
        """How far ahead of now the timeline runs, as the engine found it."""
        self._lead_s = lead_s

    def darkened(self, now_s: HostS, at_s: MusicS) -> None:
        """Permission was withdrawn at host time `now_s`: the place is kept."""
        self.player.tripped(now_s)
        self._instrument.input_lost(at_s, SCORE_INPUT)
        self._instrument.hush(at_s)

    def status(self, now_s: HostS) -> ShowStatus:
        player = self.player
        position_s = player.position_s(now_s)
        clock = "audio device" if player.item.has_audio else "this computer"
        if (chase := self._playing[player.index].chase) is not None:
            clock = f"{chase.input_name}: {self.follower.lock.value}"
            clock += "; the coils wait for go" * player.held
        counts = position_s < 0 and player.transport is Transport.PLAYING
        return ShowStatus(
            name=player.item.name,
            item=player.index + 1,
            items=len(player.items),
            transport=Transport.COUNTDOWN.value if counts else player.transport.value,
            bar=player.bar(now_s),
            position_s=round(position_s, 2),
            left_s=round(player.item.duration_s - position_s, 1),
            clock=clock,
        )

    # -- the operator's acts --------------------------------------------------------------------

    def go(self, now_s: HostS) -> None:
        self._change_item(MusicS(now_s + self._lead_s))
        self.player.go(now_s)

    def resume(self, now_s: HostS, bar: int | None) -> None:
        """Raises ValueError for a bar that is not there."""
        self.release(now_s)
        self.player.resume(HostS(now_s + self._lead_s), bar)

    def pause(self, now_s: HostS) -> None:
        """What is decided already is played out; coils and audio stand still a lead from now."""
        self.player.pause(HostS(now_s + self._lead_s))
        self.release(now_s)

    def choose(self, now_s: HostS, index: int) -> None:
        """Raises ValueError for an item that is not there."""
        self.player.choose(HostS(now_s + self._lead_s), index)
        self._change_item(MusicS(now_s + self._lead_s))

    def release(self, now_s: HostS) -> None:
        """The score lets go of its notes."""
        self._now_s = max(self._now_s, MusicS(now_s + self._lead_s))
        self._instrument.input_lost(self._now_s, SCORE_INPUT)

    # -- inside ---------------------------------------------------------------------------------

    def _make(self) -> Instrument:
        playing = self._playing[self.player.index]
        music, changes = self._config.music, dict[str, object]()
        if playing.routes:
            changes["routes"] = playing.routes
        if playing.priority_channel is not None:
            changes["priority_channel"] = playing.priority_channel
        self._item = self.player.index
        self._generation += 1
        score = Input(name=SCORE_INPUT, virtual_port=SCORE_INPUT, max_note_s=MAX_NOTE_S)
        inputs = (*(i for i in self._config.input if i.name != SCORE_INPUT), score)
        config = self._config.model_copy(
            update={"music": music.model_copy(update=changes), "input": inputs}
        )
        # Ids go on: a voice of the last item and one of the next are never taken for the same.
        return Instrument(config, first_voice_id=1 + self._generation * _IDS_APART)

    def _change_item(self, at_s: MusicS) -> None:
        if self._item == self.player.index:
            return
        self._now_s = max(self._now_s, at_s)
        self._instrument.hush(self._now_s)
        self._instrument = self._make()
        self._listen_anew()

    def _listen_anew(self) -> None:
        """For the master of the item, if it has one."""
        chase = self._playing[self.player.index].chase
        by_clock = chase is not None and chase.kind == "clock"
        self._mtc, self._clock = MtcReader(), ClockReader()
        self.follower = Follower(prior_error=CLOCK_ERROR if by_clock else TIME_CODE_ERROR)

    def _follow(self, at_s: MusicS, chase: Chase, message: bytes) -> None:
        arrived_s = HostS(at_s - self._lead_s)
        score = self.player.item.score
        seen = (self._mtc if chase.kind == "mtc" else self._clock).feed(arrived_s, message)
        if seen is None:
            return
        if chase.kind == "clock":
            seen = _in_seconds(seen, score)
        begin_s = chase.begin_s
        follower = self.follower
        if follower.observe(seen):
            self.player.follow(None, HostS(at_s))
            self._instrument.input_lost(at_s, SCORE_INPUT)
        if follower.runs and self.player.transport is not Transport.PLAYING:
            self.player.follow(Shifted(follower.map, begin_s), HostS(at_s))

    # -- VoiceSource ----------------------------------------------------------------------------

    def midi(self, now_s: MusicS, input_name: str, message: bytes) -> None:
        self._now_s = max(self._now_s, now_s)
        chase = self._playing[self.player.index].chase
        if chase is not None and input_name == chase.input_name and message[0] >= 0xF0:
            self._follow(self._now_s, chase, message)
            return
        self._instrument.midi(self._now_s, input_name, message)

    def input_lost(self, now_s: MusicS, input_name: str) -> None:
        self._now_s = max(self._now_s, now_s)
        self._instrument.input_lost(self._now_s, input_name)

    def hush(self, now_s: MusicS) -> None:
        self._now_s = max(self._now_s, now_s)
        self._instrument.hush(self._now_s)

    def tick(self, now_s: MusicS) -> None:
        self._now_s = max(self._now_s, now_s)
        chase = self._playing[self.player.index].chase
        if chase is not None and self.follower.advance(HostS(self._now_s - self._lead_s)):
            self.player.follow(None, HostS(self._now_s))
            self._instrument.input_lost(self._now_s, SCORE_INPUT)
        self._instrument.tick(self._now_s)

    def voices(self, now_s: MusicS) -> dict[str, tuple[VoiceAsk, ...]]:
        self._now_s = max(self._now_s, now_s)
        return self._instrument.voices(self._now_s)

    def moving(self) -> bool:
        return self._instrument.moving()

    def next_deadline_s(self) -> MusicS | None:
        deadline_s = self._instrument.next_deadline_s()
        if self.follower.runs:  # a sender that stays away is noticed by nobody else
            look_s = MusicS(self._now_s + 0.05)
            return look_s if deadline_s is None else min(deadline_s, look_s)
        return deadline_s

    def notes_held(self) -> bool:
        return self._instrument.notes_held()

    def take_events(self) -> Sequence[object]:
        return self._instrument.take_events()

    def take_commands(self) -> Sequence[tuple[str, tuple[float, ...]]]:
        """None: what the operator tells a show depends on files and clocks outside a journal, so a
        journal of a show is shown and reported, and not replayed."""
        return ()

    def do(self, command: str, numbers: tuple[float, ...]) -> None:
        raise ValueError(f"a show takes no command {command!r}{numbers}")


def _in_seconds(seen: Observation, score: Score) -> Observation:
    """Quarter notes of a MIDI clock as seconds of the score, by the score's own tempo map."""
    if seen.heard is Heard.BACKWARDS:
        return seen
    return Observation(seen.host_s, seen.heard, score.position_at_quarter(seen.position))
