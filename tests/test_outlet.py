"""Lines for an output that nobody reads: nobody waits, what counts is kept, losses are said."""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
from collections.abc import Generator

import pytest

from bridge.outlet import Outlet

Pipe = tuple[int, int]


@pytest.fixture
def pipe() -> Generator[Pipe]:
    """A pipe as small as the system has them: 4096 bytes, and its writer blocks."""
    reader, writer = os.pipe()
    fcntl.fcntl(writer, fcntl.F_SETPIPE_SZ, 4096)
    before = set(threading.enumerate())
    yield reader, writer
    with contextlib.suppress(OSError):
        os.close(reader)  # ends every writer, which else might write into the next test's pipe
    for thread in set(threading.enumerate()) - before:
        thread.join(5)
    with contextlib.suppress(OSError):
        os.close(writer)


def read_to_end(reader: int) -> list[str]:
    data = b""
    while more := os.read(reader, 65536):
        data += more
    return data.decode().splitlines()


def test_lines_come_whole_and_in_order(pipe: Pipe) -> None:
    reader, writer = pipe
    outlet = Outlet(writer)
    lines = [f"line {number}" for number in range(50)]
    for number, line in enumerate(lines):
        outlet.say(line, keep=number % 3 == 0)
    assert outlet.close()
    os.close(writer)
    assert read_to_end(reader) == lines


def test_what_cannot_be_written_yet_is_written_when_it_can(pipe: Pipe) -> None:
    reader, writer = pipe
    outlet = Outlet(writer)
    outlet.say("x" * 20_000)  # more than the pipe takes
    outlet.say("end")
    got: list[str] = []
    thread = threading.Thread(target=lambda: got.extend(read_to_end(reader)))
    thread.start()
    assert outlet.close(10)
    os.close(writer)
    thread.join()
    assert got == ["x" * 20_000, "end"]


def test_when_nobody_reads_the_oldest_go_and_what_counts_is_kept(pipe: Pipe) -> None:
    reader, writer = pipe
    outlet = Outlet(writer, left_out="{} lost".format, most=10)
    outlet.say("y" * 8000)  # the thread is held by this one
    while outlet._waiting[False]:  # until it has taken it
        threading.Event().wait(0.001)
    outlet.say("armed", keep=True)
    for number in range(500):
        outlet.say(f"chatter {number}")
        if number == 250:
            outlet.say("tripped", keep=True)
    assert not outlet.close(0.01)  # nobody reads: the exit does not wait for it
    got: list[str] = []
    thread = threading.Thread(target=lambda: got.extend(read_to_end(reader)))
    thread.start()
    outlet._thread.join(10)
    os.close(writer)
    thread.join()
    assert got[1:] == ["490 lost", "armed", "tripped", *[f"chatter {n}" for n in range(490, 500)]]


def test_kept_lines_are_bounded_too(pipe: Pipe) -> None:
    _, writer = pipe
    outlet = Outlet(writer, most=10)
    outlet.say("y" * 8000)
    for number in range(100):
        outlet.say(f"armed {number}", keep=True)
        assert len(outlet._waiting[True]) <= 10


def test_a_reader_that_is_gone_is_no_error_and_nothing_waits_for_it(pipe: Pipe) -> None:
    reader, writer = pipe
    outlet = Outlet(writer)
    os.close(reader)
    outlet.say("to nobody")
    outlet._thread.join(10)
    for _ in range(5000):
        outlet.say("to nobody")
    assert not any(outlet._waiting.values())
    assert not outlet.close()


def test_a_pipe_set_not_to_block_loses_nothing(pipe: Pipe) -> None:
    reader, writer = pipe
    os.set_blocking(writer, False)
    outlet = Outlet(writer)
    outlet.say("z" * 20_000)
    got: list[str] = []
    thread = threading.Thread(target=lambda: got.extend(read_to_end(reader)))
    thread.start()
    assert outlet.close(10)
    os.close(writer)
    thread.join()
    assert got == ["z" * 20_000]
