"""Every figure of the report, in each of its forms, against a reckoning of its own.

Notes are read off --pulses and the MIDI file (reckoning.py); what they asked for off a rehearsal in
which each is alone; energy and mains off the closed forms of tests/governor/mains_rig.py and
test_over_time.py. The text and the page must then show those very figures.
"""

from __future__ import annotations

import contextlib
import io
import json
import math
import re
from collections.abc import Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import mido  # pyright: ignore[reportMissingTypeStubs]
import numpy as np
import pytest

from bridge.config import Config
from bridge.rehearse.command import Wanted, run
from tests.chain.rig import coil, site
from tests.governor.mains_rig import SUPPLY, TANK, charge_as
from tests.rehearse.reckoning import (
    Floats,
    Note,
    counted,
    listen,
    notes_of,
    on_times_us,
    pulses_of,
)
from tests.rehearse.test_command import wanted
from tests.rehearse.test_over_time import energy_j
from tests.rehearse.test_real_scores import music21_folder
from tests.report.test_reports import self_contained
from tests.show.stage import midi_file

BEAT = 480
BAR_S = 2.0
"""4/4 at 120 quarters a minute, which is what a file without a tempo has (MIDI 1.0)."""
HEARD_DB = 1.0
Row = tuple[str, ...]
ROUTES = {1: "Larkspur", 2: "Foxglove"}
Struck = tuple[float, float, int, int, int]
"""Beat from 0, beats, key, channel, velocity."""
PIECE: tuple[Struck, ...] = (
    *((n, 0.8, 45 + 2 * n, 1, 60) for n in range(4)),  # bar 1: a tune that fits
    *((4.0, 3.0, key, 1, 60) for key in (40, 46, 53, 59)),  # bar 2: four of two voices
    (8.0, 3.5, 45, 1, 60), (9.0, 2.0, 52, 1, 60), (10.0, 1.0, 55, 1, 60),  # bar 3: stolen
    (12.0, 3.0, 81, 1, 60),  # bar 4: an octave too high
    (16.0, 3.0, 50, 2, 127), (16.0, 3.0, 57, 2, 127), (16.0, 3.0, 60, 2, 127),  # bar 5: too loud
    (20.0, 1.0, 70, 2, 60), (20.0, 3.0, 69, 2, 60),  # bar 6: 466 and 440 of 700 a second; 440 waits
    (24.0, 1.0, 84, 2, 60),  # bar 7: out of range, and that drops
    (26.0, 1.0, 50, 3, 60),  # no coil
)  # fmt: skip


def a_site() -> Config:
    """Both coils on one feed, each with what bites it."""
    both: dict[str, Any] = {"min_on_time_us": 20, "tank": TANK, "supply": SUPPLY}
    notes = {"lowest": 28, "highest": 76}
    return site(
        [
            coil("Larkspur", "North", 1, **both, max_voices=2, notes=notes | {"outside": "fold"}),
            coil("Foxglove", "North", 2, **both, max_break_rate_hz=700,
                 duty_windows=[{"window_ms": 1000, "max_percent": 3.5}],
                 notes=notes | {"outside": "drop"}),
        ],
        music={"routes": [{"channels": [1], "coils": ["Larkspur"]},
                          {"channels": [2, 9], "coils": ["Foxglove"]}]},
        mains={"voltage_v": 240.0, "breaker_a": 100.0, "averaging_s": 5.0},
    )  # fmt: skip


def written(path: Path, notes: Sequence[Struck]) -> Path:
    """An organ on every channel: it neither swells nor decays."""
    events: list[tuple[float, int, mido.Message]] = [
        (0.0, 0, mido.Message("program_change", channel=c, program=16)) for c in range(3)
    ]
    for beat, beats, key, channel, velocity in notes:
        strike = mido.Message("note_on", channel=channel - 1, note=key, velocity=velocity)
        events.append((beat, 2, strike))
        events.append((beat + beats, 1, mido.Message("note_off", channel=channel - 1, note=key)))
    events.sort(key=lambda e: e[:2])
    track, tick = list[mido.Message | mido.MetaMessage](), 0
    for beat, _, message in events:
        track.append(message.copy(time=round(beat * BEAT) - tick))
        tick = round(beat * BEAT)
    return midi_file(path, track)


def ran(config: Config, what: Wanted) -> tuple[int, str]:
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        code = run(config, what)
    return code, said.getvalue()


class Told:
    """One rehearsal in all its forms."""

    def __init__(self, config: Config, score: Path, folder: Path) -> None:
        csv_file, page = folder / "pulses.csv", folder / "page.html"
        self.code, said = ran(config, wanted(score, as_json=True, pulses=csv_file, html=page))
        self.data: Any = json.loads(said)
        code, self.text = ran(config, wanted(score))
        assert code == self.code
        self.html = page.read_text(encoding="utf-8")
        self.pulses = pulses_of(csv_file)
        self.notes = notes_of(score)
        for one in config.coil:  # as the coil's range says (the site file: fold is by octaves)
            for note in self.notes:
                if ROUTES.get(note.channel) == one.name and one.notes.outside == "fold":
                    while note.sounds_key > one.notes.highest:
                        note.sounds_key -= 12

    def coil(self, name: str) -> Any:
        return next(c for c in self.data["coils"] if c["name"] == name)


class _Tables(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[list[list[str]]] = []
        self._cell = False

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag == "table":
            self.found.append([])
        if tag == "tr":
            self.found[-1].append([])
        if tag in ("th", "td"):
            self.found[-1][-1].append("")
            self._cell = True

    def handle_endtag(self, tag: str) -> None:
        self._cell = self._cell and tag not in ("th", "td")

    def handle_data(self, data: str) -> None:
        if self._cell:
            self.found[-1][-1][-1] += data


def tables_of_page(html: str) -> list[list[Row]]:
    reader = _Tables()
    reader.feed(html)
    return [[tuple(row) for row in rows] for rows in reader.found]


def tables_of_text(text: str) -> list[list[Row]]:
    """Headings stand between heavy lines, the rest between light ones."""
    found: list[list[Row]] = []
    for line in text.splitlines():
        if line[:1] == "┃":
            found.append([])
        if line[:1] in ("┃", "│"):
            found[-1].append(tuple(cell.strip() for cell in re.split("[┃│]", line)[1:-1]))
    return found


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    folder = tmp_path_factory.mktemp("told")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "240")  # nothing folds
        return Told(a_site(), written(folder / "piece.mid", PIECE), folder)


def quieter_by_db(
    alone: Note, alone_at: tuple[Floats, Floats], here: Note, here_at: tuple[Floats, Floats]
) -> float:
    """By how much a note's pulses are shorter than those of the same note alone, at its worst."""
    asked, got = on_times_us(alone, *alone_at), on_times_us(here, *here_at)
    return 20 * math.log10(float(np.median(asked)) / float(np.min(got)))


def test_what_became_of_every_note(told: Told, tmp_path: Path) -> None:
    apart = [(4.0 * n, 3.0, key, c, v) for n, (_, _, key, c, v) in enumerate(PIECE)]
    lone = Told(a_site(), written(tmp_path / "alone.mid", apart), tmp_path)
    for name in ("Larkspur", "Foxglove"):
        starts, on_us = told.pulses[name]
        here = [n for n in told.notes if ROUTES.get(n.channel) == name]
        listen(here, starts)
        expected = counted(here)
        quiet = sum(
            quieter_by_db(b, lone.pulses[name], n, (starts, on_us)) >= HEARD_DB
            for n, b in zip(told.notes, lone.notes, strict=True)
            if n in here and n.fate != "dropped"
        )
        found = {k: told.coil(name)[k] for k in (*expected, "quietened")}
        assert found == expected | {"quietened": quiet}
        assert told.coil(name)["folded"] == sum(n.sounds_key != n.key for n in here)
    # The piece has what it was made for.
    assert {k: told.coil("Larkspur")[k] for k in ("shortened", "dropped", "folded")} == {
        "shortened": 1, "dropped": 2, "folded": 1,
    }  # fmt: skip
    foxglove = told.coil("Foxglove")
    assert (foxglove["quietened"], foxglove["shortened"], foxglove["dropped"]) == (3, 1, 1)


def worst_duty_percent(starts: Floats, on_us: Floats, window_ms: int) -> float:
    """Over every window that begins with a pulse or ends with one, one by one."""
    span_s, ends = window_ms / 1000, starts + on_us * 1e-6
    worst = 0.0
    for begin_s in (*starts, *(ends - span_s)):
        inside = np.minimum(ends, begin_s + span_s) - np.maximum(starts, begin_s)
        worst = max(worst, float(inside[inside > 0].sum()))
    return 100 * worst / span_s


def test_bangs_duty_energy_and_mains_of_each_coil(told: Told) -> None:
    for name, (starts, on_us) in told.pulses.items():
        coil_told = told.coil(name)
        assert coil_told["bangs"] == len(starts) > 500
        assert coil_told["longest_on_time_us"] == pytest.approx(on_us.max(), abs=0.06)
        most = max(int(np.count_nonzero((starts >= s) & (starts < s + 1.0))) for s in starts)
        assert abs(coil_told["most_in_1s"] - most) <= 1  # the file rounds to 0.1 µs
        duty = worst_duty_percent(starts, on_us, 1000)
        assert coil_told["worst_duty_percent"]["1000"] == pytest.approx(duty, abs=2e-3)
        joules = sum(energy_j(on) for on in on_us)
        assert coil_told["energy_j"] == pytest.approx(joules, rel=1e-3)
        charge = [charge_as(on, 240.0) for on in on_us]
        amperes = np.bincount(starts.astype(int), weights=charge).max()
        assert 1.0 <= coil_told["most_mains_a"] / amperes < 1.15
        assert coil_told["guard_refusals"] == 0


def test_notes_by_channel_bars_and_the_exit(told: Told) -> None:
    asked = {c: sum(n.channel == c for n in told.notes) for c in (1, 2, 3)}
    assert told.data["notes"] == len(PIECE) == sum(asked.values())
    found = {c["channel"]: (c["notes"], c["coils"], c["nowhere"]) for c in told.data["channels"]}
    assert found == {
        1: (asked[1], ["Larkspur"], 0), 2: (asked[2], ["Foxglove"], 0), 3: (asked[3], [], asked[3]),
    }  # fmt: skip
    assert told.data["unused_channels"] == [9]
    end_s = max(n.end_s for n in told.notes)
    assert told.data["seconds"] == pytest.approx(end_s)
    assert told.data["bars"] == math.ceil(end_s / BAR_S)
    assert told.code == 1


def at(seconds: float) -> str:
    return f"{1 + int(seconds // BAR_S)}:{1 + seconds % BAR_S * 2:.4g} ({seconds:.1f} s)"


def test_text_and_page_show_those_very_figures(told: Told) -> None:
    tables = tables_of_text(told.text)
    assert tables == tables_of_page(told.html)
    notes, bangs, channels, over_time, losses = tables
    coils = told.data["coils"]
    assert notes[0] == ("coil", "notes asked", "sounded", "shortened", "quieter", "dropped",
                        "out of range", "other octave")  # fmt: skip
    keys = ("asked", "sounded", "shortened", "quietened", "dropped", "outside", "folded")
    assert notes[1:] == [(c["name"], *(str(c[k]) for k in keys)) for c in coils]
    assert [c["outside"] for c in coils] == [1, 1]  # bars 4 and 7
    limits = {"Larkspur": "12", "Foxglove": "3.5"}
    assert bangs[1:] == [
        (c["name"], str(c["bangs"]), str(c["most_in_1s"]), f"{c['longest_on_time_us']:.1f}",
         f"{c['worst_duty_percent']['1000']:.2f} of {limits[c['name']]} in 1000 ms",
         f"{c['energy_j'] / 1000:.2f}", f"{c['most_mains_a']:.1f}", "0")
        for c in coils
    ]  # fmt: skip
    seconds = len(told.data["bar_by_second"])
    step = math.ceil(seconds / (len(over_time) - 1))
    for row, begin in zip(over_time[1:], range(0, seconds, step), strict=True):
        here = slice(begin, begin + step)
        rates, duties = told.data["break_rate_hz"], told.data["duty_percent"]
        each = [
            f"{max(rates[c['name']][here]):.0f} · {max(duties[c['name']][here]):.2f}" for c in coils
        ]
        joules = sum(sum(told.data["energy_j"][c["name"]][here]) for c in coils)
        amperes = zip(*(told.data["mains_a"][c["name"]][here] for c in coils), strict=True)
        most = max(map(sum, amperes))
        assert row[1:] == (str(begin), *each, f"{joules / 1000:.2f}", f"{most:.1f}")
    kept = "the number of voices the coil may play"
    expected = {
        ("1", "Larkspur", "dropped", kept, "2", at(4 * BAR_S / 4), at(4 * BAR_S / 4)),
        ("1", "Larkspur", "shortened", kept, "1", at(5.0), at(5.0)),
        ("2", "Foxglove", "shortened", "break rate", "1", at(10.0), at(10.0)),
        ("2", "Foxglove", "dropped", "the coil's range", "1", at(12.0), at(12.0)),
    }
    assert {row for row in losses[1:] if row[2] != "quieter"} == expected
    (quieter,) = (row for row in losses[1:] if row[2] == "quieter")
    assert quieter[:5] == ("2", "Foxglove", "quieter", "duty in 1000 ms", "3")
    assert quieter[5] == at(8.0)
    assert channels[1:] == [
        ("1", "12", "Larkspur", "0"), ("2", "6", "Foxglove", "0"), ("3", "1", "–", "1"),
    ]  # fmt: skip
    lines = " ".join(told.text.split())
    page = " ".join(re.sub("<[^>]+>", " ", told.html).split())
    for words in (
        "Some music is lost: 3 notes dropped, 2 shortened, 3 quieter, 1 without a coil.",
        "13.5 s, 7 bars, 19 notes",
        "routed and not played by this score: channel 9",
    ):
        assert words in lines
        assert words in page
    self_contained(told.html)
    assert told.html.count("<svg") == 4  # break rate, duty, energy, mains


def test_notes_of_a_real_score(tmp_path: Path) -> None:
    """A chorale for four voices that the music21 package carries, two voices a coil."""
    little = {"duty_windows": [{"window_ms": 1000, "max_percent": 3}]}
    config = site(
        [
            coil("Larkspur", "North", 1, **little, max_voices=2),
            coil("Foxglove", "North", 2, **little, max_break_rate_hz=500),
        ],
        music={"routes": [{"channels": [1, 2], "coils": ["Larkspur"]},
                          {"channels": [3, 4], "coils": ["Foxglove"]}]},
    )  # fmt: skip
    score, csv_file = music21_folder() / "midi/testPrimitive/test02.mid", tmp_path / "pulses.csv"
    code, said = ran(config, wanted(score, as_json=True, pulses=csv_file))
    assert code == 1
    for one, channels in zip(json.loads(said)["coils"], ((1, 2), (3, 4)), strict=True):
        here = [n for n in notes_of(score) if n.channel in channels]
        starts, _ = pulses_of(csv_file)[one["name"]]
        listen(here, starts)
        expected = counted(here)
        assert expected["asked"] > 70
        assert expected["dropped"] > 5
        assert {k: one[k] for k in expected} == expected
        assert one["bangs"] == len(starts)
