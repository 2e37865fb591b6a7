"""`coilwarden serve` and what it shares with `bang`: a service with an operator's terminal."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import signal
import sys
from collections.abc import AsyncGenerator, Callable, Coroutine, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from bridge import log, loop
from bridge.coil.checks import unprotected
from bridge.config import Config
from bridge.config_check import quiet_notes
from bridge.interlock import NOT_SAFE, Cause
from bridge.journal.journal import Journal
from bridge.latch_store import LatchBusyError, LatchStore
from bridge.local_boards import LocalBoards
from bridge.midi_ports import MidiPortError
from bridge.music.instrument import Instrument
from bridge.outlet import say_last
from bridge.own_words import OwnWord
from bridge.panel.desk import Desk, Other
from bridge.panel.host import PanelHost
from bridge.service import Service
from bridge.source import VoiceSource
from bridge.stage import Stage
from bridge.stops.attend import AttendedStops
from bridge.stops.page_hold import hold_by_page
from bridge.terminal import Extra, Operator, operate

if TYPE_CHECKING:
    from bridge.telemetry.link import MqttLink


async def run_site(
    config: Config,
    source: VoiceSource,
    *,
    plain: bool,
    with_midi: bool = True,
    extra: Extra | None = None,
    own_words: Sequence[OwnWord] = (),
    greeting: str = "",
    prepare: Callable[[Service, Callable[[str], None]], None] | None = None,
    beside: Callable[[Operator], Coroutine[Any, Any, None]] | None = None,
    panel: Callable[[], Stage] | None = None,
    panel_acts: Mapping[str, Other] | None = None,
    listen: bool = False,
) -> int:
    """Runs until the operator leaves or a signal comes. Returns the exit code.

    `own_words`: what `extra` takes. `beside`: what a command does beside the site while it runs;
    its failing stops the site.
    `panel`: what the operator's page may reduce, around `source`; given, the page is served unless
    the site file switches it off. `panel_acts`: what the command adds to what the page may ask,
    e.g. "show:next". `listen`: simulated coils are heard.
    """
    stage = panel() if panel is not None and config.panel.enabled else None
    if stage is not None:
        source = stage
    store = LatchStore(config)
    try:
        store.lock()
    except LatchBusyError as error:
        print(error, file=sys.stderr)
        return 2
    except OSError as error:
        print(f"{store.path}: the trip latch cannot be kept: {error.strerror}", file=sys.stderr)
        return 2
    # A thread that draws or reads must give way to the music within half a millisecond.
    sys.setswitchinterval(0.0005)
    async with contextlib.AsyncExitStack() as stack:
        boards = await stack.enter_async_context(LocalBoards(config, keep_pulses=False))
        service = Service(
            config, source, open_port=boards.open, latch_store=store, with_midi=with_midi
        )
        operator = Operator(service, extra, own_words)
        service.watchers.add(operator)
        journal = _start_journal(service, operator)
        if prepare is not None:
            prepare(service, operator.say)
        running_loop = asyncio.get_running_loop()
        # A terminal that is closed (SIGHUP) leaves nobody at the stop.
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT):
            running_loop.add_signal_handler(number, service.leave)
        running_loop.add_signal_handler(
            signal.SIGUSR1,
            service.stop,
            Cause.OPERATOR_STOP,
            "from another shell (SIGUSR1)",
            "another shell",
        )
        for problem in service.engine.timeline.problems:
            operator.say(f"timing: {problem}")
        for line in [*(input_lines(config) if with_midi else ()), *timing_lines(config)]:
            operator.say(line)
        for line in quiet_notes(config):
            operator.say(line)
        for line in unprotected(config):
            operator.say(f"not protected: {line}")
        if greeting:
            operator.say(greeting)
        if listen:
            from bridge.sound.listen import listened_to  # noqa: PLC0415  (loads numpy)

            await listened_to(stack, config, boards, operator.say)
        if boards.boards:
            operator.say("simulated controllers: their emergency stops are being proven for you")
            await boards.prove_estops()
        # What is alive now stays: the collector need not look at it again during the music.
        gc.collect()
        gc.freeze()
        stops = AttendedStops(service)
        mqtt: MqttLink | None = None
        try:
            try:
                await stops.open()
            except OSError as error:
                print(f"the socket for `coilwarden stop` cannot be had: {error}", file=sys.stderr)
                return 2
            if config.mqtt is not None:
                from bridge.telemetry.attend import connect  # noqa: PLC0415  (loads MQTT)
                from bridge.telemetry.credentials import CredentialsError  # noqa: PLC0415

                try:
                    mqtt = connect(service, config.mqtt, operator.say)
                except (CredentialsError, OSError) as error:
                    print(f"mqtt: {error}", file=sys.stderr)
                    return 2
            with contextlib.nullcontext() if plain else log.held_back():
                shown = operate(operator, plain=plain)
                if beside is not None:
                    shown = _both(shown, beside(operator))
                async with _panel(stage, service, operator, panel_acts):
                    problems = await _run_both(service, shown)
            for problem in problems:  # only now: a picture on the terminal would have covered it
                say_last(sys.stderr.fileno(), problem)
            return 2 if problems else 0
        finally:
            gc.unfreeze()
            await stops.close()
            if mqtt is not None:
                await asyncio.to_thread(mqtt.close)
            store.release()
            if journal is not None:
                journal.close()
            left = f"left: {service.engine.interlock.state.value}. {NOT_SAFE}"
            say_last(sys.stdout.fileno(), left)


@contextlib.asynccontextmanager
async def _panel(
    stage: Stage | None,
    service: Service,
    operator: Operator,
    acts: Mapping[str, Other] | None,
) -> AsyncGenerator[None]:
    """The operator's page beside what runs inside; nothing that becomes of it ends the music."""
    if stage is None:
        yield
        return
    acts = dict(acts or {})
    if service.config.dead_man is not None and service.config.dead_man.source == "panel":
        acts["deadman:hold"] = partial(hold_by_page, service)
    desk = Desk(service, stage, operator.say, acts)

    def lines() -> list[tuple[str, str]]:
        return list(operator.lines)

    host = PanelHost(service.config, desk, operator.view, lines, operator.say)
    service.watchers.add(host)
    running = asyncio.create_task(host.run(), name="panel")
    try:
        yield
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


def _start_journal(service: Service, operator: Operator) -> Journal | None:
    """The record of this run, unless the site file switches it off."""
    config, engine = service.config, service.engine
    if not config.journal.enabled:
        operator.say("no record is kept of this run: [journal] says enabled = false")
        return None
    journal = Journal(config, engine.source, engine.interlock.latch, operator.say)
    operator.journal = journal
    service.watchers.add(journal)
    journal.start()
    return journal


async def _both(*works: Coroutine[Any, Any, None]) -> None:
    async with asyncio.TaskGroup() as group:
        for work in works:
            group.create_task(work)


async def _run_both(service: Service, shown: Coroutine[Any, Any, None]) -> list[str]:
    """The service beside its terminal, until both have ended. Returns what kept it from running."""
    terminal = asyncio.create_task(shown, name="terminal")
    running = asyncio.create_task(service.run(), name="site")
    try:
        done, _ = await asyncio.wait({terminal, running}, return_when=asyncio.FIRST_COMPLETED)
        if terminal in done:  # a terminal that fails leaves nobody at the stop: leave
            service.leave()
            await asyncio.wait({running})
            terminal.result()
        return _port_problems(running)
    finally:
        terminal.cancel()
        await asyncio.gather(terminal, return_exceptions=True)


def _port_problems(running: asyncio.Task[None]) -> list[str]:
    """MIDI inputs that could not be had, as sentences. Raises any other error of the service."""
    try:
        running.result()
    except BaseExceptionGroup as group:
        ports, rest = group.split(MidiPortError)
        if ports is None or rest is not None:
            raise
        return [f"MIDI input: {error}" for error in ports.exceptions]
    return []


def input_lines(config: Config) -> list[str]:
    """What each input waits for."""
    return [
        f'input {i.name}: opens the virtual port "{i.virtual_port}" and waits for a sender'
        if i.virtual_port is not None
        else f'input {i.name}: waits for a MIDI port whose name fits "{i.port_pattern}"'
        for i in config.input
    ]


def timing_lines(config: Config) -> list[str]:
    """What to enter in the DAW for inputs with a fixed delay."""
    return [
        f"input {i.name}: sounds {i.delay_ms:g} ms after it arrives; in the DAW, delay the audio "
        f"tracks by {i.delay_ms:g} ms against the MIDI track"
        for i in config.input
        if i.timing == "fixed_delay"
    ]


def run(config: Config, *, plain: bool, listen: bool = False) -> int:
    """The command."""
    source = Instrument(config)
    site = run_site(config, source, plain=plain, panel=lambda: Stage(config, source), listen=listen)
    return loop.run(site)
