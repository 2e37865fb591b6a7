"""The page in a real browser, against the running daemon with a simulated board."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.daw import Daw
from tests.end_to_end.rig import status, wait_until
from tests.jack import JackServer, jack_server  # noqa: F401
from tests.panel.rig import (
    PanelRig,
    arm,
    axe_source,
    open_page,
    serious_faults,
    sign_in,
    state,
    wait_for_state,
)
from tests.panel.starved import unless_starved

pytestmark = pytest.mark.real
NOT_SAFE = "Silent is not safe to approach"


def is_green(page: Page, selector: str) -> bool:
    colour = page.locator(selector).evaluate("e => getComputedStyle(e).backgroundColor")
    red, green, blue = (int(n) for n in re.findall(r"\d+", colour)[:3])
    return green > red * 1.15 and green > blue * 1.15


def test_a_night_with_two_operators(
    tmp_path: Path,
    jack_server: JackServer,  # noqa: F811
    chromium: Browser,
) -> None:
    unless_starved(tmp_path, PanelRig, lambda panel: two_operators(panel, chromium))


def two_operators(panel: PanelRig, chromium: Browser) -> None:
    axe = axe_source()
    with panel.running() as (board, daemon):
        mara, ilse = (open_page(chromium, panel.address) for _ in range(2))
        viewer = open_page(chromium, panel.address)
        wait_for_state(viewer, "LOCKED")
        assert NOT_SAFE in viewer.locator("#caution").inner_text()
        assert not is_green(viewer, ".strip")
        item = viewer.locator("#checks li", has_text="e-stop proof A")
        assert "today's proof test" in item.inner_text()
        # Arming: only by an operator, only with the list clear, only by a whole hold.
        sign_in(mara, panel.operators["Mara"])
        sign_in(ilse, panel.operators["Ilse"])
        assert viewer.locator("#arm").is_disabled()
        assert mara.locator("#arm").is_disabled()
        board.say("prove")
        mara.locator("#arm:enabled").wait_for()
        mara.locator("#arm").hover()
        mara.mouse.down()
        ilse.locator("#permit-says", has_text="Mara holds to arm").wait_for()
        mara.mouse.up()
        mara.locator("#answer", has_text="too soon").wait_for()
        assert state(mara) == "LOCKED"
        arm(mara)
        wait_for_state(viewer, "ARMED")
        assert viewer.locator("#caution").inner_text() == ""
        ilse.locator("#acts li", has_text="Mara: arm").wait_for()
        assert status(daemon)["state"] == "armed"
        # Playing: meters move on every page.
        with Daw("--to", "Coilwarden", "--hold", "57,64"):
            larkspur = viewer.locator(".coil", has_text="Larkspur")
            larkspur.locator(".notes", has_text="A3 E4").wait_for()
            wait_until(
                lambda: (
                    float(larkspur.locator(".bar").first.get_attribute("aria-valuenow") or 0) > 5
                ),
                "the meter",
            )
            assert serious_faults(viewer, axe) == []
            ilse.locator(".coil", has_text="Larkspur").locator(".mute").click()
            viewer.locator(".coil", has_text="Larkspur").locator(
                ".pulse", has_text="nothing sounds"
            ).wait_for()
            ilse.locator(".coil", has_text="Larkspur").locator(".mute").click()
            larkspur.locator(".notes", has_text="A3 E4").wait_for()
            # Stop by tap, by somebody who never signed in.
            asked_s = time.monotonic()
            viewer.locator("#stop").click()
            wait_for_state(mara, "TRIPPED")
            line = daemon.wait_for("armed → tripped")
            assert "panel: viewer at 127.0.0.1" in line
            assert float(line.split()[0]) - asked_s < 1.0
        assert NOT_SAFE in mara.locator("#caution").inner_text()
        assert not is_green(mara, ".strip")
        assert mara.locator("#trip-sentence").inner_text() == "The operator pressed stop."
        assert "operator's reset" in mara.locator("#trip-clears").inner_text()
        # Reset does not arm. By keyboard alone: hold Enter; a rate while held.
        mara.locator("#reset").click()
        wait_for_state(mara, "LOCKED")
        mara.locator("#arm:enabled").focus()
        mara.keyboard.down("Enter")
        wait_for_state(mara, "ARMED")
        mara.keyboard.up("Enter")
        mara.locator("#to-check").click()
        before = len(panel.rig.pulses())
        mara.locator(".rate").first.hover()
        mara.mouse.down()
        wait_until(lambda: len(panel.rig.pulses()) > before + 3, "bangs")
        mara.close()  # with the finger down
        closed_s = time.monotonic()
        time.sleep(0.55)
        assert panel.rig.last_pulse_end_s() < closed_s + 0.35
        assert state(ilse) == "ARMED"
        # Stop by a key, while typing.
        ilse.locator("#to-sign-in").click()
        ilse.locator("#token").focus()
        ilse.keyboard.press("Space")
        wait_for_state(ilse, "TRIPPED")
        assert ilse.locator("#token").input_value() == ""
        ilse.locator("#to-play").click()
        ilse.locator("#reset").click()
        wait_for_state(ilse, "LOCKED")
        # From the controller.
        arm(ilse)
        board.say("estop")
        ilse.locator("#trip-sentence", has_text="emergency-stop input opened").wait_for()
        # A page of its own, so perhaps a moment later.
        viewer.locator("#spoken", has_text="TRIPPED").wait_for(state="attached", timeout=5000)
        # No token was said or written anywhere.
        said = "\n".join(daemon.lines + daemon.errors)
        assert not any(token in said for token in panel.operators.values())
    # What the daemon did live, today's Engine does again from the journal: frame by frame.
    found = panel.replayed()
    assert found.same, found.difference or found.stopped
    assert found.writes > 200
