"""A stand-in for a DAW or a keyboard: a process of its own that sends MIDI over JACK.

    python tests/daw.py --to "Coilwarden DAW" --message 0.1:90,3c,64 --message 0.6:80,3c,00
    python tests/daw.py --to Coilwarden --hold 60,64,67      # a chord, held until it is killed
    python tests/daw.py --virtual "USB keys"                 # a "hardware" port, until killed
    python tests/daw.py --list                               # the ports that receive MIDI

Prints one line of JSON for each thing it has done: {"ready": ...}, then {"sent_s": s, "hex": ...}
for each message, by this machine's monotonic clock taken just before sending, then {"done": true}.
Stays until killed with --stay, --hold or --virtual. `Daw` starts it from a test.
"""

from __future__ import annotations

import argparse
import json
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import rtmidi


def say(**facts: object) -> None:
    print(json.dumps(facts), flush=True)


def open_port(client: str, to: str | None, virtual: str | None) -> Any:
    """A MIDI output, connected to the first port that `to` fits, or waiting to be listened to."""
    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=client)
    if virtual is not None:
        out.open_virtual_port(virtual)
        return out
    deadline_s = time.monotonic() + 10
    while time.monotonic() < deadline_s:
        for index, name in enumerate(out.get_ports()):
            if re.search(to or "", name):
                out.open_port(index, "out")
                return out
        time.sleep(0.02)
    raise SystemExit(f'no port fits "{to}"')


def send(out: Any, message: list[int], *, quiet: bool = False) -> None:
    sent_s = time.monotonic()
    out.send_message(message)
    if not quiet:
        say(sent_s=sent_s, hex=bytes(message).hex())


def counted(number: int) -> list[int]:
    """A controller change that carries its number, 0 to 262,143, in channel and data."""
    return [0xB0 | number >> 14 & 0x0F, number >> 7 & 0x7F, number & 0x7F]


def bend(number: int) -> list[int]:
    """A pitch bend, another channel and another place each time."""
    return [0xE0 | number & 0x0F, number * 37 & 0x7F, 48 + number * 11 & 0x7F]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--client", default="Test DAW")
    parser.add_argument("--to", help="regular expression for the port to send to")
    parser.add_argument("--virtual", help="open a port of this name instead")
    parser.add_argument("--message", action="append", default=[], help="seconds:hex,hex,...")
    parser.add_argument("--hold", help="notes to strike and hold, e.g. 60,64,67")
    parser.add_argument("--flood", type=int, default=0, help="so many numbered messages")
    parser.add_argument("--bends", type=int, default=0, help="so many bends on 16 channels")
    parser.add_argument("--rate", type=float, default=20_000, help="of the flood, per second")
    parser.add_argument("--settle", type=float, default=0.15, help="seconds before sending")
    parser.add_argument("--stay", action="store_true")
    parser.add_argument("--list", action="store_true")
    options = parser.parse_args()

    if options.list:
        say(ports=rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=options.client).get_ports())
        return
    out = open_port(options.client, options.to, options.virtual)
    time.sleep(options.settle)
    say(ready=True)
    for note in options.hold.split(",") if options.hold else []:
        send(out, [0x90, int(note), 100])
    start_s = time.monotonic()
    for text in options.message:
        at, data = text.split(":")
        time.sleep(max(0.0, start_s + float(at) - time.monotonic()))
        send(out, [int(byte, 16) for byte in data.split(",")])
    for number in range(options.flood or options.bends):
        send(out, bend(number) if options.bends else counted(number), quiet=True)
        ahead_s = start_s + number / options.rate - time.monotonic()
        if ahead_s > 0.001:
            time.sleep(ahead_s)
    say(done=True)
    if options.stay or options.hold or options.virtual:
        signal.pause()
    time.sleep(0.1)  # the last cycle still has to take the messages


class Daw:
    """The process, from a test: `with Daw("--to", "Coilwarden", "--hold", "60") as daw:`"""

    def __init__(self, *arguments: str) -> None:
        self.said: list[dict[str, Any]] = []
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__)), *arguments], stdout=subprocess.PIPE, text=True
        )
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.said.append(json.loads(line))

    @property
    def sent(self) -> list[tuple[float, bytes]]:
        """When and what it sent, as far as it has said."""
        return [(s["sent_s"], bytes.fromhex(s["hex"])) for s in self.said if "hex" in s]

    @property
    def done(self) -> bool:
        return any("done" in s for s in self.said)

    def wait(self, timeout_s: float = 20.0) -> None:
        """Until it has ended by itself. Raises if it failed."""
        assert self._process.wait(timeout_s) == 0
        self._listener.join(timeout_s)

    def kill(self) -> None:
        """As by kill -9."""
        self._process.kill()
        self._process.wait()
        self._listener.join()
        assert self._process.stdout is not None
        self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.kill()


if __name__ == "__main__":
    main()
