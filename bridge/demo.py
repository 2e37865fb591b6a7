"""`coilwarden demo`: our own piece on two simulated coils, through the very daemon that plays live.

The MIDI goes in where a port's would, everything after it is the real thing but the controller,
which is simulated. Ends with what the pulses say.
"""

from __future__ import annotations

import asyncio
import json
import math
import sys
import tempfile
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import asdict, dataclass
from pathlib import Path

from bridge import demo_piece, loop
from bridge.config import SIMULATED_PORT, Config
from bridge.engine import Act
from bridge.host_clock import host_now
from bridge.interlock import NOT_SAFE, Cause, State
from bridge.latch_store import LatchStore
from bridge.local_boards import LocalBoards
from bridge.music.instrument import Instrument
from bridge.pulse_file import write_pulses
from bridge.pulse_summary import PulseSummary, mean_rate_hz, summarise
from bridge.service import Service
from bridge.sound.listen import listened_to
from bridge.terminal import Operator
from bridge.view import site_view

INPUT = "demo"
TUNING_NOTE = 57
"""A3: the last thing each coil plays is one long A, alone, to be measured."""
TUNING_S = 2.0
ARM_WITHIN_S = 10.0


@dataclass(frozen=True, slots=True)
class CoilResult:
    name: str
    summary: PulseSummary
    guard_refusals: int
    collisions_dropped: int
    pitch_error_cents: float | None
    """Of the long A at the end, in true time; None where the coil did not play it."""


@dataclass(frozen=True, slots=True)
class DemoResult:
    seconds: float
    midi_messages: int
    stop_to_silence_ms: float | None
    """From the stop to the end of the last pulse; None where nothing sounded after it."""
    pulses_after_stop: int
    """Pulses of all coils that began after the stop."""
    coils: tuple[CoilResult, ...]


def simulated(config: Config) -> Config:
    """The same site with every controller simulated in this process and no MIDI port opened."""
    boards = tuple(c.model_copy(update={"port": SIMULATED_PORT}) for c in config.controller)
    return config.model_copy(update={"controller": boards, "input": ()})


async def play(
    config: Config, say: Callable[[str], None], *, listen: bool = False
) -> tuple[DemoResult, LocalBoards]:
    """Plays the piece in real time; `say` gets a line for everything that happens.

    `listen`: it is heard as well.
    """
    config = simulated(config)
    messages = 0
    with tempfile.TemporaryDirectory(prefix="coilwarden-demo-") as directory:
        site = config.site.model_copy(update={"state_directory": Path(directory)})
        config = config.model_copy(update={"site": site})
        async with AsyncExitStack() as stack:
            boards = await stack.enter_async_context(LocalBoards(config))
            if listen:
                listening = await listened_to(stack, config, boards, say)
                if listening is not None:
                    await listening.ready()  # or the piece's first notes go unheard
            service = Service(
                config,
                Instrument(config),
                open_port=boards.open,
                latch_store=LatchStore(config),
                with_midi=False,
            )
            operator = Operator(service)
            operator.print_line = lambda line, keep: say(line)
            service.watchers.add(operator)
            running = asyncio.create_task(service.run(), name="demo site")
            try:
                say("the simulated emergency button is pressed and released: the proof test")
                await boards.prove_estops()
                await _arm(service)
                started_s = host_now()
                report = _reporter(service, say)
                for at_s, message in demo_piece.piece():
                    await _until(started_s + at_s, report)
                    service.midi_in(host_now(), INPUT, message)
                    messages += 1
                await _until(started_s + demo_piece.END_BEAT * demo_piece.BEAT_S, report)
                tuning, sent = await _tuning_notes(service, config, boards, say)
                messages += sent
                silence_ms, after_stop = await _stop_while_sounding(service, boards, say)
                seconds = host_now() - started_s
            finally:
                service.leave()
                await running
            coils = _results(config, service, boards, tuning)
            return DemoResult(seconds, messages, silence_ms, after_stop, coils), boards


async def _arm(service: Service) -> None:
    until = host_now() + ARM_WITHIN_S
    while any(not c.passed for c in service.engine.checks(host_now())):
        if host_now() > until:
            failed = [c for c in service.engine.checks(host_now()) if not c.passed]
            raise RuntimeError("cannot arm: " + "; ".join(f"{c.name}: {c.found}" for c in failed))
        await asyncio.sleep(0.05)
    service.act(Act.ARM, "demo")
    while service.engine.interlock.state is State.ARMING:  # noqa: ASYNC110  (the engine is pure)
        await asyncio.sleep(0.005)
    if service.engine.interlock.state is not State.ARMED:
        raise RuntimeError(f"not armed: {service.engine.interlock.current_trip}")


def _reporter(service: Service, say: Callable[[str], None]) -> Callable[[], None]:
    """Says what the coils do, at most once a second however often it is called."""
    said_s = -math.inf

    def report() -> None:
        nonlocal said_s
        now_s = host_now()
        if now_s - said_s < 1.0:
            return
        said_s = now_s
        say(
            " | ".join(
                f"{c.name}: "
                + ("  ".join(f"{r:.0f} Hz {o:.0f} µs" for r, o in c.voices) or "silent")
                for c in site_view(service.engine, now_s).coils
            )
        )

    return report


async def _until(at_s: float, report: Callable[[], None]) -> None:
    """Waits, and shows what happens meanwhile."""
    while (left_s := at_s - host_now()) > 0:
        await asyncio.sleep(min(left_s, 0.05))
        report()


async def _tuning_notes(
    service: Service, config: Config, boards: LocalBoards, say: Callable[[str], None]
) -> tuple[dict[str, tuple[float, float]], int]:
    """Each coil's long A alone: when it sounded, by coil."""
    spans: dict[str, tuple[float, float]] = {}
    sent = 0
    service.act(Act.HUSH, "demo")
    channels = dict.fromkeys(r.channels[0] for r in config.music.routes) or {1: None}
    for channel in channels:
        if channel == config.music.percussion_channel:
            continue
        await asyncio.sleep(0.3)
        say(f"channel {channel}: one long A, to be measured")
        start_s = host_now()
        before = {n: len(p) for n, p in boards.pulses.items()}
        service.midi_in(start_s, INPUT, bytes((0x90 | channel - 1, TUNING_NOTE, 100)))
        await asyncio.sleep(TUNING_S)
        end_s = host_now()
        service.midi_in(end_s, INPUT, bytes((0x80 | channel - 1, TUNING_NOTE, 0)))
        sent += 2
        await asyncio.sleep(0.3)
        for coil in config.coil:
            if len(boards.pulses[coil.name]) - before[coil.name] > 50:
                # Ends are left out: only the steady train is measured.
                spans[coil.name] = (start_s + 0.2, end_s - 0.1)
    return spans, sent


async def _stop_while_sounding(
    service: Service, boards: LocalBoards, say: Callable[[str], None]
) -> tuple[float | None, int]:
    """Stops in the middle of a chord. Returns by how many ms the last pulse ended after the stop
    (None: before it), and how many pulses began after the stop."""
    for channel, note in ((1, 62), (2, 50), (3, 69)):
        service.midi_in(host_now(), INPUT, bytes((0x90 | channel - 1, note, 90)))
    await asyncio.sleep(0.5)
    say("stop, in the middle of a chord")
    stop_s = host_now()
    service.stop(Cause.OPERATOR_STOP, "demo", "demo")
    await asyncio.sleep(0.3)
    ends = [p[-1].start_s + p[-1].on_s for p in boards.pulses.values() if p]
    last_s = max(ends, default=0.0)
    begun = sum(1 for pulses in boards.pulses.values() for p in pulses if p.start_s > stop_s)
    return (last_s - stop_s) * 1000 if last_s > stop_s else None, begun


def _results(
    config: Config, service: Service, boards: LocalBoards, tuning: dict[str, tuple[float, float]]
) -> tuple[CoilResult, ...]:
    results: list[CoilResult] = []
    asked_hz = config.music.a4_hz * 2 ** ((TUNING_NOTE - 69) / 12)
    for coil in config.coil:
        pulses = boards.pulses[coil.name]
        windows = [w.window_ms for w in coil.duty_windows]
        starts = [p.start_s * 1e6 for p in pulses]
        cents = None
        if coil.name in tuning:
            begin_s, end_s = tuning[coil.name]
            steady = [p.start_s * 1e6 for p in pulses if begin_s < p.start_s < end_s]
            cents = 1200 * math.log2(mean_rate_hz(steady) / asked_hz)
        status = service.engine.sessions[coil.controller].status
        counters = status.per_output[coil.output - 1] if status else None
        results.append(
            CoilResult(
                coil.name,
                summarise(starts, [p.on_s * 1e6 for p in pulses], windows),
                counters.guard_refusals if counters else -1,
                counters.collisions_dropped if counters else -1,
                cents,
            )
        )
    return tuple(results)


def summary_lines(config: Config, result: DemoResult) -> list[str]:
    """The summary for people."""
    lines = [f"played {result.seconds:.1f} s from {result.midi_messages} MIDI messages"]
    for coil, one in zip(config.coil, result.coils, strict=True):
        s = one.summary
        lines.append(f"{one.name}: {s.pulses} pulses, at most {s.most_in_1s} in a second "
                     f"(limit {coil.max_break_rate_hz})")  # fmt: skip
        lines.append(f"  longest on-time {s.longest_on_time_us:.1f} µs "
                     f"(limit {coil.max_on_time_us:g})")  # fmt: skip
        if s.shortest_off_time_us is not None:
            lines.append(f"  shortest off-time {s.shortest_off_time_us:.1f} µs "
                         f"(limit {coil.min_off_time_us:g})")  # fmt: skip
        for window in coil.duty_windows:
            worst = s.worst_duty_percent[window.window_ms]
            lines.append(
                f"  worst duty in any {window.window_ms} ms: {worst:.2f} % "
                f"(limit {window.max_percent:g} %)"
            )
        lines.append(
            f"  guard refused {one.guard_refusals}, collisions dropped {one.collisions_dropped}"
        )
        if one.pitch_error_cents is not None:
            lines.append(f"  mean pitch error of its long A: {one.pitch_error_cents:+.3f} cent")
    if result.stop_to_silence_ms is None:
        lines.append("stop: no pulse after it")
    else:
        lines.append(f"stop → end of the last pulse: {result.stop_to_silence_ms:.2f} ms, "
                     f"pulses begun after the stop: {result.pulses_after_stop}")  # fmt: skip
    lines.append(f"The pulses above are a simulated controller's. {NOT_SAFE}")
    return lines


def run(config: Config, *, as_json: bool, pulses: Path | None, listen: bool = False) -> int:
    """The command. Returns the exit code: 1 where a guard refused anything."""
    began_s = host_now()

    def say(line: str) -> None:
        print(f"{host_now() - began_s:6.1f}  {line}", flush=True, file=sys.stderr)

    result, boards = loop.run(play(config, say, listen=listen))
    if pulses is not None:
        say(f"{write_pulses(boards.pulses, pulses)} pulses written to {pulses}")
    if as_json:
        print(json.dumps(asdict(result), indent=2))
    else:
        print("\n".join(summary_lines(config, result)))
    return 0 if all(c.guard_refusals == 0 for c in result.coils) else 1
