"""End to end on real transports: JACK MIDI from a second process, serve on a pty to simulate.

Times are taken from the pulses' own stamps (the machine's monotonic clock), so a slow test process
cannot make a late stop look early. The project's bounds: silence within 250 ms of a dead host.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import time
from pathlib import Path

import pytest

from firmware_protocol import messages as m
from firmware_protocol.framing import encode_frame
from tests.daw import Daw
from tests.end_to_end.rig import Program, Rig, reset, status, wait_until
from tests.jack import JackServer, jack_server  # noqa: F401  (a fixture)

pytestmark = pytest.mark.real

PORT = "Coilwarden"
LEASE_S = 0.25


def sounding(rig: Rig, daemon: Program, since_s: float, pulses: int = 20) -> None:
    wait_until(
        lambda: sum(1 for _, s, _ in rig.pulses() if s > since_s) >= pulses,
        lambda: "pulses of a chord:\n" + "\n".join(x[:300] for x in daemon.lines[-9:]),
    )


def silent_for(rig: Rig, duration_s: float) -> float:
    """Waits, then returns the end of the last pulse, which must lie before the wait."""
    begun_s = time.monotonic()
    time.sleep(duration_s)
    last_s = rig.last_pulse_end_s()
    assert last_s < begun_s + duration_s * 0.5
    return last_s


def chord() -> Daw:
    return Daw("--to", PORT, "--hold", "57,60,64")


@pytest.fixture
def rig(tmp_path: Path, jack_server: JackServer) -> Rig:  # noqa: F811
    return Rig(tmp_path)


@pytest.mark.alone
def test_a_daw_plays_and_stop_silences_within_10_ms(rig: Rig) -> None:
    with rig.board() as board, rig.daemon() as daemon:
        rig.arm(board, daemon)
        with chord():
            sounding(rig, daemon, 0.0)
            view = status(daemon)
            assert view["state"] == "armed"
            assert view["caution"] == ""
            assert [len(c["voices"]) for c in view["coils"]] == [3, 0]
            said = len(daemon.lines)
            daemon.say("stop")
            line = daemon.wait_for("armed → tripped", after=said)
            assert "Silent is not safe to approach" in line
            last_s = silent_for(rig, 0.3)
            # The line is stamped after the stop was written; the word's own way is not ours.
            assert last_s < float(line.split()[0]) + 0.010
        assert status(daemon)["trip"].startswith("trip 1, cause 32")


@pytest.mark.alone
@pytest.mark.parametrize("how", ["word", "signal", "MIDI"])
def test_every_stop_silences_within_10_ms_under_a_flood(rig: Rig, how: str) -> None:
    """3,000 bends a second on 16 channels while a chord sounds on one coil and a note on the
    other. The daemon stamps the trip once the stop is written; how long a loaded machine takes to
    bring the operator's word to it is the machine's, and only reported."""
    with rig.board() as board, rig.daemon() as daemon, chord_after_arming(rig, board, daemon):
        flood = Daw("--client", "Flood", "--to", PORT, "--bends", "24000", "--rate", "3000")
        hand = Daw("--client", "Hand", "--to", PORT, "--message", "0.0:91,3c,64",
                   "--message", "2.5:b0,5a,7f", "--stay") if how == "MIDI" else None  # fmt: skip
        with flood, hand or contextlib.nullcontext():
            before = status(daemon)["midi_messages"]["DAW"]
            wait_until(
                lambda: status(daemon)["midi_messages"]["DAW"] > before + 3000, "a second of flood"
            )
            sounding(rig, daemon, time.monotonic())
            assert status(daemon)["state"] == "armed"
            said = len(daemon.lines)
            asked_s = time.monotonic()
            if how == "word":
                daemon.say("stop")
            elif how == "signal":
                daemon.signal(signal.SIGUSR1)
            line = daemon.wait_for("armed → tripped", after=said)
            assert f"cause {33 if how == 'MIDI' else 32}" in line
            last_s = silent_for(rig, 0.3)
            assert not flood.done, "the flood was over before the stop"
            if hand is not None:
                asked_s = hand.sent[-1][0]
        assert last_s < float(line.split()[0]) + 0.010
        assert any("host stop" in x or "line break" in x for x in board.lines)
        print(f"{how}: asked to silent {(last_s - asked_s) * 1000:+.1f} ms")


def test_kill_of_serve_in_mid_chord_ends_in_a_latched_silence(rig: Rig) -> None:
    with rig.board() as board:
        with rig.daemon() as daemon, chord_after_arming(rig, board, daemon):
            killed_s = time.monotonic()
            daemon.signal(signal.SIGKILL)
            assert silent_for(rig, 0.6) <= killed_s + LEASE_S
            board.wait_for("lease expired", 2.0)
        with rig.daemon() as again:
            again.wait_for("Rack: port open")
            wait_until(lambda: "cause" in status(again)["trip"], "the trip")
            view = status(again)
            assert view["state"] == "tripped"
            assert "cause 45" in view["trip"]  # this host was armed when it ended
            again.say("arm")
            again.wait_for("not yet:")
            time.sleep(0.3)
            assert status(again)["state"] == "tripped"
            reset(again)
            rig.arm(board, again, prove=False)


def chord_after_arming(rig: Rig, board: Program, daemon: Program) -> Daw:
    rig.arm(board, daemon)
    daw = chord()
    try:
        sounding(rig, daemon, 0.0)
    except AssertionError:
        daw.kill()  # else it would play on for ever
        raise
    return daw


def test_a_frozen_serve_ends_in_silence_and_finds_itself_tripped_when_it_thaws(rig: Rig) -> None:
    with rig.board() as board, rig.daemon() as daemon, chord_after_arming(rig, board, daemon):
        frozen_s = time.monotonic()
        daemon.signal(signal.SIGSTOP)
        assert silent_for(rig, 0.6) <= frozen_s + LEASE_S
        board.wait_for("lease expired", 2.0)
        daemon.signal(signal.SIGCONT)
        line = daemon.wait_for("armed → tripped")
        assert "cause 40" in line or "cause 7" in line or "cause 37" in line
        thawed_s = time.monotonic()
        time.sleep(0.5)
        assert status(daemon)["state"] == "tripped"
        assert rig.last_pulse_end_s() < thawed_s - 0.2


def test_kill_of_the_daw_in_mid_chord_ends_in_silence_still_armed(rig: Rig) -> None:
    with rig.board() as board, rig.daemon() as daemon:
        with chord_after_arming(rig, board, daemon) as daw:
            killed_s = time.monotonic()
            daw.kill()
            daemon.wait_for("input DAW: lost", 5.0)
        last_s = silent_for(rig, 1.0)
        assert last_s < killed_s + 2.5
        assert status(daemon)["state"] == "armed"
        # A new DAW plays on at once: losing an input neither armed nor disarmed.
        with chord():
            sounding(rig, daemon, last_s + 0.1)


def test_unplugging_trips_and_the_board_comes_back_tripped(rig: Rig) -> None:
    with rig.board() as board, rig.daemon() as daemon:
        with chord_after_arming(rig, board, daemon):
            unplugged_s = time.monotonic()
            board.signal(signal.SIGKILL)
            daemon.wait_for("armed → tripped", 3.0)
            assert "cause 36" in status(daemon)["trip"]
            assert rig.last_pulse_end_s() < unplugged_s + 0.05
        board.end()
        with rig.board() as back:
            back.wait_for("tripped")  # its memory: it was armed when the supply went
            daemon.wait_for("Rack: port open", after=len(daemon.lines) - 1, timeout_s=5.0)
            time.sleep(0.6)
            assert status(daemon)["state"] == "tripped"
            reset(daemon)
            rig.arm(back, daemon)


def test_the_boards_emergency_stop_silences_and_needs_release_and_reset(rig: Rig) -> None:
    with rig.board() as board, rig.daemon() as daemon, chord_after_arming(rig, board, daemon):
        said = len(board.lines)
        board.say("estop")
        said_s = float(board.wait_for("emergency stop pressed", after=said).split()[0])
        assert silent_for(rig, 0.3) <= said_s
        line = daemon.wait_for("armed → tripped")
        assert "cause 1 (Rack)" in line
        daemon.say("reset")
        daemon.wait_for("not reset: Rack: cause remains")
        board.say("estop")
        board.wait_for("emergency stop released")
        time.sleep(0.3)
        assert status(daemon)["state"] == "tripped"  # closing the loop does not reset
        reset(daemon)
        last_s = rig.last_pulse_end_s()
        time.sleep(0.4)
        assert rig.last_pulse_end_s() == last_s  # and reset does not arm


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_first_and_then_leaves(rig: Rig, number: int) -> None:
    with rig.board() as board, rig.daemon() as daemon, chord_after_arming(rig, board, daemon):
        daemon.signal(number)
        assert daemon.process.wait(5) == 0
        board.wait_for("host stop")
        left_s = time.monotonic()
        assert rig.last_pulse_end_s() < left_s
        daemon.wait_for("left: tripped. Silent is not safe to approach")
        with rig.daemon() as again:
            again.wait_for("port open")
            assert status(again)["state"] == "tripped"


def test_a_second_host_cannot_open_the_port_nor_play_only_stop(rig: Rig) -> None:
    with rig.board() as board, rig.daemon() as daemon:
        rig.arm(board, daemon)
        second = rig.config.with_name("second.toml")
        text = rig.config.read_text(encoding="utf-8").replace("Depot yard", "Other yard")
        second.write_text(text.replace('virtual_port = "Coilwarden"', 'virtual_port = "Other"'))
        with Program("serve", str(second), "--plain") as other:
            other.wait_for("in use by another program")
            assert status(daemon)["state"] == "armed"
        # Something that minds no lock writes voices of a session that is not its own.
        descriptor = os.open(rig.port, os.O_RDWR | os.O_NOCTTY)
        try:
            with pytest.raises(BlockingIOError):
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            slot = m.Slot(1, 0, 0, 0, 200, 0, 256 * 4000)
            forged = m.Voices(0x1234, 0, 1, m.FLAG_IMMEDIATE, 0, 0, (slot,))
            began_s = time.monotonic()
            os.write(descriptor, b"\x00" + encode_frame(m.Voices.TYPE, 1, forged.payload()))
            board.wait_for("wrong session")
            assert "cause 8" in daemon.wait_for("armed → tripped")
            assert all(s < began_s for _, s, _ in rig.pulses())
        finally:
            os.close(descriptor)


def test_max_note_s_ends_a_note_nobody_ends(tmp_path: Path, jack_server: JackServer) -> None:  # noqa: F811
    rig = Rig(tmp_path, max_note_s=1.0)
    with rig.board() as board, rig.daemon() as daemon, chord_after_arming(rig, board, daemon):
        struck_s = rig.pulses()[0][1]
        time.sleep(2.0)
        assert rig.last_pulse_end_s() < struck_s + 1.0 + 0.3 + 0.15
        assert status(daemon)["state"] == "armed"


def test_a_full_day_of_words(rig: Rig) -> None:
    """Hush, disarm, arm again: words in, states out."""
    with rig.board() as board, rig.daemon() as daemon:
        with chord_after_arming(rig, board, daemon):
            daemon.say("hush")
            daemon.wait_for("hush: all notes off")
            silent_for(rig, 0.4)
            assert status(daemon)["state"] == "armed"
            daemon.say("disarm")
            daemon.wait_for("armed → locked. Silent is not safe")
            daemon.say("confirm")
            daemon.wait_for("nothing to confirm")
        rig.arm(board, daemon, prove=False)
        daemon.say("nonsense")
        daemon.wait_for("is no command; there are")
        daemon.say("quit")
        assert daemon.process.wait(5) == 0


def test_one_daemon_a_site(rig: Rig) -> None:
    with rig.board(), rig.daemon() as daemon:
        daemon.wait_for("port open")
        with rig.daemon() as second:
            assert second.process.wait(10) == 2
            wait_until(
                lambda: any("another daemon runs this site" in x for x in second.errors), "why"
            )
        assert daemon.process.poll() is None


def test_a_signal_from_another_shell_stops_and_stays(rig: Rig) -> None:
    with rig.board() as board, rig.daemon() as daemon, chord_after_arming(rig, board, daemon):
        daemon.signal(signal.SIGUSR1)
        assert "cause 32" in daemon.wait_for("armed → tripped")
        silent_for(rig, 0.3)
        assert daemon.process.poll() is None


def test_an_armed_daemon_whose_operator_is_gone_stops(rig: Rig) -> None:
    with rig.board() as board, rig.daemon() as daemon, chord_after_arming(rig, board, daemon):
        assert daemon.process.stdin is not None
        daemon.process.stdin.close()
        assert "the operator's input ended" in daemon.wait_for("armed → tripped")
        silent_for(rig, 0.3)
