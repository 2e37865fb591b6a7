"""The image, the host's core and the Python model: told the same, they fire and say the same.

See same.py for how. Hosts are made up by hypothesis, the same ones each time; `--long-bench` makes
up many more. Golden vectors: test_image_vectors.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from firmware_protocol.catalogue import Cause, State
from firmware_protocol.messages import OutputLimits, Status, Stop
from tests.bench.bench import CYCLES_PER_MS, Entry
from tests.bench.image_bench import ImageBench
from tests.bench.made_up_host import LIMITS, OPERATIONS, PRELUDE, Host
from tests.bench.same import Verdict, compare
from tests.bench.told import start_tracing

pytestmark = pytest.mark.long

Armed = tuple[ImageBench, tuple[str, dict[str, Any]], list[Entry]]


@pytest.fixture(scope="module")
def traced() -> Iterator[Armed]:
    with ImageBench() as board:
        start_tracing(board)
        board.armed(*(OutputLimits(n, *one) for n, one in enumerate(LIMITS)))
        yield board, board.keep(), board.traced()


def test_hosts_that_play_err_and_stop(traced: Armed, request: pytest.FixtureRequest) -> None:
    board, kept, before = traced
    total: list[Verdict] = []
    causes: set[Cause] = set()

    def play(operations: list[tuple[Any, ...]]) -> None:
        board.back_to(kept)
        board.traced()
        host = Host(board)
        for operation in (*PRELUDE, *operations):
            host.do(operation)
            host.back()
        board.send(Stop(1))
        board.run_for(70 * CYCLES_PER_MS)
        (verdict,) = compare(board, before + board.traced())
        assert verdict.state == State.TRIPPED
        total.append(verdict)
        causes.update(m.cause for _, m in board.messages if isinstance(m, Status))

    examples = 300 if request.config.getoption("--long-bench") else 4
    given(OPERATIONS)(
        settings(
            max_examples=examples,
            derandomize=True,
            deadline=None,
            database=None,
            phases=(
                Phase.generate,
            ),  # what fails is short enough to read, and shrinking takes minutes
            suppress_health_check=list(HealthCheck),
        )(play)
    )()
    pulses, loose, answers = (sum(column) for column in list(zip(*total, strict=True))[:3])
    print(f"{len(total)} hosts: {pulses} pulses equal, {loose} loose; {answers} answers")
    print(f"tripped by {sorted(causes)}")
    assert pulses > 60 * len(total)
    assert loose < pulses // 10
    assert len(causes - {Cause.NONE, Cause.HOST_STOP}) >= (7 if examples > 20 else 2)
