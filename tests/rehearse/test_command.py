"""The command whole: what it writes, and what it says of it."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any, cast

import mido  # pyright: ignore[reportMissingTypeStubs]
import numpy as np
import pytest
import soundfile  # pyright: ignore[reportMissingTypeStubs]
from typer.testing import CliRunner

from bridge.cli import app
from bridge.config import Config
from bridge.rehearse.command import Wanted, run
from bridge.timeline import speed_of_sound_m_s
from tests.chain.rig import coil, site
from tests.rehearse.test_bad_files import written

ROOMY = [{"window_ms": 1000, "max_percent": 12}]


def a_note_on_each(path: Path, *, apart: int = 0) -> Path:
    """Channels 1 and 2, at once, after a second."""
    messages = [mido.Message("program_change", channel=c, program=16, time=0) for c in (0, 1)]
    messages += [
        mido.Message("note_on", channel=c, note=57 + apart * c, velocity=100, time=960 * (c == 0))
        for c in (0, 1)
    ]
    messages += [
        mido.Message("note_off", channel=c, note=57 + apart * c, time=960 * (c == 0))
        for c in (0, 1)
    ]
    return written(path, messages)


def wanted(score: Path, **changes: Any) -> Wanted:
    values = {"as_json": False, "html": None, "pulses": None, "wav": None, "backing": None}
    return Wanted(**cast(dict[str, Any], values | {"score": score, "suggest": False} | changes))


def far_and_near(*, max_voices: int = 4, routes: list[dict[str, Any]] | None = None) -> Config:
    values: dict[str, Any] = {"duty_windows": ROOMY, "max_voices": max_voices}
    return site(
        [
            coil("Larkspur", "North", 1, **values, distance_to_audience_m=5),
            coil("Foxglove", "North", 2, **values, distance_to_audience_m=39),
        ],
        music={"routes": routes or [{"channels": [1], "coils": ["Larkspur"]},
                                    {"channels": [2], "coils": ["Foxglove"]}]},
    )  # fmt: skip


def test_without_a_fixed_delay_a_farther_coil_is_heard_later(tmp_path: Path) -> None:
    """34 m at the speed of sound (the handbook's formula, timeline.py) are 101 ms at 10 °C."""
    config = far_and_near()
    path = tmp_path / "two.wav"
    assert run(config, wanted(a_note_on_each(tmp_path / "two.mid"), wav=path)) == 0
    samples, rate = cast(tuple[Any, int], soundfile.read(str(path)))  # pyright: ignore[reportUnknownMemberType]
    # Larkspur stands left: what is right of it is Foxglove's and Larkspur's share of it.
    share = np.tan(np.pi / 2 * 0.1)
    foxglove = samples[:, 1] - samples[:, 0] * share
    first = [int(np.flatnonzero(np.abs(s) > 0.02)[0]) for s in (samples[:, 0], foxglove)]
    later_s = (first[1] - first[0]) / rate
    assert abs(later_s - 34 / speed_of_sound_m_s(config.site.air_temperature_c)) < 0.001


def test_with_a_fixed_delay_the_coils_sound_with_the_backing_audio(tmp_path: Path) -> None:
    """As in the hall, where the DAW's own tracks are delayed by as much: notes and audio of second
    1 are heard together, near coil or far."""
    config = far_and_near()
    inputs = [{"name": "daw", "virtual_port": "Daw", "timing": "fixed_delay", "delay_ms": 130}]
    values = config.model_dump(exclude_unset=True) | {"input": inputs}
    click = np.zeros(96_000)
    click[48_000] = 1.0
    backing, path = tmp_path / "click.wav", tmp_path / "two.wav"
    soundfile.write(str(backing), click, 48_000)  # pyright: ignore[reportUnknownMemberType]
    files = {"wav": path, "backing": backing}
    assert (
        run(Config.model_validate(values), wanted(a_note_on_each(tmp_path / "a.mid"), **files)) == 0
    )
    samples, rate = cast(tuple[Any, int], soundfile.read(str(path)))  # pyright: ignore[reportUnknownMemberType]
    assert abs(int(np.argmax(np.abs(samples[:, 0]))) / rate - 1.0) < 0.002  # the click, loudest
    before = np.flatnonzero(np.abs(samples[: rate - 96]).max(axis=1) > 0.02)
    assert before.size == 0
    heard = np.abs(samples[rate + 48 : rate + 480]).max(axis=0)
    assert (heard > 0.02).all()


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_long_work_is_told_of_on_a_terminal_and_leaves_the_report_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two notes at once on a coil of one voice, so that a routing is looked for too."""
    score = a_note_on_each(tmp_path / "two.mid", apart=5)
    config = far_and_near(max_voices=1, routes=[{"channels": [1, 2], "coils": ["Larkspur"]}])
    what = wanted(score, as_json=True, wav=tmp_path / "two.wav", suggest=True)
    assert run(config, what) == 1
    silent = capsys.readouterr()
    assert silent.err == ""
    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    assert run(config, what) == 1
    assert json.loads(capsys.readouterr().out) == json.loads(silent.out)
    for words in ("rehearsing", "looking for a better routing", "rehearsing routing 1",
                  "writing sound", "100%"):  # fmt: skip
        assert words in terminal.getvalue()


def test_the_help_fills_its_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    """On 80 columns a paragraph is not broken where the source's lines end."""
    monkeypatch.setenv("COLUMNS", "80")
    told = CliRunner().invoke(app, ["rehearse", "--help"]).output
    assert "faster. Exit 0 if all the music survives, 1 if some is lost, 2 on an error." in told
