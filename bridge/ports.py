"""`coilwarden ports`: what there is to connect to."""

from __future__ import annotations

from serial.tools import list_ports as serial_ports

from bridge.midi_ports import MidiPortError, list_ports, midi_system


def run() -> int:
    """Prints MIDI and serial ports. Returns 0; 2 where MIDI cannot be had at all."""
    code = 0
    print("MIDI ports:")
    try:
        system = midi_system()
        found = list_ports()
        for port in found:
            print(f"  {port.name}  ({port.direction}, {port.api})")
        if not found:
            print("  none")
        if system.virtual_ports:
            print(f"Virtual ports: possible here ({system.api}).")
        else:
            print(f"Virtual ports: not possible here. {system.reason}")
    except MidiPortError as error:
        print(f"  not to be had: {error}")
        code = 2
    print("Serial ports:")
    serial = sorted(serial_ports.comports())
    for one in serial:
        print(f"  {one.device}  {one.description}")
    if not serial:
        print("  none (a simulated one: coilwarden simulate)")
    return code
