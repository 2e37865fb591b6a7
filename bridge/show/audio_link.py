"""The daemon's end of the audio process: its clock, what it is told, what it tells. Shell."""

from __future__ import annotations

import asyncio
import json
import math
import sys
from collections.abc import Callable
from typing import Any

from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.json_lines import json_lines
from bridge.show.player import AudioWish
from bridge.show.show_file import Show
from bridge.show.show_source import ShowSource

LEAVE_S = 1.0
"""The audio process has so long to end by itself."""
LOAD_S = 120.0
"""It has so long to open the device and load every file."""
ANSWER_S = 1.0
"""It has so long from the moment at which it was to play something, to say that it does."""
LOOK_S = 1.0
"""Between looks that nobody counts here: `do` counts its own."""
QUIET_LOOKS = 150
"""So many looks (`do`, 20 ms apart) without a report: the device asks for nothing any more. Looks,
not seconds: after this computer stood still the reports of meanwhile are read first."""


class AudioLink:
    """Keeps the source told of the device's clock; `say` gets lines for the operator."""

    def __init__(self, show: Show, source: ShowSource, say: Callable[[str], None]) -> None:
        self.missing = ""
        """Why there is no audio; "" while there is, or may be."""
        self.underruns = 0
        self._ready = False
        self._quiet_looks = 0
        self._number = 0
        """Of the last thing it was asked to play: an answer may come after the next was asked."""
        self._item = 0
        self._answer_by_s = HostS(math.inf)
        self._show = show
        self._source = source
        self._player = source.player
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
        self._answer_by_s = HostS(host_now() + LOAD_S)
        try:
            files = [[f.item, str(f.path.resolve()), f.gain] for f in self._show.audio]
            self._write({"device": self._show.audio_device, "files": files})
            async for words in json_lines(process.stdout, LOOK_S):
                if words is not None:
                    self.heard(words)
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
            self.lost(words["missing"])
        elif "rate" in words:
            self._ready, self._answer_by_s = True, HostS(math.inf)
            self._say(f"audio: {words['device']} at {words['rate']:g} Hz is the show's clock")
        elif "begins" in words:
            # Not if another has been asked for since, or is about to be.
            if words["begins"] == self._number and not self._player.audio_wishes:
                self._answer_by_s = HostS(math.inf)
                ahead_s = words["stream_s"] - words["position_s"]
                self._source.audio_begins(self._item, ahead_s)
        elif "stream_s" in words:
            self._quiet_looks = 0
            if words["underruns"] != self.underruns:
                self.underruns = words["underruns"]
                self._source.audio_jumped()
                self._say(f"audio: underrun {self.underruns}; the coils go with what was played")
            self._source.audio_at(HostS(words["at_s"]), words["stream_s"], words["pace"])

    def do(self, now_s: HostS, wishes: list[AudioWish]) -> None:
        """What the player wants of the audio; takes out of the list what is done. Called often."""
        self._quiet_looks += self._ready
        if self._answer_by_s < now_s:
            self._give_up("it does not answer")
        elif self._quiet_looks > QUIET_LOOKS:
            self._give_up("the device asks for nothing any more")
        if not (self._ready or self.missing):
            return
        for wish in wishes:
            if self.missing:
                if wish.act == "play":
                    self._source.audio_is_missing(now_s)
            elif wish.act == "play":
                self._number += 1
                self._item = wish.item
                self._answer_by_s = HostS(max(now_s, wish.at_s) + ANSWER_S)
                words = {"play": wish.item, "number": self._number}
                self._write(words | {"position_s": wish.position_s, "at_s": wish.at_s})
            else:
                self._answer_by_s = HostS(math.inf)
                self._write({wish.act: wish.at_s})
        wishes.clear()

    def _give_up(self, why: str) -> None:
        self.lost(why)
        if self._process is not None:
            self._process.kill()  # it must not begin later, beside the coils

    def lost(self, why: str) -> None:
        """There is no audio any more; what waits for it goes on without. Said once."""
        if self.missing:
            return
        self._ready, self._quiet_looks = False, 0
        self.missing, self._answer_by_s = why, HostS(math.inf)
        self._say(f"audio: NONE ({why}): the show runs on this computer's clock, without its audio")
        self._source.audio_is_missing(host_now())

    def _write(self, words: dict[str, Any]) -> None:
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.write(json.dumps(words).encode() + b"\n")
