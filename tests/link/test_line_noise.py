"""Noise keeps its promises: chances, order, the most delay, one loss in a row; the same by seed."""

from __future__ import annotations

from itertools import pairwise

import pytest

from bridge.link.line_noise import LineNoise
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Ping, Voices


def voices(output: int, number: int) -> bytes:
    frame = Voices(1, output, number & 0xFFFF, 1, 0, 0, ())
    return encode_frame(frame.TYPE, number & 0xFF, frame.payload())


def ping(number: int) -> bytes:
    return encode_frame(Ping.TYPE, number & 0xFF, Ping(number).payload())


def arrivals(noise: LineNoise, frames: list[bytes]) -> list[list[tuple[bytes, float]]]:
    return [[(p.data, p.delay_s) for p in noise.pass_frame(f)] for f in frames]


FRAMES = [voices(n % 2, n) if n % 3 else ping(n) for n in range(3000)]


def test_a_seed_is_a_performance() -> None:
    options = {"loss": 0.2, "duplicate": 0.2, "jitter_s": 0.005, "flip": 0.1}
    first = arrivals(LineNoise(5, **options), FRAMES)
    assert first == arrivals(LineNoise(5, **options), FRAMES)
    assert first != arrivals(LineNoise(6, **options), FRAMES)


def test_without_noise_nothing_changes() -> None:
    assert arrivals(LineNoise(1), FRAMES) == [[(f, 0.0)] for f in FRAMES]


def test_chances_come_about() -> None:
    """Of 3,000 frames; 5 standard deviations of a binomial are 0.046 at most."""
    noise = LineNoise(3, loss=0.3, duplicate=0.5, flip=0.1)
    passed = arrivals(noise, FRAMES)
    share = 1 / len(FRAMES)
    assert sum(not p for p in passed) * share == pytest.approx(0.3, abs=0.046)
    assert sum(len(p) == 2 for p in passed) * share == pytest.approx(0.35, abs=0.046)
    flipped = sum(bool(p) and p[0][0] != f for p, f in zip(passed, FRAMES, strict=True))
    assert flipped * share == pytest.approx(0.07, abs=0.046)


def test_a_flip_is_one_bit() -> None:
    for passed, frame in zip(arrivals(LineNoise(4, flip=1.0), FRAMES), FRAMES, strict=True):
        ((data, _),) = passed
        assert len(data) == len(frame)
        assert sum((a ^ b).bit_count() for a, b in zip(data, frame, strict=True)) == 1


def test_no_delay_beyond_the_jitter() -> None:
    passed = arrivals(LineNoise(8, jitter_s=0.004, duplicate=0.3), FRAMES)
    delays = [delay for p in passed for _, delay in p]
    assert 0.0 <= min(delays) < 0.0005
    assert 0.0035 < max(delays) <= 0.004


@pytest.mark.parametrize(("loss", "flip"), [(1.0, 0.0), (0.0, 1.0), (0.5, 0.5)])
def test_one_loss_in_a_row_for_each_output(loss: float, flip: float) -> None:
    noise = LineNoise(9, loss=loss, flip=flip, one_loss_in_a_row=True)
    spoiled: dict[int, list[bool]] = {0: [], 1: []}
    for n in range(2000):
        frame = voices(n % 2, n)
        passed = noise.pass_frame(frame)
        spoiled[n % 2].append(not passed or passed[0].data != frame)
        assert all(p.data[-1] == 0 for p in passed), "a lost delimiter would lose the next frame"
    for row in spoiled.values():
        assert not any(a and b for a, b in pairwise(row))
        assert sum(row) > 400  # of at most 500: it does lose


def test_bursts_spare_the_frame_after_one_they_may_hit() -> None:
    noise = LineNoise(2, bursts=1.0, one_loss_in_a_row=True)
    spared: list[bool] = []
    for n in range(6):
        noise.pass_frame(voices(0, n))
        spared.append(noise.spares_bytes())
    assert spared == [False, True, False, True, False, True]


@pytest.mark.parametrize(
    "options",
    [{"loss": 1.1}, {"flip": -0.1}, {"jitter_s": -1.0}, {"bursts": 0.1, "duplicate": 0.1}],
)
def test_impossible_noise_is_an_error(options: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"must|bursts"):
        LineNoise(1, **options)
