"""What the report suggests and reckons: each sentence by what it is of, energy, mains and dose."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from bridge.cli import app
from bridge.clocks import HostS
from bridge.config import Config
from bridge.entries import Received
from bridge.governor.reasons import Effect, HeldBack, Limit
from bridge.interlock import NOT_SAFE
from bridge.journal.advice import OFTEN, advice
from bridge.journal.codec import told
from bridge.journal.night import Night
from bridge.journal.story import Story
from bridge.journal.values import ClockFix, Missing, Sounding
from bridge.music.events import NoteFaded
from bridge.records import HeldBackChanged, InputChanged, LinkChanged, Record, Remark
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import OutputStatus, Status
from tests.chain.rig import coil, site
from tests.coil.parts import SUPPLY, TANK
from tests.running_site import Site

SITE = Config.model_validate(
    site([coil("Larkspur", "North", 1), coil("Foxglove", "South", 1)]).model_dump(
        exclude_unset=True
    )
)


def story_of(*records: Record, held_s: float = 0.0, limit: Limit = Limit.DUTY) -> Story:
    """Ten seconds in which Larkspur sounds, held back for `held_s` of them."""
    story = Story(SITE, 0.0)
    held = HeldBack(limit, Effect.SHORTENED, 1000, 7.5, 6.0, (3, 4))
    voices = ((69, 440.0, 80.0),)
    story.take(Sounding(HostS(0.0), "Larkspur", voices, 1.0, 0.0))
    if held_s:
        story.take(told(HostS(1.0), HeldBackChanged("Larkspur", (held,))))
        story.take(told(HostS(1.0 + held_s), HeldBackChanged("Larkspur", ())))
    for record in records:
        story.take(told(HostS(5.0), record))
    story.end(10.0)
    return story


def test_a_quiet_night_suggests_nothing() -> None:
    assert advice(SITE, story_of()) == []
    assert advice(SITE, story_of(held_s=10 * OFTEN - 0.1)) == []


@pytest.mark.parametrize("limit", Limit)
def test_a_limit_that_bit_often_is_told_with_its_share_and_a_key(limit: Limit) -> None:
    (line,) = advice(SITE, story_of(held_s=4.0, limit=limit))
    assert line.startswith(
        f"Larkspur: {limit.value} in 1000 ms had notes shortened for 40% of the time it sounded: "
    )
    assert line.split(": ")[-1] != ""
    for wider in ("max_percent", "max_on_time_us", "max_break_rate_hz", "breaker_a"):
        assert wider not in line  # nobody is told to widen what protects


def link(name: str, more: int) -> Callable[[Story], None]:
    def change(story: Story) -> None:
        setattr(story.links["North"], name, more)

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (link("line_errors_in_bangs", 7), "7 of 0 bad bytes fell into bangs"),
        (link("late_frames", 3), "3 frames came late"),
        (lambda s: s.take(Missing(HostS(9.0), 12, HostS(8.0))), "12 things are missing"),
        (lambda s: setattr(s, "stalls", 2), "stood still 2 times"),
    ],
)
def test_what_went_wrong_is_told_with_its_number(
    change: Callable[[Story], None], words: str
) -> None:
    story = story_of()
    change(story)
    (line,) = advice(SITE, story)
    assert words in line


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (LinkChanged("North", "the controller restarted"), "North: restarted 1 times"),
        (InputChanged("keys", "lost: unplugged"), "an input was lost 1 times"),
        (Remark("music", str(NoteFaded(5.0, "keys", 1, 60, 20.0))), "1 notes faded for their age"),
    ],
)
def test_what_was_reported_is_counted(record: Record, words: str) -> None:
    (line,) = advice(SITE, story_of(record))
    assert words in line


def refused_for(*counts: int, now: int = 0, at_s: float = 2.0) -> Received:
    """A status of North whose first output has refused so many pulses for each reason so far."""
    first = OutputStatus(0, 0, sum(counts), 0, 0, tuple(n & 0xFF for n in counts))  # pyright: ignore[reportArgumentType]
    status = Status(now, 1, 0, 0, 1, 0, 0, *[0] * 7, 1, (first,))
    return Received(HostS(at_s), "North", encode_frame(Status.TYPE, 0, status.payload()))


def test_pulses_that_the_guard_refused_are_told_by_reason() -> None:
    """Counters of one byte, over their wrap; what was before the recording began is not of it."""
    story = story_of()
    for counts in ((9, 0, 250, 0, 0, 3), (11, 0, 255, 0, 0, 3), (21, 0, 261, 0, 0, 3)):
        story.take(refused_for(*counts))
    (line,) = advice(SITE, story)
    assert "guard refused 23 pulses (12 on-time, 11 break rate);" in line


@pytest.mark.parametrize("up_for_ticks", [20_000_000, 2**32 - 1_000_000, 2**33 + 10])
def test_counters_that_began_anew_with_the_board_are_not_counted_as_wrapped(
    up_for_ticks: int,
) -> None:
    """The first status after a restart comes before the identity that tells of it (PROTOCOL.md,
    section 11), however long the board had been up."""
    story = story_of()
    story.take(ClockFix(HostS(1.0), "North", (up_for_ticks - 2_000_000) % 2**32, 2e6, 1.0))
    story.take(refused_for(1, 0, 2, 0, 0, 0, now=up_for_ticks % 2**32))
    story.take(refused_for(1, 0, 3, 0, 0, 0, now=(up_for_ticks + 100_000) % 2**32, at_s=2.05))
    story.take(refused_for(0, 0, 0, 0, 0, 0, now=0, at_s=4.0))
    story.take(refused_for(0, 0, 5, 0, 0, 0, now=100_000, at_s=4.05))
    (line,) = advice(SITE, story)
    # What is counted before a new fix of the clock is not told, rather than a wrong number.
    assert "guard refused 1 pulses (1 break rate);" in line


def test_energy_mains_and_dose_of_a_night_whose_parts_are_known(
    run: tuple[Site, Night], tmp_path: Path
) -> None:
    night = run[1]
    config: dict[str, Any] = json.loads(night.about["config_used"])
    for one in config["coil"]:
        one |= {"tank": TANK, "supply": SUPPLY}
    config["site"] |= {
        "mains": {"voltage_v": 230.0, "breaker_a": 32.0},
        "audience": {"nearest_m": 12.0, "operator_m": 8.0, "measured_level_db": 105.0},
    }
    path = Path(shutil.copy(night.paths[0], tmp_path))
    with sqlite3.connect(path) as db:
        statement = "UPDATE about SET value = ? WHERE key = 'config_used'"
        db.execute(statement, (json.dumps(config),))
    db.close()
    page = tmp_path / "night.html"
    done = CliRunner().invoke(app, ["journal", "report", str(path), "--json", "--html", str(page)])
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    for name in ("Larkspur", "Foxglove"):
        told_of = data["coils"][name]
        by_second = told_of["energy_j_by_second"]
        assert told_of["energy_j"] == pytest.approx(sum(by_second.values()))
        assert told_of["energy_j"] > 0
        assert sum(told_of["mains_a_by_second"].values()) > 0
        assert all(0 <= int(s) <= night.duration_s for s in by_second)
    html = page.read_text(encoding="utf-8")
    for words in ("Energy and mains over time", "Most mains:", "Noise dose", "NIOSH dose %",
                  "Suggested changes", "widen none because it bit", NOT_SAFE):  # fmt: skip
        assert words in html, words
    assert html.count("<svg") >= 2
