"""The record of a set, read whole or refused by row."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.site.played_set import SetError, read_set


def test_pulses_are_sorted_into_seconds(tmp_path: Path) -> None:
    path = tmp_path / "set.csv"
    path.write_text(
        "coil,start_us,on_time_us\nLarkspur,0,50\nLarkspur,999999,60\nFoxglove,2000000,70\n",
        encoding="utf-8",
    )
    played = read_set(path, {"Larkspur", "Foxglove"})
    assert played.seconds == 3
    assert played.on_times_us["Larkspur"] == {0: [50.0, 60.0]}
    assert played.on_times_us["Foxglove"] == {2: [70.0]}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("coil,start_us\nLarkspur,0\n", "no column on_time_us"),
        ("coil,start_us,on_time_us\nThistle,0,5\n", "row 2, coil: the site has no coil 'Thistle'"),
        ("coil,start_us,on_time_us\nLarkspur,x,5\n", "row 2: not a number"),
        ("coil,start_us,on_time_us\nLarkspur,-1,5\n", "row 2: start and on-time"),
    ],
)
def test_a_bad_record_is_told_by_row(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "set.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SetError, match=said):
        read_set(path, {"Larkspur"})


def test_a_file_that_is_no_text_is_told_by_name(tmp_path: Path) -> None:
    path = tmp_path / "set.csv"
    path.write_bytes(b"\x89PNG\r\n\x00")
    with pytest.raises(SetError, match=r"set\.csv: this is no CSV text"):
        read_set(path, {"Larkspur"})
