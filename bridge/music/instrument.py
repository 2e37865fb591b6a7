"""The instrument: MIDI messages in, the voices of every coil out.

Pure: it never reads a clock, a port or a random source. Times are those of the timeline (when music
takes effect), given by the caller; they never decrease, and equal times happen. The same calls give
the same voices.
"""

from __future__ import annotations

from itertools import count
from math import inf

from bridge.clocks import MusicS
from bridge.config import Config, Input
from bridge.music.allocation import CoilVoices
from bridge.music.channel import Curves
from bridge.music.events import EventLog, MusicEvent, SensingLost
from bridge.music.note import Part
from bridge.music.player import SENSING_TIMEOUT_S, Player
from bridge.music.routing import Dealer, Router
from bridge.music.voices import VoiceAsk

LIVE_IDS = 1_000_000_000
"""Voice ids from here on are of what is played live over something else."""
_DEFAULT_MAX_NOTE_S: float = Input.model_fields["max_note_s"].default


class Instrument:
    """All inputs, all coils. See the methods; none of them raises for anything a port can send."""

    __slots__ = ("_coils", "_curves", "_dealer", "_log", "_music", "_now_s", "_players", "_router")

    def __init__(self, config: Config, *, first_voice_id: int = 1) -> None:
        self._music = config.music
        self._log = EventLog()
        ids = count(first_voice_id)
        self._coils = {
            coil.name: CoilVoices(coil, config.music, ids, self._log) for coil in config.coil
        }
        self._curves = Curves(config.music)
        self._router = Router(config.music, self._coils)
        self._dealer = Dealer(self._log)
        self._now_s = MusicS(-inf)
        self._players: dict[str, Player] = {}
        for one in config.input:
            self._add_player(one.name, one.max_note_s)

    def _add_player(self, name: str, max_note_s: float) -> Player:
        player = Player(
            name,
            max_note_s,
            music=self._music,
            curves=self._curves,
            router=self._router,
            dealer=self._dealer,
            log=self._log,
        )
        self._players[name] = player
        return player

    def midi(self, now_s: MusicS, input_name: str, message: bytes) -> None:
        """Take one complete MIDI message (status byte first) that came at `now_s`.

        Malformed and undefined messages do nothing but count in `ignored_messages` and leave a
        BadMessage event. An input that the configuration does not name is taken with default
        settings.
        """
        self._advance(now_s)
        player = self._players.get(input_name)
        if player is None:
            player = self._add_player(input_name, _DEFAULT_MAX_NOTE_S)
        player.message(now_s, message)

    def input_lost(self, now_s: MusicS, input_name: str) -> None:
        """The port is gone: its notes are released, its pedals, bends and pressures at rest."""
        self._advance(now_s)
        player = self._players.get(input_name)
        if player is not None:
            player.lost(now_s)

    def hush(self, now_s: MusicS) -> None:
        """Silence at once, without tails, pedals up, for every input."""
        self._advance(now_s)
        for coil in self._coils.values():
            coil.clear()
        for player in self._players.values():
            player.pedals_up()

    def tick(self, now_s: MusicS) -> None:
        """Let time pass: envelopes, vibrato, glides, fades, ends, active sensing."""
        self._advance(now_s)
        for coil in self._coils.values():
            coil.catch_up(now_s)

    def voices(self, now_s: MusicS) -> dict[str, tuple[VoiceAsk, ...]]:
        """What sounds at `now_s`, by coil name; every coil is there, silent ones with ()."""
        self._advance(now_s)
        return {name: coil.asks(now_s) for name, coil in self._coils.items()}

    def parts_of(self, coil_name: str) -> list[tuple[int, list[Part]]]:
        """What sounds on a coil, as last brought up: each train's voice id and its notes' parts.

        To look at, for a rehearsal's account of every note.
        """
        return [(train.voice_id, train.parts) for train in self._coils[coil_name].trains]

    def moving(self) -> bool:
        """Does the output change by itself (vibrato, envelope, release, glide, fade)?"""
        self._settle()
        return any(coil.moving for coil in self._coils.values())

    def next_deadline_s(self) -> MusicS | None:
        """The next moment at which something happens by itself though nothing moves, or None."""
        self._settle()
        deadline_s = inf
        for coil in self._coils.values():
            deadline_s = min(deadline_s, coil.wake_s)
        for player in self._players.values():
            deadline_s = min(deadline_s, player.deadline_s)
        return None if deadline_s == inf else MusicS(deadline_s)

    def notes_held(self) -> bool:
        """Is any key, or pedal-held note, down that sounds or may sound again unstruck?

        Notes that were stolen, faded or decayed to nothing do not count: they never come back.
        """
        self._settle()
        return any(player.holds_notes() for player in self._players.values())

    def take_events(self) -> list[MusicEvent]:
        """Events since the last call, oldest first. At most 512 wait; see `lost_events`."""
        self._settle()
        return self._log.take()

    def take_commands(self) -> tuple[tuple[str, tuple[float, ...]], ...]:
        """None: whatever plays here comes as MIDI."""
        return ()

    def do(self, command: str, numbers: tuple[float, ...]) -> None:
        """Raises ValueError: it has no commands."""
        raise ValueError(f"the instrument plays MIDI alone; it knows no {command}")

    @property
    def ignored_messages(self) -> int:
        """Malformed or undefined messages so far, over all inputs."""
        return sum(player.ignored for player in self._players.values())

    @property
    def lost_events(self) -> int:
        """Events that came while 512 others waited."""
        return self._log.lost

    def _advance(self, now_s: MusicS) -> None:
        """Do what fell due before anything new happens at `now_s`."""
        self._now_s = now_s
        for player in self._players.values():
            if now_s >= (deadline_s := player.deadline_s):
                player.lost(deadline_s)
                self._log.add(SensingLost(deadline_s, player.name, SENSING_TIMEOUT_S))
        for coil in self._coils.values():
            if now_s >= coil.wake_s:
                coil.refresh(now_s)

    def _settle(self) -> None:
        now_s = self._now_s
        for coil in self._coils.values():
            if coil.dirty or coil.moving or now_s >= coil.wake_s:
                coil.catch_up(now_s)


def live_instrument(config: Config) -> Instrument:
    """A second instrument, whose voices sound beside those of whatever else plays."""
    return Instrument(config, first_voice_id=LIVE_IDS)
