"""`coilwarden show`: a cue list, by an operator. Shell around ShowSource and AudioLink."""

from __future__ import annotations

import asyncio
from functools import partial

from bridge import loop
from bridge.config import Config
from bridge.host_clock import host_now
from bridge.interlock import State
from bridge.own_words import OwnWord, find, told
from bridge.panel.commands import Phase
from bridge.serve import run_site
from bridge.show.audio_link import AudioLink
from bridge.show.player import Player, Transport
from bridge.show.show_file import Show
from bridge.show.show_source import ShowSource
from bridge.show.show_stage import ShowStage
from bridge.terminal import Operator

WORDS = (
    OwnWord("go", "g"),
    OwnWord("pause", "p"),
    OwnWord("resume", "b", "from the bar again", "[BAR]"),
    OwnWord("next", "n", "next item"),
    OwnWord("item", takes="NUMBER"),
)
ASKED = ("go", "pause", "resume", "next")
LOOK_S = 0.02


class Desk:
    """The operator's words → the show; the show's wishes → the audio."""

    def __init__(self, config: Config, show: Show) -> None:
        self.show = show
        self.source = ShowSource(config, Player(show.items), show.playing)
        self.operator: Operator | None = None
        self.audio = AudioLink(show, self.source, self._say)

    def _say(self, line: str) -> None:
        if self.operator is not None:
            self.operator.say(line)

    def extra(self, said: str) -> str | None:
        """One key or word of the show's own; None if it is not one."""
        now_s, source = host_now(), self.source
        word, number = find(WORDS, said.lower())
        player = source.player
        try:
            match word:
                case "go" | "resume":
                    if not self._is_armed:
                        return "armed first, then go: reset if tripped, arm, then go"
                    if word == "go" and player.transport is Transport.READY:
                        source.go(now_s)
                    elif word == "go" and player.runs:
                        return "it plays already"
                    else:
                        source.resume(now_s, _counted(number) if number else None)
                case "pause":
                    source.pause(now_s)
                case "next":
                    source.choose(now_s, player.index + 1)
                case "item" if number:
                    source.choose(now_s, _counted(number) - 1)
                case _:
                    return None
        except ValueError as error:
            return str(error)
        return self.status()

    def asked(self, word: str, who: str, phase: Phase | None) -> str:
        """The same by the panel: `who` asks for one of ASKED."""
        answer = self.extra(word) or ""
        if self.operator is not None:  # or what it let go of would sound until something else came
            self.operator.service.source_changed()
        self._say(f"{who}: {word}: {answer}")
        return answer

    def status(self) -> str:
        """Where the show is, as a line."""
        return self.source.status(host_now()).line()

    async def beside(self, operator: Operator) -> None:
        """Runs beside the service until cancelled."""
        self.operator = operator
        audio = asyncio.create_task(self._keep_audio(), name="audio")
        player, said = self.source.player, ""
        try:
            while True:
                self.audio.do(host_now(), player.audio_wishes)
                now = f"{player.index} {player.transport}"
                if now != said:
                    said = now
                    self._say(self.status())
                await asyncio.sleep(LOOK_S)
        finally:
            audio.cancel()
            await asyncio.gather(audio, return_exceptions=True)

    async def _keep_audio(self) -> None:
        if not self.show.audio:
            return
        try:
            await self.audio.run()
        except (OSError, ValueError, KeyError) as error:
            self.audio.lost(repr(error))

    @property
    def _is_armed(self) -> bool:
        operator = self.operator
        return operator is not None and operator.service.engine.interlock.state is State.ARMED


def _counted(number: str) -> int:
    """Raises ValueError, as a sentence."""
    if not number.isdecimal():
        raise ValueError(f"{number!r} is no number")
    return int(number)


def run(config: Config, show: Show, *, plain: bool) -> int:
    """The command."""
    desk = Desk(config, show)
    lines = [f"{show.name}: {len(show.items)} items. {told(WORDS, plain=plain)}.", *show.remarks]
    return loop.run(
        run_site(
            config,
            desk.source,
            plain=plain,
            extra=desk.extra,
            own_words=WORDS,
            greeting=" · ".join(lines),
            beside=desk.beside,
            panel=lambda: ShowStage(config, desk.source),
            panel_acts={f"show:{word}": partial(desk.asked, word) for word in ASKED},
        )
    )
