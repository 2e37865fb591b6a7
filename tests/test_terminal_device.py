"""The terminal itself: its settings while single keys are on, and one that takes nothing."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import signal
import termios
import threading
import time

from bridge import loop
from bridge.painter import Painter
from bridge.tty_input import single_keys
from tests.on_a_terminal import a_pty, is_single


def test_while_single_keys_are_on_no_key_takes_the_hand_off_the_stop() -> None:
    async def scene() -> None:
        with a_pty() as (_, slave):
            before = termios.tcgetattr(slave)
            assert not is_single(slave)
            with single_keys(slave):
                assert is_single(slave)
            assert termios.tcgetattr(slave) == before

    loop.run(scene())


def test_single_keys_are_on_again_after_a_suspension() -> None:
    async def scene() -> None:
        with a_pty() as (_, slave):
            before = termios.tcgetattr(slave)
            with single_keys(slave):
                # What a shell does to the terminal while the program is suspended.
                termios.tcsetattr(slave, termios.TCSANOW, before)
                os.kill(os.getpid(), signal.SIGCONT)
                for _ in range(500):
                    if is_single(slave):
                        break
                    await asyncio.sleep(0.01)
                assert is_single(slave)

    loop.run(scene())


def fill(descriptor: int) -> None:
    """Writes until the terminal takes no more, now and a moment later."""
    os.set_blocking(descriptor, False)
    full = False
    while not full:
        full = True
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(descriptor, b".")
                full = False
        time.sleep(0.05)  # the system moves what was written between buffers of its own
    os.set_blocking(descriptor, True)


def test_a_terminal_that_takes_nothing_holds_neither_the_caller_nor_the_exit() -> None:
    went_on = threading.Event()
    painters: list[Painter] = []
    waited: list[bool] = []

    def read_at_last(master: int) -> None:
        """Begins to read once the caller went on, or so late that it plainly does not."""
        waited.append(not went_on.wait(10))
        while not painters or painters[0]._thread.is_alive():
            if select.select([master], [], [], 0.05)[0]:
                os.read(master, 65536)

    with a_pty() as (master, slave):
        fill(slave)
        reader = threading.Thread(target=read_at_last, args=(master,))
        reader.start()
        painters.append(painter := Painter(slave))
        for _ in range(200):
            painter.paint(lambda: "picture " * 2000)
        left = painter.close(0.05)
        went_on.set()
        reader.join()
    assert waited == [False]
    assert not left  # it was stuck in a write, and left to itself


def test_what_cannot_be_drawn_is_told() -> None:
    def broken() -> str:
        raise ValueError("no picture")

    with a_pty() as (master, slave):
        painter = Painter(slave)
        painter.paint(broken)
        painter._thread.join(10)
        assert str(painter.failure) == "no picture"
        assert painter.close()
        assert select.select([master], [], [], 5)[0]
