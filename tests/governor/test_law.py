"""The law: no window of any length limit ever holds more than its bound.

Whatever is asked, through late and lost frames, on boards 0.5 % fast or slow: every pulse keeps the
configuration in true time (tests/pulse_checker.py, exact sliding windows), and every 33 slots of
the guard's rule keep its bounds for any slot phase (PROTOCOL.md, section 9), guard or no guard.
"""

from __future__ import annotations

import random

import pytest

from bridge.link.simulated_controller import BoardMemory, BoardSettings, SimulatedController
from firmware_protocol.catalogue import State
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import (
    FLAG_IMMEDIATE,
    PING_WANTS_NONCE,
    Arm,
    Armed,
    HostMessage,
    Limits,
    Ping,
    Pong,
    Status,
    Voices,
    limits_digest,
    parse_controller_message,
)
from tests.governor.performances import Performer, any_coil, any_wire, attack
from tests.governor.stage import Stage, Wire, coil

SEEDS_EACH = 25


def judge(stage: Stage, seed: int) -> int:
    assert stage.violations() == [], f"seed {seed}"
    over = {name: share for name, share in stage.guard_shares().items() if share > 1}
    assert over == {}, f"seed {seed}"
    return len(stage.board.pulses)


@pytest.mark.parametrize("block", range(8))
def test_any_performance_on_any_coil_over_any_lawful_wire(block: int) -> None:
    pulses = 0
    for seed in range(block * SEEDS_EACH, (block + 1) * SEEDS_EACH):
        rng = random.Random(seed)
        stage = Stage(any_coil(rng), any_wire(rng), seed)
        Performer(stage, rng).perform(4.0)
        if rng.random() < 0.5:
            stage.freeze()
        pulses += judge(stage, seed)
    assert pulses > 1000  # the law was not kept by silence


@pytest.mark.parametrize("block", range(8))
def test_attacks_that_fill_every_reserve(block: int) -> None:
    pulses = 0
    for seed in range(block * 75, (block + 1) * 75):
        pulses += judge(attack(seed)[1], seed)
    assert pulses > 1000


def test_the_attacks_come_near_the_bound() -> None:
    # An attack that stays far away would prove nothing.
    fullest = [0.0]
    for seed in range(100):
        shares = attack(seed)[1].guard_shares()
        fullest.append(shares["duty 1 s"])
    assert 0.9 < max(fullest) <= 1


@pytest.mark.parametrize("early_s", [0.02, 0.119])
def test_what_takes_effect_before_its_time_breaks_no_limit(early_s: float) -> None:
    """Where live notes replace what is queued, a state may take effect that much before the time
    it is commanded for (coil_line.py): the law with a longer H."""
    pulses = 0
    for seed in range(150):
        pulses += judge(attack(seed, early_s)[1], seed)
    for seed in range(15):
        rng = random.Random(seed)
        wire = any_wire(rng)
        wire.early_s, wire.early_from_s = early_s, rng.uniform(0, 4)
        stage = Stage(any_coil(rng), wire, seed)
        Performer(stage, rng).perform(4.0)
        pulses += judge(stage, seed)
    assert pulses > 1000


class Board:
    """A simulated controller that is set up and armed, fed with a stage's frames."""

    def __init__(self, stage: Stage) -> None:
        limits = stage.limits
        self._reader = FrameReader()
        self._answers: list[object] = []
        settings = BoardSettings(board_id=0xC0110001, first_tick=0xFFF0_0000)
        self._memory = BoardMemory()
        self.model = SimulatedController(settings, self._memory)
        self._sequence = 0
        self.tick = self.model.prove_estop(settings.first_tick + 2000) + 2000
        self._send(self.tick, Limits(limits))
        self._send(self.tick, Ping(1, PING_WANTS_NONCE))
        nonce = next(m.nonce for m in self._answers if isinstance(m, Pong))
        digest = limits_digest(settings.build, settings.board_id, self._memory.boot_id, [limits])
        self._send(self.tick, Arm(nonce, digest))
        self.session = next(m.session for m in self._answers if isinstance(m, Armed))
        self.statuses = 0

    def _send(self, tick: int, message: HostMessage) -> None:
        self._sequence = (self._sequence + 1) & 0xFF
        self.model.receive(tick, encode_frame(message.TYPE, self._sequence, message.payload()))
        self.collect()

    def collect(self) -> None:
        for _, data in self.model.take_output():
            for frame in self._reader.feed(data):
                self._answers.append(parse_controller_message(frame.type_code, frame.payload))

    def voices(self, tick: int, number: int, slots: tuple[object, ...]) -> None:
        at = self.tick + tick
        expiry = (at + 400_000) & 0xFFFF_FFFF
        frame = Voices(self.session, 0, number, FLAG_IMMEDIATE, 0, expiry, slots)  # pyright: ignore
        self._send(at, frame)

    def last_status(self) -> Status:
        return [m for m in self._answers if isinstance(m, Status)][-1]


@pytest.mark.parametrize("seed", range(12))
def test_a_governed_performance_gives_the_guard_nothing_to_refuse(seed: int) -> None:
    rng = random.Random(1000 + seed)
    wire = Wire(jitter_s=rng.choice((0, 0.005, 0.02)), loss=rng.choice((0, 0.5, 1.0)))
    config = coil(
        duty_windows=rng.choice(
            (
                [{"window_ms": 1000, "max_percent": 4}, {"window_ms": 100, "max_percent": 6}],
                [{"window_ms": 10, "max_percent": 8}, {"window_ms": 35, "max_percent": 5}],
                [{"window_ms": 250, "max_percent": 2}],
            )
        ),
        max_break_rate_hz=rng.choice((300, 900, 2000)),
    )
    stage = Stage(config, wire, seed)
    Performer(stage, rng).perform(5.0)
    frames = list(stage.frames)
    board = Board(stage)
    for number, (tick, slots) in enumerate(frames):
        board.voices(tick, number, slots)
    board.model.advance(board.tick + frames[-1][0] + 200_000)
    board.collect()
    status = board.last_status()
    assert status.state == State.ARMED
    assert [o.guard_refusals for o in status.per_output] == [0] * 4
    assert status.refused_frames == 0
    # And the tests' own scheduler fired the very same pulses.
    mine = stage.finish()
    theirs = [(p.start_tick - board.tick, p.on_ticks) for p in board.model.take_pulses()]
    assert len(theirs) > 100
    assert theirs[: len(mine)] == mine


def test_a_state_stays_lawful_to_the_end_of_its_lease() -> None:
    # The worst moment: a chord has just been put on top of a chord that fills the limit.
    for seed in range(40):
        rng = random.Random(seed)
        window_ms = rng.choice((20, 100, 1000))
        config = coil(
            min_on_time_us=5, max_on_time_us=300, min_off_time_us=100, max_break_rate_hz=2000,
            duty_windows=[{"window_ms": window_ms, "max_percent": rng.choice((4, 8))}],
        )  # fmt: skip
        stage = Stage(config, Wire(), seed)
        player = Performer(stage, rng)
        player.now_s = 2.0
        base = [player.new(rng.choice((110.0, 440.0)))]
        player.say(base, 1.0)
        player.say([*base, *(player.new(220.0 * k) for k in (1, 2, 3))], 0)
        stage.freeze()
        judge(stage, seed)
