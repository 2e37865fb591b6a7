"""The kernel's list of ALSA sequencer clients.

The sample is put together by the print statements of the Linux kernel, sound/core/seq/
seq_clientmgr.c (snd_seq_info_clients_read, snd_seq_info_dump_ports, .._dump_subscribers); no
machine with an ALSA sequencer was at hand to record one.
"""

from __future__ import annotations

from pathlib import Path

from bridge.midi.alsa_clients import parse_clients, port_address, read_clients

SAMPLE = """Client info
  cur  clients : 4
  peak clients : 5
  max  clients : 192

Client   0 : "System" [Kernel]
  Port   0 : "Timer" (Rwe-)
  Port   1 : "Announce" (R-e-)
Client  20 : "USB Keys" [Kernel]
  Port   0 : "USB Keys MIDI 1" (RWeX)
    Connecting To: 129:0[r:0]
Client 128 : "Coilwarden "DAW"" [User]
  Port   0 : "Coilwarden" (-We-)
    Connected From: 130:0, 131:2[r:1], 20:0[ex]
  Input pool :
    Pool size          : 200
Client 129 : "Coilwarden Keys" [User Legacy]
  Port   0 : "Keys" (-W--)
    Connected From: 20:0[r:0]
Client 130 : "A DAW" [User UMP MIDI1]
  Port   0 : "out" (R-e-)
    Connecting To: 128:0
"""


def test_names_and_senders_are_read() -> None:
    clients = parse_clients(SAMPLE)
    assert {number: client.name for number, client in clients.items()} == {
        0: "System",
        20: "USB Keys",
        128: 'Coilwarden "DAW"',
        129: "Coilwarden Keys",
        130: "A DAW",
    }
    assert clients[128].senders == {"130:0", "131:2", "20:0"}
    assert clients[129].senders == {"20:0"}
    assert clients[130].senders == frozenset()


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    assert read_clients(tmp_path / "clients") is None
    (tmp_path / "clients").write_text(SAMPLE)
    assert read_clients(tmp_path / "clients") == parse_clients(SAMPLE)


def test_the_address_is_taken_from_the_end_of_a_name() -> None:
    assert port_address("USB 10:1 Keys:USB Keys MIDI 1 20:0") == "20:0"
    assert port_address("Keys") == "Keys"
