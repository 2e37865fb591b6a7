"""Measures a show with backing audio: click in the air beside the coil's first pulse. Prints only.

    .venv/bin/python -m tests.measure_audio [SECONDS [FRAMES [CONDITION ...]]]   # 60 256 all

Real processes: `show` with its audio process, `simulate` on a pty (its pulses are the coil), a
JACK server on its dummy driver that plays, and a client of it that hears (jack_ear.py). The audio
is a row of clicks, the score a note on each. Printed: coil minus click in ms, without sign (median
and worst) and with it (mean), with the host idle, both cores loaded, and the daemon stopped by
SIGSTOP for 100 ms again and again. The error of the mapping host ↔ board is in the same number.

JACK runs with real-time priority, as on a musician's machine, and so does the simulated board,
which stands for hardware. The daemon does not, and takes no MIDI from this JACK server: a client
that is stopped stops every other, the audio too.
"""

from __future__ import annotations

import contextlib
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import mido
import numpy as np
import soundfile

from tests.end_to_end.rig import Program, Rig
from tests.jack import JackServer, server_name
from tests.jack_ear import RATE, Ear
from tests.show.stage import NOTE_S, first_pulses_of, midi_file

SECONDS = 60.0
BEGIN_S = 1.0
"""Of the first click, in the item."""
STALL_S = 0.1
GAP_S = 0.05
"""Silence before a note's first pulse. (A stall may hold up the fading of the note before.)"""
LOAD = "while True: pass"


def click_times(seconds: float) -> list[float]:
    """Uneven, 0.35 to 0.45 s apart, in whole ticks of the score: none is taken for another."""
    times, at_s = list[float](), BEGIN_S
    while at_s < BEGIN_S + seconds:
        times.append(round(at_s * 960) / 960)
        at_s += 0.35 + 0.1 * ((len(times) * 0.618) % 1)
    return times


def write_show(folder: Path, times: Sequence[float]) -> Path:
    """Clicks and notes at the same times (seconds of the item); returns the cue list."""
    samples = np.zeros((round((times[-1] + 1) * RATE), 2), dtype=np.float32)
    notes: list[mido.Message | mido.MetaMessage] = []
    tick, length = 0, round(NOTE_S * 960)
    for at_s in times:
        samples[round(at_s * RATE)] = 0.9
        begin = round(at_s * 960)
        notes.append(mido.Message("note_on", note=69, velocity=90, time=begin - tick))
        notes.append(mido.Message("note_off", note=69, time=length))
        tick = begin + length
    soundfile.write(str(folder / "clicks.wav"), samples, RATE, subtype="PCM_16")
    midi_file(folder / "notes.mid", notes)
    show = folder / "SHOW.toml"
    show.write_text(
        'name = "Lantern night"\n[[item]]\nname = "Clicks"\nscore = "notes.mid"\n'
        'audio = "clicks.wav"\ncountdown_s = 1\n',
        encoding="utf-8",
    )
    return show


def perform(
    folder: Path, server: str, times: Sequence[float], stall: bool
) -> tuple[list[float], list[float], list[str]]:
    """When each click was heard, when each note's first pulse came (host time), and what was said.

    `stall`: the daemon, not its audio process, stands still for 100 ms every 0.7 s.
    """
    rig = Rig(folder)
    text = rig.config.read_text(encoding="utf-8")
    rig.config.write_text(text[: text.index("[[input]]")] + text[text.index("[music]") :])
    show = write_show(folder, times)
    with rig.board() as board, Ear(server) as ear:
        with contextlib.suppress(PermissionError):
            os.sched_setscheduler(board.process.pid, os.SCHED_FIFO, os.sched_param(5))
        daemon = Program("show", str(rig.config), str(show), "--plain")
        with daemon:
            ear.listen()
            print(f"  the server's latency: {ear.latency_s * 1000:.1f} ms")
            rig.arm(board, daemon)
            daemon.say("go")
            daemon.wait_for("countdown")
            most_s = time.monotonic() + times[-1] + 12  # of one that tripped, it is never
            while time.monotonic() < most_s and not any("Clicks: ended" in x for x in daemon.lines):
                time.sleep(0.6 if stall else 0.1)
                if stall:
                    daemon.signal(signal.SIGSTOP)
                    time.sleep(STALL_S)
                    daemon.signal(signal.SIGCONT)
            words = ("audio:", "underrun", "tripped")
            said = [x for x in daemon.lines if any(w in x for w in words) and "{" not in x]
            daemon.say("quit")
        starts = sorted(start for output, start, _ in rig.pulses() if output == 1)
    said.append(f"xruns of the server: {len(ear.xruns_s)}")
    return ear.heard_s(), first_pulses_of(starts, GAP_S) if starts else [], said


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    frames = int(sys.argv[2]) if len(sys.argv) > 2 else 256
    times = click_times(seconds)
    for condition in sys.argv[3:] or ("idle", "loaded", "stalled"):
        server = JackServer(server_name(), frames, realtime=True)
        os.environ.update(
            JACK_DEFAULT_SERVER=server.name, JACK_NO_START_SERVER="1", COILWARDEN_MIDI_API="jack",
            JACK_NO_AUDIO_RESERVATION="1",
        )  # fmt: skip
        server.start()
        load = [
            subprocess.Popen([sys.executable, "-c", LOAD])
            for _ in range((os.cpu_count() or 1) if condition == "loaded" else 0)
        ]
        try:
            with tempfile.TemporaryDirectory() as folder:
                clicks, notes, said = perform(
                    Path(folder), server.name, times, condition == "stalled"
                )
        finally:
            for process in load:
                process.kill()
            server.stop()
        print("\n".join(said))
        # A click without a note, or the other way round, is told: none is left out.
        near = [1000 * (n - c) for c in clicks for n in notes if abs(n - c) < 0.15]
        print(f"{condition}: {len(times)} notes; heard {len(clicks)}, fired {len(notes)}")
        alone = [c for c in clicks if not any(abs(n - c) < 0.15 for n in notes)]
        print("  clicks without a note, at s of the run:", [f"{c - clicks[0]:.2f}" for c in alone])
        print(f"  load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        if near:
            away = sorted(abs(x) for x in near)
            print(
                f"  coil - click: median {statistics.median(away):.3f} ms, worst {away[-1]:.3f}, "
                f"95 % {away[int(0.95 * len(away))]:.3f}, mean {statistics.mean(near):+.3f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
