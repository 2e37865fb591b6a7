"""What plays on a site with a panel: the instrument, bangs by hand beside it, then mutes. Pure.

A VoiceSource around another one. Bangs (sound check) are voices like any other: they pass the
operator's mutes and loudness, governor, interlock and guard. A held rate ends when no sign of the
hold has come for `HOLD_S`.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.attenuation import Attenuation
from bridge.bang_source import BangSource, Longer
from bridge.clocks import MusicS
from bridge.config import Config
from bridge.music.voices import VoiceAsk
from bridge.source import VoiceSource

HOLD_S = 0.3
"""A held rate without a sign for so long is silent. A page renews three times in this time."""
BANG_RATE_HZ = 10.0
RATES_HZ = (1.0, 500.0)
"""What a panel may ask for by hand; the coil's own limits hold as well."""
Command = tuple[str, tuple[float, ...]]


class Stage:
    """`inner` and, for each coil, a source of bangs; all of it attenuated."""

    def __init__(self, config: Config, inner: VoiceSource) -> None:
        self.inner = inner
        self.coils = tuple(c.name for c in config.coil)
        self.bangs = {n: BangSource(config, n, BANG_RATE_HZ, hold_s=HOLD_S) for n in self.coils}
        self.attenuation = Attenuation()
        self._commands: list[Command] = []

    # -- the operator's own commands ----------------------------------------------------------

    def _told(self, command: str, *numbers: float) -> None:
        self._commands.append((f"stage {command}", numbers))

    def mute(self, coil: str, muted: bool) -> None:
        self._told("mute", self.coils.index(coil), muted)
        self.attenuation.mute(coil, muted)

    def set_loudness(self, share: float) -> None:
        self._told("loudness", share)
        self.attenuation.set_loudness(share)

    def set_rate(self, coil: str, break_rate_hz: float) -> None:
        """For the next bangs; held to RATES_HZ."""
        self._told("rate", self.coils.index(coil), break_rate_hz)
        low, high = RATES_HZ
        self.bangs[coil].set_rate(min(high, max(low, break_rate_hz)))

    def longer(self, coil: str, now_s: MusicS) -> Longer:
        self._told("longer", self.coils.index(coil), now_s)
        return self.bangs[coil].longer(now_s)

    def shorter(self, coil: str) -> None:
        self._told("shorter", self.coils.index(coil))
        self.bangs[coil].shorter()

    def fire(self, coil: str, now_s: MusicS) -> None:
        """A single bang."""
        self._told("fire", self.coils.index(coil), now_s)
        self.bangs[coil].fire(now_s, 1)

    def hold(self, coil: str, now_s: MusicS) -> None:
        """A sign that the fixed rate is held."""
        self._told("hold", self.coils.index(coil), now_s)
        self.bangs[coil].hold(now_s)

    def let_go(self, coil: str) -> None:
        self._told("let_go", self.coils.index(coil))
        self.bangs[coil].let_go()

    def take_commands(self) -> Sequence[Command]:
        for bangs in self.bangs.values():
            bangs.take_commands()  # told here already, with the coil
        commands, self._commands = [*self.inner.take_commands(), *self._commands], []
        return commands

    def do(self, command: str, numbers: tuple[float, ...]) -> None:
        if not command.startswith("stage "):
            self.inner.do(command, numbers)
            return
        if command == "stage loudness" and len(numbers) == 1:
            self.set_loudness(numbers[0])
            return
        if not numbers or not 0 <= int(numbers[0]) < len(self.coils):
            raise ValueError(f"{command}: no such coil")
        coil = self.coils[int(numbers[0])]
        match command.removeprefix("stage "), numbers[1:]:
            case "mute", (muted,):
                self.mute(coil, bool(muted))
            case "rate", (break_rate_hz,):
                self.set_rate(coil, break_rate_hz)
            case "longer", (now_s,):
                self.longer(coil, MusicS(now_s))
            case "shorter", ():
                self.shorter(coil)
            case "fire", (now_s,):
                self.fire(coil, MusicS(now_s))
            case "hold", (now_s,):
                self.hold(coil, MusicS(now_s))
            case "let_go", ():
                self.let_go(coil)
            case _:
                raise ValueError(f"the stage knows no {command} with {len(numbers)} numbers")

    # -- VoiceSource --------------------------------------------------------------------------

    def midi(self, now_s: MusicS, input_name: str, message: bytes) -> None:
        self.inner.midi(now_s, input_name, message)

    def input_lost(self, now_s: MusicS, input_name: str) -> None:
        self.inner.input_lost(now_s, input_name)

    def hush(self, now_s: MusicS) -> None:
        for bangs in self.bangs.values():
            bangs.hush(now_s)
        self.inner.hush(now_s)

    def tick(self, now_s: MusicS) -> None:
        for bangs in self.bangs.values():
            bangs.tick(now_s)
        self.inner.tick(now_s)

    def voices(self, now_s: MusicS) -> dict[str, tuple[VoiceAsk, ...]]:
        asks = self.inner.voices(now_s)
        for name, bangs in self.bangs.items():
            if not bangs.sounding:
                continue
            # Negative, so that no voice of the instrument's has the same number.
            extra = tuple(v._replace(voice_id=-v.voice_id) for v in bangs.voices(now_s)[name])
            asks = {**asks, name: (*asks[name], *extra)}
        return self.attenuation.apply(asks)

    def attenuated(self, asks: dict[str, tuple[VoiceAsk, ...]]) -> dict[str, tuple[VoiceAsk, ...]]:
        """The mutes and the loudness, over what is played beside `inner`."""
        return self.attenuation.apply(asks)

    def moving(self) -> bool:
        return self.inner.moving()

    def next_deadline_s(self) -> MusicS | None:
        due = [s.next_deadline_s() for s in (self.inner, *self.bangs.values())]
        return min((s for s in due if s is not None), default=None)

    def notes_held(self) -> bool:
        return self.inner.notes_held() or any(b.notes_held() for b in self.bangs.values())

    def take_events(self) -> Sequence[object]:
        return self.inner.take_events()
