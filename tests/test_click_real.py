"""The click test as it runs: the command, a simulated board on a pty, a JACK server that plays.

The server's own ear hears the clicks (jack_ear.py), the board writes down its bangs; both go by
this computer's monotonic clock.
"""

from __future__ import annotations

import re
from pathlib import Path
from statistics import median

import pytest

from tests.end_to_end.rig import Program, Rig, ask, reset, wait_until
from tests.jack import JackServer, jack_server  # noqa: F401  # pyright: ignore[reportUnusedImport]
from tests.jack_ear import Ear
from tests.show.stage import first_pulses_of

FRAMES = 1024
"""Long cycles: what this test is for is not how busy the machine is."""
BOUND_S = 0.5 * FRAMES / 48_000
"""A clock that is a cycle off, or a capture's latency taken for the player's, is beyond it."""
LOUDSPEAKERS_M = 30.0
DISTANCE_M = {1: 24.0, 2: 41.0}
SOUND_M_S = 337.5
"""At 10 °C, where a site file says nothing else: the handbook's value for dry air."""
TRIM_MS, TRIM_S = 20, 0.020
TIMES, MOST = 3, 12


def lantern_yard(rig: Rig) -> None:
    """Distances, and an input with a fixed delay of 120 ms, in the rig's site file."""
    text = rig.config.read_text(encoding="utf-8")
    text = text.replace("[site]\n", f"[site]\nloudspeaker_distance_m = {LOUDSPEAKERS_M}\n")
    for output, away_m in DISTANCE_M.items():
        here = f"output = {output}\n"
        text = text.replace(here, f"{here}distance_to_audience_m = {away_m}\n")
    text = text.replace(
        "stop_controller", 'timing = "fixed_delay"\ndelay_ms = 120\nstop_controller'
    )
    rig.config.write_text(text, encoding="utf-8")


def tripped(click: Program, said: int) -> str:
    """Of the lines from number `said` on the one that tells of a trip; "" if there is none."""
    return next((x for x in click.lines[said:] if "armed → tripped" in x), "")


@pytest.mark.real
@pytest.mark.alone
@pytest.mark.parametrize("jack_server", [FRAMES], indirect=True)
def test_each_coils_bang_is_heard_with_its_click(
    jack_server: JackServer,  # noqa: F811
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path)
    lantern_yard(rig)
    with rig.board() as board, Ear(jack_server.name) as ear:
        with Program("click", str(rig.config), "--plain") as click:
            ear.listen()
            rig.arm(board, click)

            def fire(words: str) -> None:
                """A machine so busy that the daemon trips for it is no fault of the test's."""
                for _ in range(4):
                    before, said = len(rig.pulses()), len(click.lines)
                    ask(click, "fire", yes=words, no="a bang is on its way")
                    wait_until(
                        lambda: len(rig.pulses()) > before or bool(tripped(click, said)),  # noqa: B023
                        lambda: "a bang: " + "\n".join(click.lines[said:]),  # noqa: B023
                    )
                    if not tripped(click, said):
                        return
                    assert re.search(r"cause (7|37|40)\b", tripped(click, said)), click.lines
                    reset(click)
                    rig.arm(board, click, prove=False)
                raise AssertionError("\n".join(click.lines))

            def measure(output: int, words: str, expected_s: float) -> list[float]:
                """Bang after click, in the audience's middle. A busy server leaves cycles out, and
                near those nobody can tell when a click was heard: then more are fired, for the
                median's sake."""
                found: list[float] = []
                for _ in range(MOST):
                    fire(words)
                    clicks_s = first_pulses_of(ear.heard_s(), 0.2)
                    found = [
                        s + DISTANCE_M[output] / SOUND_M_S - c - LOUDSPEAKERS_M / SOUND_M_S
                        for o, s, _ in rig.pulses()
                        for c in clicks_s
                        if o == output and abs(s - c) < 0.3
                    ]
                    if len(found) >= TIMES and abs(median(found) - expected_s) < BOUND_S:
                        break
                return found

            first_s = measure(1, "Larkspur: one bang and one click", 0.0)
            ask(click, "next", yes="Foxglove: 41 m away", no="a bang is on its way")
            for _ in range(TRIM_MS):
                click.say("later")
            click.wait_for(f"trim +{TRIM_MS} ms")
            second_s = measure(2, "Foxglove: one bang and one click", TRIM_S)
            click.say("quit")
            click.process.wait(20)
            lines = "\n".join(click.lines)
        bangs = rig.pulses()
    print(f"bang after click, ms: {[[round(1000 * s, 2) for s in x] for x in (first_s, second_s)]}")
    assert all(abs(on_us - 40) < 1 for _, _, on_us in bangs), "the shortest that breaks out"
    assert [o for o, _, _ in bangs] == sorted(o for o, _, _ in bangs), "the coil whose turn it is"
    assert min(len(first_s), len(second_s)) >= TIMES
    assert abs(median(first_s)) < BOUND_S
    assert abs(median(second_s) - TRIM_S) < BOUND_S
    # both coils tried: what they share of the trims is half of it
    assert re.search(r"delay the audio tracks by 110\.0 ms .*120 ms of delay_ms, -10\.0 ms", lines)
