"""What real tests that run side by side would share, each has for its own."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys

import pytest

from tests.jack import server_name
from tests.ports import free_port


def test_two_workers_are_never_given_the_same_port(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[set[int]] = []
    for worker in ("gw0", "gw1"):
        monkeypatch.setenv("PYTEST_XDIST_WORKER", worker)
        given.append({free_port() for _ in range(1000)})  # more than a run needs
    assert not given[0] & given[1]


def test_a_port_in_use_is_not_given(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTEST_XDIST_WORKER", "gw7")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", free_port()))
        taken.listen()
        assert taken.getsockname()[1] not in {free_port() for _ in range(1000)}


@pytest.mark.real
def test_two_processes_never_have_the_same_jack_server() -> None:
    code = "from tests.jack import server_name; print(server_name())"
    here = server_name()
    other = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=os.getcwd(),
    ).stdout.strip()  # fmt: skip
    assert re.fullmatch(r"cw-test-\d", other)
    assert other != here
