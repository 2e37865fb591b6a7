"""Files that are no score, or hardly one: a clear error or a clear warning, never a traceback."""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path

import mido  # pyright: ignore[reportMissingTypeStubs]
import pytest
from typer.testing import CliRunner

from bridge.cli import app
from bridge.rehearse.run import score_warnings
from bridge.show.score_file import ScoreError, read_score
from tests.rehearse.test_real_scores import ROOT

BENCH = str(ROOT / "configs" / "bench.toml")


def chunk(kind: bytes, data: bytes, length: int | None = None) -> bytes:
    """Standard MIDI Files 1.0: four letters, 32-bit length, data."""
    return kind + (len(data) if length is None else length).to_bytes(4, "big") + data


def head(kind: int = 1, tracks: int = 1, division: int = 480) -> bytes:
    fields = (kind, tracks, division)
    return chunk(b"MThd", b"".join(f.to_bytes(2, "big") for f in fields))


NOTE = bytes((0, 0x90, 60, 100, 0x83, 0x60, 0x80, 60, 0))  # half a second at 120
END = bytes((0, 0xFF, 0x2F, 0))
WHOLE = head() + chunk(b"MTrk", NOTE + END)


def told(path: Path, data: bytes, *more: str) -> tuple[int, str]:
    path.write_bytes(data)
    result = CliRunner().invoke(app, ["rehearse", BENCH, str(path), *more])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result.exit_code, result.output


def test_the_file_that_the_others_are_made_from_is_good(tmp_path: Path) -> None:
    code, text = told(tmp_path / "good.mid", WHOLE)
    assert code == 0, text
    assert "All the music survives" in text


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"MThd",
        WHOLE[:10],
        WHOLE[:-6],  # cut off within its track
        b"RIFF" + WHOLE[4:],
        b"not music at all" * 20,
        head(tracks=2) + chunk(b"MTrk", NOTE + END),  # a track is missing
        head() + chunk(b"MTrk", NOTE + END, length=10_000_000),
        head() + chunk(b"MTrk", bytes((0, 60, 100)) + END),  # running status, nothing runs
        head() + chunk(b"MTrk", bytes((0, 0xF4)) + END),  # an undefined status
        head() + chunk(b"MTrk", b"\xff" * 9),  # a delta time without an end
        head(kind=2) + chunk(b"MTrk", NOTE + END),
        head(division=0xE728) + chunk(b"MTrk", NOTE + END),  # SMPTE: 25 frames of 40
        head(division=0) + chunk(b"MTrk", NOTE + END),
        head() + chunk(b"MTrk", bytes((0, 0xFF, 0x59, 2, 0x7F, 0x7F)) + NOTE + END),
    ],
    ids=[
        "empty", "four bytes", "half a header", "cut off", "wrong header", "text", "missing track",
        "wrong length", "no running status", "undefined status", "endless delta", "type 2",
        "smpte division", "division 0", "no such key signature",
    ],
)  # fmt: skip
def test_a_bad_file_is_an_error_that_names_it(data: bytes, tmp_path: Path) -> None:
    code, text = told(tmp_path / "bad.mid", data)
    assert code == 2, text
    assert "bad.mid" in text


def test_a_folder_and_a_file_that_is_not_there(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.mid"):
        result = CliRunner().invoke(app, ["rehearse", BENCH, str(path)])
        assert result.exit_code == 2
        assert str(path) in result.output.replace("\n", "")


def written(path: Path, messages: Sequence[mido.Message | mido.MetaMessage]) -> Path:
    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    track.extend(messages)  # pyright: ignore[reportUnknownMemberType]
    file.tracks.append(track)  # pyright: ignore[reportUnknownMemberType]
    file.save(str(path))
    return path


def test_absurd_tempos_and_notes_without_an_end_are_warned_of(tmp_path: Path) -> None:
    path = written(
        tmp_path / "odd.mid",
        [
            mido.MetaMessage("set_tempo", tempo=16_777_215, time=0),
            mido.Message("program_change", program=16, time=0),  # an organ does not decay
            mido.Message("note_on", note=60, velocity=90, time=0),
            mido.MetaMessage("set_tempo", tempo=1, time=48),
            mido.Message("note_on", note=64, velocity=90, channel=4, time=480_000),
        ],
    )
    texts = [w.text for w in score_warnings(read_score(path))]
    assert "a tempo of 3.58 quarter notes a minute" in texts
    assert "a tempo of 6e+07 quarter notes a minute" in texts
    assert "note 60 on channel 1 has no end" in texts
    assert "note 64 on channel 5 has no end" in texts
    result = CliRunner().invoke(app, ["rehearse", BENCH, str(path)])
    assert result.exit_code == 1
    assert "max_note_s" in result.output
    assert "has no end" in result.output


def test_a_score_of_years_is_refused_at_once(tmp_path: Path) -> None:
    path = written(
        tmp_path / "years.mid",
        [
            mido.MetaMessage("set_tempo", tempo=16_777_215, time=0),
            mido.Message("note_on", note=60, velocity=90, time=0),
            *[mido.Message("note_off", note=60, time=0x0FFF_FFFF) for _ in range(8)],
        ],
    )
    result = CliRunner().invoke(app, ["rehearse", BENCH, str(path)])
    assert result.exit_code == 2
    assert "look at its tempo" in result.output


def test_random_damage_never_ends_in_a_traceback(tmp_path: Path) -> None:
    """300 files with bytes changed, cut out or put in: read, or refused with ScoreError."""
    random_source = random.Random(11)
    body = b"".join(
        bytes((random_source.randrange(90), 0x90 | n % 16, 40 + n % 40, 90)) for n in range(60)
    )
    good = head(tracks=2) + chunk(b"MTrk", NOTE + END) + chunk(b"MTrk", body + END)
    path = tmp_path / "damaged.mid"
    read = 0
    for _ in range(300):
        data = bytearray(good)
        for _ in range(random_source.randrange(1, 6)):
            place = random_source.randrange(len(data))
            match random_source.randrange(3):
                case 0:
                    data[place] = random_source.randrange(256)
                case 1:
                    del data[place : place + random_source.randrange(1, 9)]
                case _:
                    data[place:place] = random_source.randbytes(3)
        path.write_bytes(data)
        try:
            score = read_score(path)
        except ScoreError:
            continue
        score_warnings(score)
        read += 1
    assert 10 < read < 290  # both kinds were met
