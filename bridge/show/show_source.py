"""The voices of a show: the instrument, played by the score and by whoever plays along. Pure.

Gives the engine its score events ahead of their time (`ScoreFeed`, in source.py), each to take
effect exactly when the audience is to hear it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.clocks import HostS, MusicS
from bridge.config import Config, Input, Route
from bridge.music.instrument import Instrument
from bridge.music.voices import VoiceAsk
from bridge.show.chasing import Chase, Chasing
from bridge.show.clock_map import AUDIO_JUMP_S, ClockMap, ToldLine
from bridge.show.player import Item, Player, Transport
from bridge.show.position_map import Shifted
from bridge.show.score_file import NoSuchPlaceError
from bridge.source import ShowStatus

SCORE_INPUT = "score"
MAX_NOTE_S = 120.0
"""A score's note this long without a new event fades: files too forget to end notes."""
AHEAD_S = 0.125
"""How far ahead frames are sent: this computer may stand still for 100 ms, and a frame still needs
its time to be built, sent and queued. A board takes at most 250 ms."""
_IDS_APART = 1_000_000


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
        self.chasing = self._chase_anew()
        self._audio_line = ToldLine()
        self.audio_map = ClockMap(self._audio_line, jump_s=AUDIO_JUMP_S)
        """The audio device's clock: position in its stream."""
        self._commands: list[tuple[str, tuple[float, ...]]] = []
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
        if self.chasing is not None:
            clock = self.chasing.says
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

    @property
    def made_of(self) -> tuple[tuple[Item, ...], tuple[Playing, ...]]:
        """Its items, and how each is played."""
        return self.player.items, self._playing

    # -- the operator's acts --------------------------------------------------------------------

    def go(self, now_s: HostS) -> None:
        self._told("go", now_s)
        self._change_item(MusicS(now_s + self._lead_s))
        self.player.go(now_s)

    def resume(self, now_s: HostS, bar: int | None) -> None:
        """Raises NoSuchPlaceError for a bar that is not there; what plays then plays on."""
        self._told("resume", now_s, *(() if bar is None else (bar,)))
        self.player.resume(HostS(now_s + self._lead_s), bar)
        self.release(now_s)

    def pause(self, now_s: HostS) -> None:
        """What is decided already is played out; coils and audio stand still a lead from now."""
        self._told("pause", now_s)
        self.player.pause(HostS(now_s + self._lead_s))
        self.release(now_s)

    def choose(self, now_s: HostS, index: int) -> None:
        """Raises NoSuchPlaceError for an item that is not there."""
        self._told("choose", now_s, index)
        self.player.choose(HostS(now_s + self._lead_s), index)
        self._change_item(MusicS(now_s + self._lead_s))

    def release(self, now_s: HostS) -> None:
        """The score lets go of its notes."""
        self._now_s = max(self._now_s, MusicS(now_s + self._lead_s))
        self._instrument.input_lost(self._now_s, SCORE_INPUT)

    # -- what the audio says --------------------------------------------------------------------

    def audio_begins(self, item: int, ahead_s: float) -> None:
        """The device has the item's place: item time is stream time less `ahead_s`."""
        self._told("audio_begins", item, ahead_s)
        if item == self.player.index:
            self.player.audio_plays(Shifted(self.audio_map, ahead_s))

    def audio_at(self, at_s: HostS, stream_s: float, pace: float) -> None:
        """So much of the stream was heard at `at_s`; it runs at `pace` stream seconds a second."""
        self._told("audio_at", at_s, stream_s, pace)
        self._audio_line.tell(at_s, stream_s, pace)
        settle = self.player.transport is not Transport.PLAYING
        self.audio_map.observe(at_s, stream_s, settle=settle)

    def audio_jumped(self) -> None:
        """An underrun: what was known of the stream's time is void."""
        self._told("audio_jumped")
        self.audio_map.restart()

    def audio_is_missing(self, now_s: HostS) -> None:
        """There is no device: this computer's clock must do."""
        self._told("audio_is_missing", now_s)
        self.player.audio_is_missing(now_s)

    # -- inside ---------------------------------------------------------------------------------

    def _told(self, command: str, *numbers: float) -> None:
        self._commands.append((f"show {command}", numbers))

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
        self.chasing = self._chase_anew()

    def _chase_anew(self) -> Chasing | None:
        """The master of the item, if it has one."""
        chase = self._playing[self.player.index].chase
        return None if chase is None else Chasing(chase, self.player.item.score)

    def _lose_master(self) -> None:
        """Its place has changed or it has stopped: what sounds by it ends."""
        self.player.follow(None, HostS(self._now_s))
        self._instrument.input_lost(self._now_s, SCORE_INPUT)

    # -- VoiceSource ----------------------------------------------------------------------------

    def midi(self, now_s: MusicS, input_name: str, message: bytes) -> None:
        self._now_s = max(self._now_s, now_s)
        chasing = self.chasing
        if chasing is not None and chasing.is_of_master(input_name, message):
            if chasing.hear(HostS(self._now_s - self._lead_s), message):
                self._lose_master()
            if chasing.runs and self.player.transport is not Transport.PLAYING:
                self.player.follow(chasing.places, HostS(self._now_s))
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
        chasing = self.chasing
        if chasing is not None and chasing.advance(HostS(self._now_s - self._lead_s)):
            self._lose_master()
        self._instrument.tick(self._now_s)

    def voices(self, now_s: MusicS) -> dict[str, tuple[VoiceAsk, ...]]:
        self._now_s = max(self._now_s, now_s)
        return self._instrument.voices(self._now_s)

    def moving(self) -> bool:
        return self._instrument.moving()

    def next_deadline_s(self) -> MusicS | None:
        deadline_s = self._instrument.next_deadline_s()
        # A sender that stays away is noticed by nobody else.
        if self.chasing is not None and self.chasing.runs:
            look_s = MusicS(self._now_s + 0.05)
            return look_s if deadline_s is None else min(deadline_s, look_s)
        return deadline_s

    def notes_held(self) -> bool:
        return self._instrument.notes_held()

    def take_events(self) -> Sequence[object]:
        return self._instrument.take_events()

    def take_commands(self) -> Sequence[tuple[str, tuple[float, ...]]]:
        """What operator and audio have told it since: with the items, all that a replay needs."""
        commands, self._commands = self._commands, []
        return commands

    def do(self, command: str, numbers: tuple[float, ...]) -> None:
        with contextlib.suppress(NoSuchPlaceError):  # it was not there then either
            self._do(command, numbers)
        self._commands.clear()

    def _do(self, command: str, numbers: tuple[float, ...]) -> None:
        match command.removeprefix("show "), numbers:
            case "go", (now_s,):
                self.go(HostS(now_s))
            case "resume", (now_s, *bar):
                self.resume(HostS(now_s), int(bar[0]) if bar else None)
            case "pause", (now_s,):
                self.pause(HostS(now_s))
            case "choose", (now_s, index):
                self.choose(HostS(now_s), int(index))
            case "audio_begins", (item, ahead_s):
                self.audio_begins(int(item), ahead_s)
            case "audio_at", (at_s, stream_s, pace):
                self.audio_at(HostS(at_s), stream_s, pace)
            case "audio_jumped", ():
                self.audio_jumped()
            case "audio_is_missing", (now_s,):
                self.audio_is_missing(HostS(now_s))
            case _:
                raise ValueError(f"a show knows no {command} with {len(numbers)} numbers")
