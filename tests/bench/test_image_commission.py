"""The commissioning tool and the real image: what was asked for each output is what holds."""

from __future__ import annotations

import importlib.util
import re
import struct
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Ceilings, Hello, Identity
from tests.bench.bench import CYCLES_PER_MS
from tests.bench.image_bench import COMMISSION, ImageBench
from tests.bench.image_build import FIRMWARE

pytestmark = pytest.mark.long

ASKED = ["--board-id", "0x1234", "--horn-ms", "2000", "--ready", "1,3"]
FOUR = ["--max-on-us", "150,80.3,0,400", "--min-off-us", "200,100,100.2,300"]
FOUR += ["--max-rate-hz", "800,700,600,2000", "--duty", "0.05,0.02,0.01,0.12"]
HELD = [
    Ceilings(300, 400, 800, 100_000),
    Ceilings(160, 200, 700, 40_000),
    Ceilings(0, 201, 600, 20_000),
    Ceilings(800, 600, 2000, 240_000),
]
"""Rounded to the stricter tick."""


@pytest.fixture
def tool(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    path = FIRMWARE / "atmega2560" / "commission.py"
    spec = importlib.util.spec_from_file_location("commission_tool", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module.time, "sleep", lambda _s: None)
    return module


class Port:
    """Stands in for `serial.Serial`: a line to the board on the bench, in simulated time."""

    def __init__(self, board: ImageBench) -> None:
        self.board = board

    def __call__(self, _port: str, _baud: int, **_more: Any) -> Port:
        return self

    def __enter__(self) -> Port:
        return self

    def __exit__(self, *_error: object) -> None: ...

    def reset_input_buffer(self) -> None:
        self.board.sent(take=True)

    def write(self, data: bytes) -> None:
        self.board.bytes_at(self.board.now, data)

    def read(self, _count: int) -> bytes:
        self.board.run_for(100 * CYCLES_PER_MS)
        return bytes(one.byte for one in self.board.sent(take=True))


def test_each_output_has_its_own(
    tool: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with ImageBench(eeprom=b"", inputs={COMMISSION: 0}) as board:
        board.run_for(300 * CYCLES_PER_MS)
        monkeypatch.setattr(tool.serial, "Serial", Port(board))
        assert tool.main(["port"]) == 0
        told = capsys.readouterr().out
        assert told == "not commissioned: this board takes no limits\nnothing was written\n"
        assert tool.main(["port", *ASKED, *FOUR]) == 0
        written = capsys.readouterr().out.splitlines()
        assert written == [
            "board id 0x00001234, horn 2000 ms",
            "output 1: on-time to 150 us, off-time from 200 us, to 800 pulses/s, duty to 5 %; "
            "ready input fitted",
            "output 2: on-time to 80 us, off-time from 100 us, to 700 pulses/s, duty to 2 %; "
            "ready input not fitted",
            "output 3: never fires; ready input fitted",
            "output 4: on-time to 400 us, off-time from 300 us, to 2000 pulses/s, duty to 12 %; "
            "ready input not fitted",
            "written, and read back from the board",
        ]
        assert tool.main(["port"]) == 0
        assert capsys.readouterr().out.splitlines() == [*written[:-1], "nothing was written"]
        board.leave_commissioning()
        answer = board.ask(Hello(), Identity)
        assert (answer.board_id, answer.horn_ms) == (0x1234, 2000)
        assert list(answer.ceilings) == HELD


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"--max-on-us": "150,80"}, "invalid each_output value"),
        ({"--max-on-us": "-1"}, "invalid each_output value"),
        ({"--duty": "nan"}, "invalid each_output value"),
        ({"--ready": "1,5"}, "invalid outputs_named value"),
        ({"--max-on-us": "150,80,400.5,80"}, "output 3: not within on-time to 400 us"),
        ({"--min-off-us": "99.4"}, "output 1: not within"),
        ({"--min-off-us": "40000"}, "off-time to 32767.5 us"),
        ({"--max-rate-hz": "1,1,1,2001"}, "output 4: not within"),
        ({"--duty": "0.1201"}, "output 1: not within"),
        ({"--board-id": "0"}, "board id: 1 to"),
        ({"--horn-ms": "65536"}, "horn: 0 to 65535"),
        ({"--max-on-us": None}, "every ceiling"),
        ({"--duty": None}, "every ceiling"),
        ({"--board-id": None}, "every ceiling"),
    ],
)
def test_what_cannot_be_meant_is_not_written(
    tool: ModuleType,
    capsys: pytest.CaptureFixture[str],
    changed: dict[str, str | None],
    said: str,
) -> None:
    """Before the port is opened."""
    options = dict(zip(*[iter([*ASKED, *FOUR])] * 2, strict=True))
    arguments = [f"{k}={v}" for k, v in (options | changed).items() if v is not None]
    with pytest.raises(SystemExit) as ended:
        tool.main(["port", *arguments])
    assert ended.value.code == 2
    assert said in capsys.readouterr().err


def test_one_number_is_for_every_output(tool: ModuleType) -> None:
    one = ["--max-on-us=150", "--min-off-us=200", "--max-rate-hz=800", "--duty=0.05"]
    _, written = tool.parsed(["port", "--board-id=1", *one])
    head = struct.pack("<IHB", 1, 3000, 0)  # every ready input fitted: a dark one is not ready
    assert written == head + HELD[0].payload() * 4


def test_a_board_that_kept_something_else_is_told(
    tool: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _, wanted = tool.parsed(["port", *ASKED, *FOUR])
    kept = b"\x01" + wanted[:-1] + b"\x7f"

    class Worn(Port):
        def __init__(self) -> None: ...
        def reset_input_buffer(self) -> None: ...
        def write(self, data: bytes) -> None: ...
        def read(self, _count: int) -> bytes:
            return encode_frame(0x71, 0, kept)

    monkeypatch.setattr(tool.serial, "Serial", Worn())
    assert tool.main(["port", *ASKED, *FOUR]) == 1
    told = capsys.readouterr()
    assert "NOT what was to be written" in told.err
    assert "duty to 12 %" in told.out  # what counts of a loose record is what the program holds to
    assert "written, and" not in told.out


def test_the_compiled_ceilings_are_the_program_s(tool: ModuleType) -> None:
    source = (FIRMWARE / "core" / "limits.h").read_text(encoding="utf-8")
    found = re.findall(r"#define CEILING_\w+ .*?(\d+)U?\)?$", source, re.MULTILINE)
    assert Ceilings(*map(int, found)) == tool.COMPILED_CEILINGS
