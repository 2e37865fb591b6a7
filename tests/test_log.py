"""The log: on standard error, never in the loop's way, and not under a picture."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ON_A_PICTURE = """
import sys
from bridge import log
import structlog
sys.stderr.isatty = lambda: {tty}
log.set_up_log()
with log.held_back():
    structlog.get_logger().error("during")
    log._files[0].outlet.say("end of the picture")
structlog.get_logger().error("after")
"""
BLOCKED = """
from bridge import log
import structlog
log.set_up_log()
for _ in range(5000):
    structlog.get_logger().error("x" * 100)
print("went on", flush=True)
"""


def run(program: str) -> list[str]:
    ended = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True, text=True, check=True, timeout=60, cwd=ROOT,
    )  # fmt: skip
    return ended.stderr.splitlines()


def test_on_a_terminal_the_log_waits_for_the_end_of_the_picture() -> None:
    first, *rest = run(ON_A_PICTURE.format(tty="True"))
    assert first == "end of the picture"
    assert ["during" in rest[0], "after" in rest[1]] == [True, True]


def test_a_log_file_is_written_as_ever() -> None:
    lines = run(ON_A_PICTURE.format(tty="False"))
    assert "during" in lines[0]
    assert lines[1] == "end of the picture"


def test_a_log_nobody_reads_holds_nobody_up_and_not_the_exit_either() -> None:
    reader, writer = os.pipe()
    try:
        ended = subprocess.run(
            [sys.executable, "-c", BLOCKED],
            stdout=subprocess.PIPE, stderr=writer, check=False, timeout=60, cwd=ROOT,
        )  # fmt: skip
        assert ended.stdout == b"went on\n"
        assert ended.returncode == 0
    finally:
        os.close(reader)
        os.close(writer)
