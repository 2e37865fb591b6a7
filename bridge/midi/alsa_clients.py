"""Who is connected to whom in the ALSA sequencer, from the kernel's text file.

Source of the format: the Linux kernel, sound/core/seq/seq_clientmgr.c,
snd_seq_info_clients_read and the two functions it calls.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

CLIENTS_FILE = Path("/proc/asound/seq/clients")

_CLIENT = re.compile(r'^Client\s+(\d+) : "(.*)" \[')
_FROM = "Connected From:"
_ADDRESS = re.compile(r"(\d+:\d+)")
_BRACKETED = re.compile(r"\[[^\]]*\]")


@dataclass(slots=True)
class AlsaClient:
    name: str
    _senders: set[str] = field(default_factory=set[str])

    @property
    def senders(self) -> frozenset[str]:
        """Addresses ("client:port") of the ports that send to any port of this client."""
        return frozenset(self._senders)

    def add_senders(self, addresses: list[str]) -> None:
        self._senders.update(addresses)


Clients = dict[int, AlsaClient]
"""By client number."""


def parse_clients(text: str) -> Clients:
    """The clients in the text of the kernel's file; lines of other kinds are passed over."""
    clients: Clients = {}
    current: AlsaClient | None = None
    for line in text.splitlines():
        if found := _CLIENT.match(line):
            current = AlsaClient(found[2])
            clients[int(found[1])] = current
        elif current is not None and line.lstrip().startswith(_FROM):
            # A subscriber may carry its time stamping in brackets, "[r:0]", which is no address.
            plain = _BRACKETED.sub("", line.split(_FROM, 1)[1])
            current.add_senders(_ADDRESS.findall(plain))
    return clients


def read_clients(path: Path) -> Clients | None:
    """The clients now; None if the kernel does not show them. Reads memory, never waits."""
    try:
        return parse_clients(path.read_text(errors="replace"))
    except OSError:
        return None


def port_address(name: str) -> str:
    """The address at the end of a port name as the MIDI library builds it ("Keys:Keys 1 20:0");
    the whole name if it has none."""
    found = re.search(r"(\d+:\d+)$", name)
    return name if found is None else found[1]
