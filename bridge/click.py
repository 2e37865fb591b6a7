"""`coilwarden click`: one bang against an audio click, coil by coil, and the DAW's track delay.

Drives the site that `bang` drives: armed by the operator in two steps, one bang for each f, at the
shortest pulse that breaks out, through governor, interlock and guard.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import soundfile  # pyright: ignore[reportMissingTypeStubs]

from bridge import loop
from bridge.bang import for_bangs
from bridge.click_source import ClickSource, coil_line, track_delay_lines
from bridge.clocks import HostS
from bridge.config import Config
from bridge.host_clock import host_now
from bridge.interlock import State
from bridge.json_lines import json_lines
from bridge.own_words import OwnWord, find, told
from bridge.serve import run_site
from bridge.show.clock_map import ToldLine
from bridge.terminal import Operator

WORDS = (
    OwnWord("fire", "f", "fire (armed)"),
    OwnWord("next", "n", "next coil"),
    OwnWord("earlier", ",", "bang earlier"),
    OwnWord("later", ".", "bang later"),
    OwnWord("track", "t", "the track delay"),
)
STEP_S = 0.001
AHEAD_S = 0.8
"""Between the key and the click: time for the audio, and for an ear to be ready."""
FOUND_WITHIN_S = 10.0
ANSWER_S = 1.0
"""The audio has so long from the moment of a click, to say when it is heard."""
LOOK_S = 0.5
QUIET_LOOKS = 6
"""So many looks without a report: the device asks for nothing any more, or its process hangs."""
REMEDY = "look after the loudspeakers' device, then start `coilwarden click` again"
_RATE = 48_000


class NoClickError(Exception):
    """No click is heard, so nothing is to be fired; the text says why."""


class Clicks:
    """The audio process with nothing to play but a click."""

    def __init__(self, device: str | None) -> None:
        self.line = ToldLine()
        self.missing = ""
        self._device = device
        self._process: asyncio.subprocess.Process | None = None
        self._number = 0
        self._answer: asyncio.Future[float] | None = None
        """Of the click that was asked for last: when it begins, in the stream's seconds."""

    async def open(self, folder: Path) -> str:
        """Starts it; returns the device's name. Raises OSError with why there is none."""
        path = folder / "click.wav"
        click = np.zeros(_RATE // 10, dtype=np.float32)
        click[: _RATE // 1000] = 0.8  # a millisecond: as sharp as a bang
        soundfile.write(str(path), click, _RATE)  # pyright: ignore[reportUnknownMemberType]
        process = self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "bridge.show.audio_process",
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        self._say({"device": self._device, "files": [[0, str(path), 1.0]]})
        assert process.stdout is not None
        try:
            async with asyncio.timeout(FOUND_WITHIN_S):
                words = await self._first_words(process.stdout)
        except TimeoutError:
            words = {"missing": f"nothing heard of it for {FOUND_WITHIN_S:g} s"}
        if "rate" not in words:
            await self.close()
            raise OSError(words.get("missing", "its process ended"))
        return f"{words['device']} at {words['rate']:g} Hz"

    @staticmethod
    async def _first_words(reader: asyncio.StreamReader) -> dict[str, Any]:
        async with contextlib.aclosing(json_lines(reader, LOOK_S)) as lines:
            async for words in lines:
                if words is not None:
                    return words
        return {}

    async def run(self) -> None:
        """Hears its reports, until it ends, falls silent, or this is cancelled."""
        assert self._process is not None
        assert self._process.stdout is not None
        quiet = 0
        async for words in json_lines(self._process.stdout, LOOK_S):
            quiet = 0 if words is not None else quiet + 1
            if words is not None:
                self._heard(words)
            elif quiet >= QUIET_LOOKS:
                self._lost("the device asks for nothing any more")
                self._process.kill()  # no click may begin later
        self._lost(f"the audio process ended ({await self._process.wait()})")

    def _heard(self, words: dict[str, Any]) -> None:
        if "begins" in words:
            answer = self._answer
            if words["begins"] == self._number and answer is not None and not answer.done():
                answer.set_result(words["stream_s"])
        elif "pace" in words:
            self.line.tell(HostS(words["at_s"]), words["stream_s"], words["pace"])

    def _lost(self, why: str) -> None:
        self.missing = self.missing or why
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(NoClickError(self.missing))

    async def click_at(self, at_s: HostS) -> HostS:
        """Plays the click; returns when it is heard: then, or as soon as can be. Raises
        NoClickError when the process ends before it answers, or does not answer in time."""
        if self.missing:
            raise NoClickError(self.missing)
        self._number += 1
        self._answer = asyncio.get_running_loop().create_future()
        self._say({"play": 0, "number": self._number, "position_s": 0.0, "at_s": at_s})
        wait_s = max(0.0, at_s - host_now()) + ANSWER_S
        try:
            async with asyncio.timeout(wait_s):
                stream_s = await self._answer
        except TimeoutError:
            raise NoClickError(f"the audio process said nothing for {wait_s:.1f} s") from None
        line = self.line
        return HostS(line.host_s + (stream_s - line.position) / line.rate)

    async def close(self) -> None:
        process = self._process
        if process is None:
            return
        assert process.stdin is not None
        process.stdin.close()  # it ends by itself then
        try:
            async with asyncio.timeout(1.0):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()

    def _say(self, words: dict[str, Any]) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(words).encode() + b"\n")


class ClickDesk:
    """The operator's words → clicks and bangs."""

    def __init__(self, config: Config, clicks: Clicks) -> None:
        self.config = config
        self.source = ClickSource(for_bangs(config))
        self._clicks = clicks
        self._tried: set[str] = set()
        self._operator: Operator | None = None
        self._asked: asyncio.Task[None] | None = None

    def extra(self, said: str) -> str | None:
        """One key or word of the test's own; None if it is not one."""
        source = self.source
        word, rest = find(WORDS, said.lower())
        match word:
            case _ if rest:
                return None
            case "fire":
                return self._fire()
            case "next":
                if source.notes_held() or self._is_asked:
                    return "a bang is on its way"
                source.index = (source.index + 1) % len(source.coils)
                return self.describe()
            case "earlier":
                source.trim(-STEP_S)
                return self.describe()
            case "later":
                source.trim(STEP_S)
                return self.describe()
            case "track":
                return " · ".join(self.result())
            case _:
                return None

    def describe(self) -> str:
        return coil_line(self.config, self.source.coil, self.source.trim_s[self.source.coil])

    def result(self) -> list[str]:
        """What to enter in the DAW, by the coils tried so far."""
        trims = [self.source.trim_s[n] for n in self.source.coils if n in self._tried]
        return track_delay_lines(self.config, trims)

    @property
    def _is_asked(self) -> bool:
        return self._asked is not None and not self._asked.done()

    def _fire(self) -> str:
        if self._clicks.missing:
            return f"no click, so no bang: {self._clicks.missing}; {REMEDY}"
        if not self._is_armed:
            return "armed first: prove the stop, arm, then f"
        if self._is_asked or self.source.notes_held():
            return "a bang is on its way"
        self._asked = asyncio.get_running_loop().create_task(self._click_and_bang())
        return f"{self.source.coil}: one bang and one click, {AHEAD_S:g} s from now"

    async def _click_and_bang(self) -> None:
        try:
            heard_s = await self._clicks.click_at(HostS(host_now() + AHEAD_S))
        except NoClickError as error:
            if self._operator is not None:
                self._operator.say(f"no click, so no bang: {error}; {REMEDY}")
            return
        # Between the key and here permission may have gone: then the next arming fires nothing.
        if self._is_armed and self._operator is not None:
            self._tried.add(self.source.coil)
            self.source.fire_at(heard_s)
            self._operator.service.source_changed()

    @property
    def _is_armed(self) -> bool:
        operator = self._operator
        return operator is not None and operator.service.engine.interlock.state is State.ARMED

    async def beside(self, operator: Operator) -> None:
        """Runs beside the service until cancelled."""
        self._operator = operator
        await self._clicks.run()
        self.source.forget()
        operator.service.source_changed()
        operator.say(f"audio: {self._clicks.missing}: no bang is fired any more; {REMEDY}")
        await asyncio.Event().wait()


async def _run(config: Config, device: str | None, plain: bool) -> int:
    clicks = Clicks(device)
    with tempfile.TemporaryDirectory(prefix="coilwarden-click-") as folder:
        try:
            name = await clicks.open(Path(folder))
        except OSError as error:
            print(
                f"no audio device ({error}): without a click there is nothing to hear a bang "
                "against, and nothing is fired. As reckoned from the site file alone:",
                file=sys.stderr,
            )
            lines = [coil_line(config, c.name, 0.0) for c in config.coil]
            print("\n".join([*lines, *track_delay_lines(config, ())]))
            return 1
        desk = ClickDesk(config, clicks)
        try:
            return await run_site(
                for_bangs(config),
                desk.source,
                plain=plain,
                with_midi=False,
                extra=desk.extra,
                own_words=WORDS,
                greeting=f"click test by {name}. {told(WORDS, plain=plain)}. {desk.describe()}",
                beside=desk.beside,
            )
        finally:
            await clicks.close()
            print("\n".join(desk.result()))


def run(config: Config, *, device: str | None, plain: bool) -> int:
    """The command."""
    return loop.run(_run(config, device, plain))
