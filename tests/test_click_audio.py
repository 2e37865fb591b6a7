"""The click test's audio dies, hangs or falls silent: no bang, a sentence, and no wait for ever."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Coroutine
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from bridge import click
from bridge.click import REMEDY, ClickDesk, Clicks, NoClickError
from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.interlock import State
from tests.fake_audio import plays
from tests.test_click import yard

REPORT = r"""echo '{"at_s": 1000.0, "stream_s": 10.0, "pace": 0.5, "underruns": 0}'"""
ANSWER = r"""echo '{"begins": 1, "stream_s": 11.0, "position_s": 0.0}'"""
GOES_ON = f"while read -t 0.05 order || [ $? -gt 128 ]; do {REPORT}; done"
HANGS = "exec cat > /dev/null"
"""Until the daemon closes it."""
ENDS_IN_A_LINE = """printf '{"begins": 1, "stre'; exit 3"""


@pytest.fixture(autouse=True)
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """The waits, or the test would take as long as they do."""
    monkeypatch.setattr(click, "LOOK_S", 0.2)
    monkeypatch.setattr(click, "ANSWER_S", 0.5)


def with_clicks(
    folder: Path, monkeypatch: pytest.MonkeyPatch, script: str, do: Callable[[Clicks], Any]
) -> Any:
    """`do` with clicks whose process speaks by `script`, once it has said what device there is."""
    plays(monkeypatch, folder, script)

    async def run() -> Any:
        clicks = Clicks(None)
        assert await clicks.open(folder) == "Depot at 48000 Hz"
        running = asyncio.create_task(clicks.run())
        try:
            async with asyncio.timeout(20):  # a test that waits for ever fails
                return await do(clicks)
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
            await clicks.close()

    return asyncio.run(run())


def test_a_click_is_told_when_it_is_heard_by_the_devices_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second of the stream after host time 1000, and it runs at half the pace; an answer to
    another click, and what a library prints, are passed over."""
    other = """echo '{"begins": 7, "stream_s": 99.0, "position_s": 0.0}'; echo noise"""
    script = f"{REPORT}; read order; {other}; {ANSWER}; {GOES_ON}"
    heard_s = with_clicks(tmp_path, monkeypatch, script, lambda c: c.click_at(HostS(host_now())))
    assert heard_s == pytest.approx(1002.0)


@pytest.mark.parametrize(
    ("ends", "cause"),
    [
        ("exit 3", r"the audio process ended \(3\)"),
        (ENDS_IN_A_LINE, r"the audio process ended \(3\)"),
        ("kill -9 $$", r"the audio process ended \(-9\)"),
        (GOES_ON, r"the audio process said nothing for \d\.\d s"),
        (HANGS, r"the audio process said nothing for \d\.\d s"),
    ],
)
def test_no_answer_is_an_error_that_names_its_cause_and_no_wait_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: str, cause: str
) -> None:
    async def ask(clicks: Clicks) -> None:
        with pytest.raises(NoClickError, match=cause):
            await clicks.click_at(HostS(host_now()))

    with_clicks(tmp_path, monkeypatch, f"{REPORT}; read order; {ends}", ask)


def test_a_device_that_asks_for_nothing_any_more_is_lost_and_its_process_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(click, "LOOK_S", 0.02)

    async def ask(clicks: Clicks) -> None:
        while not clicks.missing:  # noqa: ASYNC110  (it tells nobody)
            await asyncio.sleep(0.02)
        assert clicks.missing == "the device asks for nothing any more"
        process: Any = clicks._process
        assert await process.wait() == -9, "or a click might sound later, beside nothing"
        with pytest.raises(NoClickError, match="asks for nothing"):
            await clicks.click_at(HostS(host_now()))

    with_clicks(tmp_path, monkeypatch, f"{REPORT}; exec sleep 60", ask)


def at_the_desk(
    do: Callable[[ClickDesk, list[str]], Coroutine[Any, Any, None]],
) -> Callable[[Clicks], Any]:
    """With an operator whose site is armed, and what is said to him."""

    async def run(clicks: Clicks) -> None:
        said = list[str]()
        desk = ClickDesk(yard(), clicks)
        engine = SimpleNamespace(interlock=SimpleNamespace(state=State.ARMED))
        service = SimpleNamespace(engine=engine, source_changed=lambda: None)
        desk._operator = SimpleNamespace(say=said.append, service=service)  # type: ignore[assignment]
        await do(desk, said)

    return run


def test_without_a_click_the_desk_fires_nothing_and_says_why_and_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def ask(desk: ClickDesk, said: list[str]) -> None:
        assert "one bang and one click" in (desk.extra("f") or "")
        assert desk._asked is not None
        await desk._asked
        [line] = said
        assert re.fullmatch(r"no click, so no bang: the audio process ended \(3\); (.*)", line)
        assert REMEDY in line
        assert not desk.source.notes_held()
        assert REMEDY in (desk.extra("f") or ""), "and so it goes on"
        assert not desk.source.notes_held()

    script = f"{REPORT}; read order; exit 3"
    with_clicks(tmp_path, monkeypatch, script, at_the_desk(ask))


def test_a_bang_that_waits_for_its_click_is_not_fired_when_the_audio_ends_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def ask(desk: ClickDesk, said: list[str]) -> None:
        desk.source.fire_at(HostS(host_now() + 60))
        assert desk.source.notes_held()
        operator: Any = desk._operator
        beside = asyncio.create_task(desk.beside(operator))
        while not said:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
        beside.cancel()
        await asyncio.gather(beside, return_exceptions=True)
        assert REMEDY in said[-1]
        assert not desk.source.notes_held()

    plays(monkeypatch, tmp_path, "exit 3")

    async def run() -> None:
        clicks = Clicks(None)
        await clicks.open(tmp_path)
        try:
            async with asyncio.timeout(20):
                await at_the_desk(ask)(clicks)
        finally:
            await clicks.close()

    asyncio.run(run())
