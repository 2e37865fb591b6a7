"""A show by its page: transport, what the page tells of it, and a trip in its middle."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest
from playwright.sync_api import Browser, Page

from tests.end_to_end.rig import status, wait_until
from tests.jack import JackServer, jack_server  # noqa: F401
from tests.panel.rig import (
    PanelRig,
    arm,
    open_page,
    sign_in,
    state,
    wait_for_state,
)
from tests.panel.starved import unless_starved

pytestmark = pytest.mark.real
BARS = 80
BAR_S = 0.5
SHOW = """
name = "Lantern night"

[[item]]
name = "Round"
score = "round.mid"
countdown_s = 0

[[item]]
name = "Lamps"
score = "round.mid"
countdown_s = 30
"""


def write_show(folder: Path) -> Path:
    """BARS bars of 2/4 at 240 to the minute, a held note in each."""
    file = mido.MidiFile(type=0, ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("time_signature", numerator=2, denominator=4))
    track.append(mido.MetaMessage("set_tempo", tempo=round(BAR_S / 2 * 1e6)))
    track.append(mido.Message("program_change", program=19))  # an organ's: it does not fade
    for bar in range(BARS):
        track.append(mido.Message("note_on", note=57 + bar % 12, velocity=90, time=10))
        track.append(mido.Message("note_off", note=57 + bar % 12, time=2 * 480 - 10))
    file.save(folder / "round.mid")
    path = folder / "SHOW.toml"
    path.write_text(SHOW, encoding="utf-8")
    return path


def place(page: Page) -> tuple[str, int, int]:
    """(transport, bar, seconds left) as the page says them."""
    transport, bar, left, _ = page.locator("#show-place").inner_text().split(" · ")
    minutes, seconds = left.removesuffix(" left").split(":")
    return transport, int(bar.removeprefix("bar ")), 60 * int(minutes) + int(seconds)


def tap(page: Page, words: str) -> None:
    page.locator("#show-acts button", has_text=words).click()


def wait_for_transport(page: Page, word: str) -> None:
    wait_until(lambda: place(page)[0] == word, lambda: f"{word}, it is {place(page)}", 8.0)


def test_transport_by_the_page(
    tmp_path: Path,
    jack_server: JackServer,  # noqa: F811
    chromium: Browser,
) -> None:
    unless_starved(
        tmp_path,
        lambda folder: PanelRig(folder, show=write_show(folder)),
        lambda panel: transport(panel, chromium),
    )


def transport(panel: PanelRig, chromium: Browser) -> None:
    with panel.running() as (board, daemon):
        page, viewer = (open_page(chromium, panel.address) for _ in range(2))
        sign_in(page, panel.operators["Mara"])
        page.locator("#show-item", has_text="1 of 2: Round").wait_for()
        assert place(page) == ("ready", 1, BARS * BAR_S + 1)  # and half a second of tail
        # A viewer sees it all and may do none of it.
        viewer.locator("#show-item", has_text="1 of 2: Round").wait_for()
        assert viewer.locator("#show-acts button:enabled").count() == 0
        # Go does nothing while locked, and says what comes first.
        tap(page, "Go")
        page.locator("#answer", has_text="armed first, then go").wait_for()
        assert place(page)[0] == "ready"
        board.say("prove")
        arm(page)
        tap(page, "Go")
        wait_for_transport(page, "playing")
        wait_until(lambda: place(page)[1] >= 5, "the fifth bar")
        wait_until(lambda: len(panel.rig.pulses()) > 100, "pulses")
        wait_until(lambda: place(viewer)[1] >= 5, "the viewer's fifth bar")
        what, bar, left_s = place(page)
        assert what == "playing"
        assert left_s == pytest.approx((BARS - bar + 0.5) * BAR_S + 1.5, abs=1.1)
        # Pause: silent, the place is kept, still armed.
        tap(page, "Pause")
        wait_for_transport(page, "paused")
        wait_until(lambda: status(daemon)["coils"][0]["voices"] == [], "silence")
        page.wait_for_timeout(300)  # what was sent ahead is played out
        kept, fired = place(page), len(panel.rig.pulses())
        assert kept[1] >= bar
        page.wait_for_timeout(400)
        assert place(page) == kept
        assert len(panel.rig.pulses()) == fired
        assert state(page) == "ARMED"
        # From the bar again: that same bar, and it sounds.
        tap(page, "From the bar again")
        wait_for_transport(page, "playing")
        assert 0 <= kept[1] - place(page)[1] <= 2  # its begin is START_S ahead, more than a bar
        wait_until(lambda: len(panel.rig.pulses()) > fired + 20, "pulses again")
        # A stop in its middle: silent, the place is kept; reset and arm play nothing by themselves.
        viewer.keyboard.press("Escape")
        wait_for_state(page, "TRIPPED")
        wait_for_transport(page, "paused")
        stopped = place(page)
        assert stopped[1] >= kept[1]
        fired = len(panel.rig.pulses())
        page.locator("#reset").click()
        wait_for_state(page, "LOCKED")
        arm(page)
        page.wait_for_timeout(400)
        assert place(page) == stopped
        assert len(panel.rig.pulses()) == fired
        tap(page, "From the bar again")
        wait_for_transport(page, "playing")
        wait_until(lambda: len(panel.rig.pulses()) > fired + 20, "pulses after the trip")
        # Next item: the first ends at once and the second waits for its go.
        tap(page, "Next item")
        page.locator("#show-item", has_text="2 of 2: Lamps").wait_for()
        wait_for_transport(page, "ready")
        tap(page, "Go")
        wait_for_transport(page, "countdown")
        tap(page, "Next item")
        page.locator("#answer", has_text="there is no item 3").wait_for()
        wait_for_transport(page, "countdown")
        page.locator("#acts li", has_text="Mara: show next").first.wait_for()
    # What the daemon did live, today's Engine does again from the journal: frame by frame.
    found = panel.replayed()
    assert found.same, found.difference or found.stopped
    assert found.writes > 200
