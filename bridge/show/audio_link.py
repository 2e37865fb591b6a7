"""The daemon's end of the audio process: its clock, what it is told, what it tells. Shell."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable
from typing import Any

from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.show.clock_map import ClockMap, ToldLine
from bridge.show.player import AudioWish, Player, Shifted, Transport
from bridge.show.show_file import Show

LEAVE_S = 1.0
"""The audio process has so long to end by itself."""


class AudioLink:
    """Keeps the player told of the device's clock; `say` gets lines for the operator."""

    def __init__(self, show: Show, player: Player, say: Callable[[str], None]) -> None:
        self._line = ToldLine()
        self.map = ClockMap(self._line)
        self.missing = ""
        """Why there is no audio; "" while there is, or may be."""
        self.underruns = 0
        self._show = show
        self._player = player
        self._say = say
        self._process: asyncio.subprocess.Process | None = None

    async def run(self) -> None:
        """Until cancelled."""
        process = self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "bridge.show.audio_process",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is for the daemon, which stops the coils first
        )
        assert process.stdout is not None
        try:
            files = [[f.item, str(f.path.resolve()), f.gain] for f in self._show.audio]
            self._write({"device": self._show.audio_device, "files": files})
            while line := await process.stdout.readline():
                self.heard(json.loads(line))
            self.lost(self.missing or f"its process ended ({await process.wait()})")
        finally:
            if process.stdin is not None:
                process.stdin.close()  # it ends by itself then
            try:
                async with asyncio.timeout(LEAVE_S):
                    await process.wait()
            except TimeoutError:
                process.kill()
                await process.wait()
            self._process = None

    def heard(self, words: dict[str, Any]) -> None:
        """A line of the process."""
        if "missing" in words:
            self.missing = words["missing"]
        elif "rate" in words:
            self._say(f"audio: {words['device']} at {words['rate']:g} Hz is the show's clock")
        elif "begins" in words:
            if words["begins"] == self._player.index:
                self._player.audio_plays(Shifted(self.map, words["stream_s"] - words["position_s"]))
        elif "stream_s" in words:
            if words["underruns"] != self.underruns:
                self.underruns = words["underruns"]
                self.map.restart()
                self._say(f"audio: underrun {self.underruns}; the coils go with what was played")
            at_s = HostS(words["at_s"])
            self._line.tell(at_s, words["stream_s"], words["pace"])
            settle = self._player.transport is not Transport.PLAYING
            self.map.observe(at_s, words["stream_s"], settle=settle)

    def do(self, wishes: list[AudioWish]) -> None:
        """What the player wants of the audio; empties the list."""
        for wish in wishes:
            if self.missing:
                if wish.act == "play":
                    self._player.audio_is_missing(host_now())
            elif wish.act == "play":
                words = {"play": wish.item, "position_s": wish.position_s, "at_s": wish.at_s}
                self._write(words)
            else:
                self._write({wish.act: wish.at_s})
        wishes.clear()

    def _write(self, words: dict[str, Any]) -> None:
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.write(json.dumps(words).encode() + b"\n")

    def lost(self, why: str) -> None:
        """There is no audio from now on, and the show does not wait for it."""
        self.missing = why
        self._say(f"audio: NONE ({why}): the show runs on this computer's clock, without its audio")
        self._player.audio_is_missing(host_now())
