"""Backing audio through PortAudio and a JACK server without hardware: begins, stops, is lost."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from bridge.host_clock import host_now
from bridge.show.audio_link import AudioLink
from bridge.show.player import Item, Player, Transport
from bridge.show.show_file import AudioFile, Show
from bridge.show.show_source import Playing, ShowSource
from tests.jack import JackServer, jack_server
from tests.show.stage import score_of
from tests.show.test_player import depot

__all__ = ["jack_server"]

AUDIO_S = 30.0


async def until(true: Callable[[], bool], what: str) -> None:
    try:
        async with asyncio.timeout(20):
            while not true():  # noqa: ASYNC110  (nobody tells)
                await asyncio.sleep(0.02)
    except TimeoutError:
        pytest.fail(f"20 s went by: {what}")


@pytest.mark.real
@pytest.mark.alone
def test_an_item_begins_with_its_audio_and_goes_on_without(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """Its time goes by the device from the first report on. Then the server dies: the item that
    plays goes on, the next begins by this computer's clock."""
    soundfile.write(tmp_path / "lamps.flac", np.zeros((int(AUDIO_S * 8000), 1)), 8000)
    item = Item("One", score_of([(0.0, 60, 1)]), has_audio=True, audio_s=AUDIO_S, countdown_s=0.5)
    player, said = Player([item, item]), list[str]()
    files = tuple(AudioFile(i, tmp_path / "lamps.flac", 1.0) for i in range(2))
    show = Show("Lantern night", (item, item), (), files, None, ())
    source = ShowSource(depot(), player, [Playing(), Playing()])
    link = AudioLink(show, source, said.append)

    async def hands() -> None:
        while True:
            link.do(host_now(), player.audio_wishes)
            await asyncio.sleep(0.02)

    async def night() -> None:
        running = [asyncio.create_task(link.run()), asyncio.create_task(hands())]
        try:
            called_s = host_now()
            player.go(called_s)
            await until(lambda: player.transport is Transport.PLAYING, "it does not begin")
            assert "is the show's clock" in said[0]
            await asyncio.sleep(1.0)
            before_s = player.position_s(host_now())
            await asyncio.sleep(1.0)
            # How near its second is to ours is measured elsewhere, on a machine at rest.
            assert player.position_s(host_now()) > before_s + 0.2
            jack_server.kill()
            await until(lambda: bool(link.missing), "the loss is not noticed")
            assert player.transport is Transport.PLAYING
            player.choose(host_now(), 1)
            player.go(host_now())
            await until(lambda: player.transport is Transport.PLAYING, "the next does not begin")
            assert "NONE" in said[-1]
        finally:
            for task in running:
                task.cancel()
            await asyncio.gather(*running, return_exceptions=True)

    asyncio.run(night())
