"""Stops attended beside a running service: pyserial's own loop port as the button's adapter, a fifo
as the keypad's device, a socket for the other shell."""

from __future__ import annotations

import os
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from bridge.engine import Act
from bridge.host_clock import host_now
from bridge.interlock import Cause, State
from bridge.stops import attend
from bridge.stops.attend import until_midnight_s
from bridge.stops.proofs import ProofStore
from bridge.stops.steps import stop_steps
from tests.stops.device import Device
from tests.stops.rig import Running, config, play
from tests.stops.test_keypad import KP1, press, release


def test_a_buttons_adapter_that_vanishes_stops(tmp_path: Path) -> None:
    built = config(tmp_path, stop=[{"name": "Desk", "kind": "button_line", "port": "loop://"}])

    async def story(made: Running) -> None:
        import serial.urlhandler.protocol_loop as looped  # noqa: PLC0415

        with pytest.MonkeyPatch.context() as patch:
            # pyserial's loop port answers CTS with RTS: from here on it answers low.
            patch.setattr(looped.Serial, "cts", property(lambda port: False))
            await made.tripped(Cause.STOP_BUTTON)
        await made.reset()

    play(built, story)


def test_a_keypad_stops_and_one_that_is_gone_stops_too(tmp_path: Path, device: Device) -> None:
    stop = {"name": "Pad", "kind": "keypad", "port": str(device.path)}
    built = config(tmp_path, stop=[stop])

    async def story(made: Running) -> None:
        os.write(device.writer, press(KP1))
        await made.tripped(Cause.STOP_BUTTON)
        os.write(device.writer, release(KP1))
        await made.reset()
        await made.arm()
        os.unlink(device.path)
        device.go_away()
        await made.tripped(Cause.STOP_INPUT_FAULT)

    play(built, story)


def test_todays_proof_is_looked_up_in_the_file_and_ends_at_midnight(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    built = config(tmp_path)
    site = built.site.model_copy(update={"require_todays_proof": True})
    built = built.model_copy(update={"site": site})
    store = ProofStore(built)
    clock = [datetime(2026, 11, 25, 22, 0, tzinfo=timezone(timedelta(hours=1)))]
    looked = [0]

    def local_now() -> datetime:
        looked[0] += 1
        return clock[0]

    monkeypatch.setattr(attend, "local_now", local_now)
    monkeypatch.setattr(attend, "PROOF_S", 0.02)
    steps = stop_steps(built)
    for step in steps:
        store.add(step, clock[0], 12.0)

    async def story(made: Running) -> None:
        clock[0] += timedelta(hours=2)
        await made.until(lambda: "today's proof" in made.open_checks(), "midnight")
        assert made.state is State.ARMED  # the music goes on
        found = next(
            c.found for c in made.service.engine.checks(host_now()) if c.name == "today's proof"
        )
        assert steps[0].name in found
        made.service.act(Act.DISARM)
        await made.until(lambda: made.state is State.LOCKED, "locked")
        made.service.act(Act.HUSH)
        await made.until(
            lambda: made.open_checks() == ["today's proof"], lambda: str(made.open_checks())
        )
        made.service.act(Act.ARM)
        assert made.state is State.LOCKED
        for step in steps:
            store.add(step, clock[0], 12.0)
        await made.arm()
        assert "today's proof" not in made.open_checks()
        clock[0] += timedelta(days=1)
        await made.until(lambda: "today's proof" in made.open_checks(), "the next midnight")
        clock[0] -= timedelta(days=1)  # set back: the day of the proofs again
        at = looked[0]
        await made.until(lambda: looked[0] > at + 4, "looked at again")
        assert "today's proof" in made.open_checks()

    play(built, story)


def test_the_date_is_looked_at_when_it_changes() -> None:
    zone = timezone(timedelta(hours=1))
    assert until_midnight_s(datetime(2026, 11, 25, 23, 59, 59, tzinfo=zone)) == 1.0
    assert until_midnight_s(datetime(2026, 12, 31, 0, 0, tzinfo=zone)) == 86400.0
