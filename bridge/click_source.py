"""One bang at a known moment, for the click test: heard with a click from the loudspeakers. Pure.

The moment is that at which the audience's middle should hear it; each coil fires earlier or later
by its acoustic offset, as in a show. The shortest pulse that breaks out, never more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.bang_source import BangSource
from bridge.clocks import HostS, MusicS
from bridge.config import Config
from bridge.music.voices import VoiceAsk
from bridge.show.show_source import AHEAD_S
from bridge.source import ShowStatus
from bridge.timeline import acoustic_offsets_s, speed_of_sound_m_s

CLICK_INPUT = "click"
BANG_RATE_HZ = 20.0
LOST_S = 0.05
"""A bang whose moment is further gone is not fired any more."""
MOST_TRIM_S = 0.1


class ClickSource:
    """A VoiceSource and a ScoreFeed: a bang on one coil, at the time it is told."""

    def __init__(self, config: Config) -> None:
        self.ahead_s = AHEAD_S
        self.coils = tuple(c.name for c in config.coil)
        self.index = 0
        """The coil whose turn it is."""
        self.trim_s = dict.fromkeys(self.coils, 0.0)
        """By coil: so much later than reckoned its bang is fired."""
        self._bangs = [BangSource(config, name, BANG_RATE_HZ) for name in self.coils]
        self._waiting: tuple[MusicS, int] | None = None

    @property
    def coil(self) -> str:
        return self.coils[self.index]

    def fire_at(self, heard_s: HostS) -> None:
        """One bang of the coil whose turn it is, to be heard then (and its trim later)."""
        self._waiting = (MusicS(heard_s + self.trim_s[self.coil]), self.index)

    def forget(self) -> None:
        """The bang that waits for its moment is not fired."""
        self._waiting = None

    def trim(self, by_s: float) -> float:
        """The coil's bang later by so much than it was; returns its trim."""
        wanted = self.trim_s[self.coil] + by_s
        self.trim_s[self.coil] = max(-MOST_TRIM_S, min(MOST_TRIM_S, wanted))
        return self.trim_s[self.coil]

    # -- ScoreFeed ------------------------------------------------------------------------------

    def lead(self, lead_s: float) -> None:
        """Nothing depends on it here."""

    def take(self, until_s: MusicS) -> Sequence[tuple[MusicS, str, bytes]]:
        if self._waiting is None or self._waiting[0] > until_s:
            return ()
        at_s, index = self._waiting
        self._waiting = None
        if at_s < until_s - self.ahead_s - LOST_S:
            return ()
        return ((at_s, CLICK_INPUT, bytes((0x90, index, 1))),)

    def next_event_s(self) -> MusicS:
        return MusicS(math.inf) if self._waiting is None else self._waiting[0]

    def darkened(self, now_s: HostS, at_s: MusicS) -> None:
        self.hush(at_s)

    def status(self, now_s: HostS) -> ShowStatus:
        return ShowStatus(
            name=f"click test: {self.coil}",
            item=self.index + 1,
            items=len(self.coils),
            transport="ready" if self._waiting is None else "countdown",
            bar=1,
            position_s=0.0,
            left_s=0.0,
            clock="audio device",
        )

    # -- VoiceSource ----------------------------------------------------------------------------

    def midi(self, now_s: MusicS, input_name: str, message: bytes) -> None:
        """What `take` brought; inputs play nothing here."""
        if input_name == CLICK_INPUT:
            self._bangs[message[1]].fire(now_s, 1)

    def input_lost(self, now_s: MusicS, input_name: str) -> None:
        """No input plays."""

    def hush(self, now_s: MusicS) -> None:
        self._waiting = None
        for bangs in self._bangs:
            bangs.hush(now_s)

    def tick(self, now_s: MusicS) -> None:
        for bangs in self._bangs:
            bangs.tick(now_s)

    def voices(self, now_s: MusicS) -> dict[str, tuple[VoiceAsk, ...]]:
        return {b.coil: b.voices(now_s)[b.coil] for b in self._bangs}

    def moving(self) -> bool:
        return False

    def next_deadline_s(self) -> MusicS | None:
        due = [s for s in (b.next_deadline_s() for b in self._bangs) if s is not None]
        return min(due, default=None)

    def notes_held(self) -> bool:
        return self._waiting is not None or any(b.notes_held() for b in self._bangs)

    def take_events(self) -> Sequence[object]:
        return ()

    def take_commands(self) -> Sequence[tuple[str, tuple[float, ...]]]:
        """None: it goes by an audio device's clock, which no journal has."""
        return ()

    def do(self, command: str, numbers: tuple[float, ...]) -> None:
        raise ValueError(f"a click test takes no command {command!r}{numbers}")


def coil_line(config: Config, name: str, trim_s: float) -> str:
    """What is reckoned for a coil, and what its trim says of its distance."""
    offset_ms = acoustic_offsets_s(config)[name] * 1000
    speed = speed_of_sound_m_s(config.site.air_temperature_c)
    distance_m = next(c.distance_to_audience_m for c in config.coil if c.name == name)
    at = f"at {config.site.air_temperature_c:g} °C, {speed:.0f} m/s"
    where = "no distance_to_audience_m" if distance_m is None else f"{distance_m:g} m away, {at}"
    when = f"{abs(offset_ms):.1f} ms {'after' if offset_ms >= 0 else 'before'} the timeline"
    line = f"{name}: {where}: fires {when}; trim {trim_s * 1000:+.0f} ms"
    if abs(trim_s) >= 0.0005 and distance_m is not None:
        line += f": distance_to_audience_m = {max(0.0, distance_m - trim_s * speed):.1f} has it in"
    return line


def track_delay_lines(config: Config, trim_s: Sequence[float]) -> list[str]:
    """What to enter in the DAW, input by input. `trim_s`: of each coil that was tried.

    A trim that all coils share is no matter of distances: bangs come that much too early for the
    audio, so the audio must wait that much less. What is left of each is its own distance.
    """
    common_s = sum(trim_s) / len(trim_s) if trim_s else 0.0
    lines: list[str] = []
    for one in config.input:
        if one.timing == "fixed_delay":
            trim_ms = 0.0 - common_s * 1000  # no -0.0
            lines.append(
                f"input {one.name}: in the DAW, delay the audio tracks by "
                f"{one.delay_ms + trim_ms:.1f} ms against the MIDI track "
                f"({one.delay_ms:g} ms of delay_ms, {trim_ms:+.1f} ms of trim)"
            )
        else:
            lines.append(
                f"input {one.name}: immediate: its jitter cannot be made good, nor any distance; "
                'give it timing = "fixed_delay" and a delay_ms to play beside audio'
            )
    return lines or ["the site has no input: nothing is to be entered in a DAW"]
