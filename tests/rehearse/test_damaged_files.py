"""Damaged files through the whole command: no traceback, no hang, an exit code that is true.

The damage is hypothesis's, so that what fails is made small. Every file is kept short, and so is
what it may last: a day of silence is another test's (test_bad_files.py).
"""

from __future__ import annotations

import json
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from bridge.cli import app
from bridge.rehearse import run
from tests.rehearse.test_bad_files import BENCH, END, NOTE, chunk, head

VOICES = b"".join(
    [bytes((n % 3 * 40, 0x90 | n, 40 + n, 90)) for n in range(9)]
    + [bytes((60, 0xB0 | n, 123, 0)) for n in range(9)]
)
RUNNING = bytes((0, 0x90, 60, 100, 60, 62, 100, 60, 60, 0, 60, 62, 0))
META = (
    bytes((0, 0xFF, 0x51, 3, 7, 0xA1, 0x20, 0, 0xFF, 0x58, 4, 3, 2, 24, 8))
    + bytes((0, 0xFF, 0x59, 2, 0, 0, 0, 0xFF, 0x54, 5, 1, 2, 3, 4, 5, 0, 0xFF, 0x03, 2, 65, 66))
    + bytes((0, 0xF0, 3, 1, 2, 0xF7, 0, 0xB0, 64, 127, 0, 0xE0, 0, 64, 0, 0xC0, 16))
)
GOOD = (
    head() + chunk(b"MTrk", META + NOTE + END),
    head(kind=0) + chunk(b"MTrk", META + RUNNING + END),
    head(tracks=3)
    + chunk(b"MTrk", META + END)
    + chunk(b"MTrk", VOICES + END)
    + chunk(b"XFIR", b"another's own")
    + chunk(b"MTrk", RUNNING + NOTE + END),
)

Change = tuple[int, int, bytes]
"""Place as it wraps, how many bytes go, what comes instead."""
changes = st.lists(
    st.tuples(
        st.integers(0, 400), st.integers(0, 6), st.one_of(
            st.binary(max_size=4),
            st.sampled_from([b"\x00\xff\x51\x03\xff\xff\xff", b"\x00\xff\x51\x03\x00\x00\x00",
                             b"\x00\xff\x58\x04\x00\xff\x00\x00", b"\x8f\xff\xff\x7f", b"MTrk"]),
        )
    ),
    max_size=5,
)  # fmt: skip


def damaged(good: bytes, done: list[Change], cut: int) -> bytes:
    data = bytearray(good)
    for at, gone, new in done:
        at %= len(data) + 1  # noqa: PLW2901
        data[at : at + gone] = new
    return bytes(data[: len(data) - cut]) if cut else bytes(data)


def code_of(data: bytes, *more: str) -> int:
    """Of the command; raises what the command raises. Its output must fit its code."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "damaged.mid"
        path.write_bytes(data)
        result = CliRunner().invoke(
            app, ["rehearse", BENCH, str(path), "--json", *more], catch_exceptions=False
        )
    if result.exit_code == 2:
        assert "damaged.mid" in result.stderr or "the score lasts" in result.stderr
        assert not result.stdout
    else:
        told = json.loads(result.stdout)
        assert result.exit_code == (0 if told["survives"] else 1)
    return result.exit_code


@pytest.fixture(scope="module", autouse=True)
def _short() -> object:  # pyright: ignore[reportUnusedFunction]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "LONGEST_S", 12.0)
        yield


@given(st.sampled_from(GOOD), changes, st.one_of(st.just(0), st.integers(0, 60)))
@example(GOOD[0], [], 0)
@example(GOOD[2], [], 0)
@example(head() + chunk(b"MTrk", bytes((0, 0xFF, 0x59, 2, 0x7F, 0x7F)) + END), [], 0)
@settings(
    max_examples=60, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
def test_no_damage_ends_in_a_traceback(good: bytes, done: list[Change], cut: int) -> None:
    assert code_of(damaged(good, done, cut), "--no-suggest") in (0, 1, 2)


def test_the_files_that_are_damaged_are_good_and_both_answers_are_met() -> None:
    codes = {code_of(good, "--no-suggest") for good in GOOD}
    assert codes <= {0, 1}
    assert code_of(damaged(GOOD[2], [(20, 4, b"\xff" * 4)], 0)) == 2
