"""One clock's time where another's is wanted: the type checker refuses it, in our own signatures.

Nothing of this exists at run time. So the checker itself is run, as CI runs it, on a file in which
each pair of clocks is mixed up, and must complain of exactly those lines.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
HEAD = """
from bridge.clocks import HostS, MusicS, Tick
from bridge.coil_line import CoilLine
from bridge.engine import Engine
from bridge.governor.governor import Governor
from bridge.link.clock import Clock
from bridge.link.session import Session
from bridge.link.status_age import StatusAge
from bridge.music.instrument import Instrument
from bridge.service import Service
from bridge.source import VoiceSource
from bridge.timeline import Timeline


def mixed(
    host_s: HostS, music_s: MusicS, tick: Tick, plain_s: float, number: int,
    engine: Engine, session: Session, clock: Clock, age: StatusAge, line: CoilLine,
    timeline: Timeline, source: VoiceSource, governor: Governor, instrument: Instrument,
    service: Service,
) -> None:
"""
RIGHT = """
engine.advance(host_s)
engine.midi(host_s, "keys", b"", host_s)
session.voices_frame(host_s, 0, (), host_s)
clock.tick_at(host_s)
clock.slew(host_s)
age.status(host_s, tick)
line.plan(music_s)
line.frame(host_s, scheduled_s=music_s)
timeline.put(host_s, "keys", b"")
source.midi(timeline.now_s(host_s), "keys", b"")
governor.update(music_s, ())
instrument.voices(music_s)
service.midi_in(host_s, "keys", b"")
age.at_most_s(HostS(host_s + 0.2))
timeline.lead_s = host_s - host_s
timeline.lead_s = music_s
session.baud = tick
"""
WRONG = """
engine.advance(music_s)
engine.advance(tick)
engine.advance(plain_s)
engine.midi(host_s, "keys", b"", music_s)
session.advance(music_s)
session.voices_frame(host_s, 0, (), music_s)
session.voices_frame(host_s, 0, (), tick)
clock.tick_at(music_s)
clock.tick_at(tick)
clock.slew(music_s)
age.status(host_s, number)
age.status(tick, tick)
age.at_most_s(music_s)
age.at_most_s(host_s + 0.2)
line.plan(host_s)
line.plan(tick)
line.frame(music_s, scheduled_s=music_s)
line.frame(host_s, scheduled_s=host_s)
timeline.now_s(music_s)
timeline.put(music_s, "keys", b"")
timeline.host_s(host_s)
source.midi(host_s, "keys", b"")
source.tick(tick)
governor.update(host_s, ())
governor.silence(host_s)
instrument.voices(host_s)
instrument.tick(tick)
service.midi_in(music_s, "keys", b"")
host_s = engine.source.next_deadline_s() or host_s
music_s = engine.next_deadline_s()
music_s = session.next_deadline_s()
host_s = clock.tick_at(host_s)
tick = host_s
tick = number
"""


def test_every_mix_up_is_refused_and_nothing_else(tmp_path: Path) -> None:
    lines = [*RIGHT.split("\n"), *WRONG.split("\n")]
    body = HEAD + "\n".join(f"    {line}".rstrip() for line in lines) + "\n"
    snippet = tmp_path / "mixed.py"
    snippet.write_text(body)
    run = subprocess.run(
        [
            str(Path(sys.executable).parent / "basedpyright"),
            "--outputjson", "--pythonpath", sys.executable, str(snippet),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )  # fmt: skip
    assert run.stdout, run.stderr
    found = json.loads(run.stdout)["generalDiagnostics"]
    written = body.split("\n")
    refused = {
        written[d["range"]["start"]["line"]].strip(): d["rule"]
        for d in found
        if d["severity"] == "error"
    }
    assert set(refused) == {line for line in WRONG.split("\n") if line}
    assert set(refused.values()) == {"reportArgumentType", "reportAssignmentType"}
