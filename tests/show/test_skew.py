"""Three clocks that differ (audio device, boards, host): the coils stay with the audio.

The device's callbacks go the real way: mixer, the process's reports as JSON, the link, the player.
"""

from __future__ import annotations

import json
import random

import numpy as np
import pytest

from bridge.clocks import HostS
from bridge.show.audio_link import AudioLink
from bridge.show.audio_process import Desk, Mixer
from bridge.show.player import Item, Player, Transport
from bridge.show.show_file import Show
from bridge.show.show_source import Playing, ShowSource
from bridge.virtual_site import VirtualSite
from tests.chain.rig import guard_refusals
from tests.show.stage import score_of
from tests.show.test_player import depot, onsets

RATE = 48_000.0
HOUR_S = 3600.0
MOST_S = 0.001


class Device:
    """Plays an item's audio by its own clock, wrong by so much; its callbacks come late: by 0.1 ms
    on average, one in twenty by up to 20 ms."""

    def __init__(
        self,
        player: Player,
        ppm: float,
        begun_s: float,
        block_s: float,
        source: ShowSource | None = None,
    ) -> None:
        show = Show("Lantern night", player.items, (), (), None, ())
        self.player = player
        source = source or ShowSource(depot(), player, [Playing()])
        self.link = AudioLink(show, source, lambda line: None)
        self.mixer = Mixer(RATE)
        silence = np.zeros((1, 2), dtype=np.float32)
        self.desk = Desk(self.mixer, {0: silence})
        self.true_rate = RATE * (1 + ppm * 1e-6)
        self.begun_s = begun_s
        self.draw = random.Random(ppm)
        self.out = np.zeros((round(block_s * RATE), 2), dtype=np.float32)
        self.zero_s = float("nan")
        """When item time 0 is heard in truth."""
        self.link.heard({"rate": RATE, "device": "Depot"})

    def next_s(self) -> float:
        return self.begun_s + self.mixer.frame / self.true_rate

    def block(self) -> None:
        """Four callbacks and one report, and what the player wants of it by now."""
        for _ in range(4):
            late_s = self.draw.expovariate(1e4)
            if self.draw.random() < 0.05:
                late_s += self.draw.uniform(0, 0.02)
            self.mixer.fill(self.out, self.next_s() + late_s)
        report = self.desk.observe()
        if report is not None:
            self.link.heard(json.loads(json.dumps(report)))
        wishes = list(self.player.audio_wishes)
        self.player.audio_wishes.clear()
        for wish in wishes:
            words = {"play": 0, "number": 1, "position_s": wish.position_s, "at_s": wish.at_s}
            self.link._number = 1
            answer = self.desk.command(words)
            assert answer is not None
            frames = (answer["stream_s"] - answer["position_s"]) * RATE
            self.zero_s = self.begun_s + frames / self.true_rate
            self.link.heard(json.loads(json.dumps(answer)))


@pytest.mark.parametrize("ppm", [-5000, -300, -100, 100, 300, 5000])
def test_an_hour_of_skew_makes_no_drift(ppm: float) -> None:
    """A note every second is given out 125 ms ahead; in an hour none is off. Reports come ten times
    less often than they do: harder, and less to reckon."""
    notes = [(float(i), 60, 1) for i in range(1, int(HOUR_S))]
    item = Item("One", score_of(notes), has_audio=True, audio_s=HOUR_S, countdown_s=5.0)
    player = Player([item])
    device = Device(player, ppm, 100.0, 0.25)
    for _ in range(12):
        device.block()
    player.go(HostS(device.next_s()))
    worst_s, found = 0.0, 0
    while player.transport in (Transport.COUNTDOWN, Transport.PLAYING):
        device.block()
        looks = [HostS(device.next_s() + 0.125 - i / 4) for i in (3, 2, 1, 0)]
        for at_s, message in [given for look_s in looks for given in player.take(look_s)]:
            if message[0] == 0x90:
                found += 1
                true_s = device.zero_s + found * RATE / device.true_rate
                worst_s = max(worst_s, abs(at_s - true_s))
    assert found == len(notes)
    assert worst_s < MOST_S


@pytest.mark.parametrize(("device_ppm", "north_ppm", "south_ppm"), [(5000, -5000, 300)])
def test_down_to_the_boards_pulses(device_ppm: float, north_ppm: float, south_ppm: float) -> None:
    """A whole site, for as long as is affordable."""
    length_s = 30.0
    notes = [(1.0 + i / 2, 60, 1 + i % 2) for i in range(55)]
    item = Item("One", score_of(notes), has_audio=True, audio_s=length_s, countdown_s=5.0)
    config = depot(north_ppm, south_ppm)
    source = ShowSource(config, Player([item]), [Playing()])
    site = VirtualSite(config, source)
    site.arm()
    device = Device(source.player, device_ppm, site.now_s, 0.025, source)

    def lives(until_s: float) -> None:
        while device.next_s() < until_s:
            site.run_until(HostS(device.next_s()))
            device.block()
            site.engine.source_changed(site.now_s)

    lives(site.now_s + 10.0)
    source.go(site.now_s)
    lives(site.now_s + 6.0 + length_s)
    found = onsets(site)
    assert len(found) == len(notes)
    late_s = [
        t - device.zero_s - at_s * RATE / device.true_rate
        for t, (at_s, _, _) in zip(found, notes, strict=True)
    ]
    assert max(map(abs, late_s)) < MOST_S
    assert guard_refusals(site) == 0
