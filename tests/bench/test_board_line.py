"""The simulated chip's USART against the data sheet of the ATmega2560 ("USART", from memory)."""

import random
import socket
from pathlib import Path

import pytest
import serial

from tests.bench.bench import BYTE_CYCLES, CYCLES_PER_MS, Bench
from tests.bench.conftest import Probe
from tests.bench.pty_bridge import PtyBridge

pytestmark = pytest.mark.long

FE, DOR = 0x10, 0x08
READS, ECHOES = "PA0", "PA1"  # high: the probe reads what was received; sends it back


@pytest.fixture
def b(probe: Probe) -> Bench:
    board = probe("uart")
    board.pin_at(0, READS, 1)
    board.pin_at(0, ECHOES, 1)
    board.run_for(10_000)  # the C library clears RAM first
    return board


def received(b: Bench) -> list[tuple[int, int]]:
    """(byte, status before it was read)."""
    count = b.peek("count")[0]
    return list(zip(b.peek("bytes", count), b.peek("statuses", count), strict=True))


def test_bytes_at_the_nominal_rate_go_through_and_back(b: Bench) -> None:
    data = bytes(range(0, 250))
    end = b.bytes_at(b.now + 5, data)
    b.run_to(end + 3 * BYTE_CYCLES)
    assert [byte for byte, _ in received(b)] == list(data)
    assert {status & (FE | DOR) for _, status in received(b)} == {0}
    assert bytes(one.byte for one in b.sent()) == data


def test_sent_bytes_last_ten_bits_without_a_gap_when_fed_in_time(b: Bench) -> None:
    b.bytes_at(b.now, bytes(20))
    b.run_for(25 * BYTE_CYCLES)
    sent = b.sent()
    assert {one.end_cycle - one.start_cycle for one in sent} == {BYTE_CYCLES}
    b.pin_at(b.now, READS, 0)
    b.bytes_at(b.now, b"ab")  # both wait; read at once they leave back to back
    b.run_for(5 * BYTE_CYCLES)
    b.pin_at(b.now, READS, 1)
    b.run_for(5 * BYTE_CYCLES)
    one, two = b.sent()[-2:]
    assert two.start_cycle == one.end_cycle


# "Recommended Maximum Receiver Baud Rate Error for Double Speed Mode": for 8 data bits the receiver
# follows senders from Rslow = 96.00 % to Rfast = 103.90 % of its own rate; by the formulas given
# there, Rslow = (D+1)S / (S-1 + D*S + SF), Rfast = (D+2)S / ((D+1)S + SM), D = 8, S = 8, SF = 4,
# SM = 5. Rfast is for edges that fall on a sample; up to one sample later is possible: ANY_PHASE.
R_SLOW = 9 * 8 / (7 + 8 * 8 + 4)
R_FAST = 10 * 8 / (9 * 8 + 5)
ANY_PHASE = 10 * 8 / (9 * 8 + 6)


@pytest.mark.parametrize("rate", [R_SLOW + 0.003, 0.98, 1.02, ANY_PHASE - 0.001])
def test_senders_within_the_data_sheet_are_followed(b: Bench, rate: float) -> None:
    b.pin_at(b.now, ECHOES, 0)  # its own rate could not keep up with a faster sender
    data = random.Random(1).randbytes(200)
    end = b.bytes_at(b.now, data, bit_cycles=32 / rate)
    b.run_to(end + 1000)
    assert [(byte, status & FE) for byte, status in received(b)] == [(byte, 0) for byte in data]


@pytest.mark.parametrize("rate", [R_SLOW - 0.02, R_FAST + 0.02])
def test_senders_beyond_it_are_not(b: Bench, rate: float) -> None:
    b.pin_at(b.now, ECHOES, 0)  # its own rate could not keep up with a faster sender
    data = random.Random(1).randbytes(200)
    end = b.bytes_at(b.now, data, bit_cycles=32 / rate)
    b.run_to(end + 1000)
    assert [(byte, status & FE) for byte, status in received(b)] != [(byte, 0) for byte in data]


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_three_bytes_wait_and_the_next_start_bit_overruns(b: Bench, count: int) -> None:
    """Two in the buffer and one in the shift register: "a new start bit" overwrites the latter."""
    b.pin_at(b.now, READS, 0)
    data = b"abcde"[:count]
    b.bytes_at(b.now, data)
    b.run_for(8 * BYTE_CYCLES)
    assert b.statistics()["uarts"][0]["overruns"] == max(0, count - 3)
    b.pin_at(b.now, READS, 1)
    b.run_for(8 * BYTE_CYCLES)
    kept = data if count <= 3 else data[:2] + data[-1:]
    assert bytes(byte for byte, _ in received(b)) == kept
    assert (received(b)[0][1] & DOR != 0) == (count > 3)
    assert all(status & DOR == 0 for _, status in received(b)[1:])


def test_a_break_is_one_zero_byte_with_a_framing_error(b: Bench) -> None:
    b.low_at(b.now, 2 * CYCLES_PER_MS)
    b.run_for(CYCLES_PER_MS)
    assert b.read(0x2C) & 1 == 0  # PINE shows the line
    b.run_for(2 * CYCLES_PER_MS)
    assert b.read(0x2C) & 1 == 1
    assert [(byte, status & FE) for byte, status in received(b)] == [(0, FE)]
    b.bytes_at(b.now, b"\x55")
    b.run_for(2 * BYTE_CYCLES)
    assert [(byte, status & FE) for byte, status in received(b)][1:] == [(0x55, 0)]


@pytest.mark.parametrize(("low_cycles", "frames"), [(12, 0), (24, 1)])
def test_a_start_bit_is_voted_on(b: Bench, low_cycles: int, frames: int) -> None:
    """Half a bit is 16 cycles: two of the three middle samples must be low."""
    b.low_at(b.now, low_cycles)
    b.run_for(3 * BYTE_CYCLES)
    assert len(received(b)) == frames
    assert b.statistics()["uarts"][0]["starts_rejected"] == 1 - frames


@pytest.mark.parametrize(("glitch_cycles", "heard"), [(4, 0x00), (12, 0x01)])
def test_a_data_bit_is_voted_on(b: Bench, glitch_cycles: int, heard: int) -> None:
    """A glitch over one of the three middle samples, which are 4 cycles apart, is outvoted."""
    at = b.now + 3
    b.bytes_at(at, b"\x00")
    middle = at + 32 + 16
    b.noise_at([(middle - glitch_cycles // 2, middle + glitch_cycles // 2)])
    b.run_for(3 * BYTE_CYCLES)
    assert [byte for byte, _ in received(b)] == [heard]


def test_noise_spoils_bytes_and_the_receiver_finds_back(b: Bench) -> None:
    rng = random.Random(3)
    end = b.bytes_at(b.now, bytes([0xA5] * 60))
    spans = [(at, at + rng.randrange(4, 60)) for at in range(b.now, b.now + 4800, 97)]
    b.noise_at(spans)
    b.run_to(end + 2 * BYTE_CYCLES)
    got = [byte for byte, _ in received(b)]
    assert got[:10] != [0xA5] * 10
    # the line is without a pause and 0xA5 has falling edges inside, so give it a pause to find back
    b.bytes_at(b.now + 2 * BYTE_CYCLES, bytes(range(20)))
    b.run_for(26 * BYTE_CYCLES)
    assert [byte for byte, _ in received(b)][-20:] == list(range(20))


def test_in_real_time_the_line_is_a_socket(b: Bench) -> None:
    """No time is asserted: bytes go in at one end and come back at the same."""
    url = b.pace()
    port = int(url.rsplit(":", 1)[1])
    data = random.Random(5).randbytes(200)
    with socket.create_connection(("127.0.0.1", port), timeout=10) as client:
        client.sendall(data)
        got = b""
        while len(got) < len(data):
            more = client.recv(1000)
            assert more, "the bench closed the line"
            got += more
    assert got == data
    report = b.unpace()
    assert report["times_real_time"] > 0


def test_in_real_time_the_line_is_a_serial_device(b: Bench, tmp_path: Path) -> None:
    data = random.Random(6).randbytes(1000)
    link = tmp_path / "board"
    with PtyBridge(b.pace(), link):
        with serial.Serial(str(link), 500_000, timeout=10, exclusive=True) as port:
            port.write(data)
            assert port.read(len(data)) == data
        b.pin_at(0, READS, 0)  # commands still work
        assert b.call("paced")["now"] > 0
    assert not link.exists()
