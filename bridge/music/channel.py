"""One MIDI channel's memory: controllers, registered parameters, and the shape they give its notes.

Sources: MIDI 1.0 (controllers, pitch bend, RPN), RP-015 (reset all controllers), RP-018 (data
increment and decrement; from memory), CA-31 (RPN 0 in semitones and cents; from memory), MPE 1.0
(a manager channel speaks for its zone; from memory).
"""

from __future__ import annotations

from enum import Enum, auto
from typing import TYPE_CHECKING

from bridge.config import Music
from bridge.music.envelope import Envelope, envelope_for

if TYPE_CHECKING:
    from bridge.music.note import Note

BEND_CENTRE = 8192
FINE_CENTRE = 8192
COARSE_CENTRE = 64
NULL_PARAMETER = 127
DEFAULT_VOLUME = 100
"""CC 7 at power-up (General MIDI; from memory)."""
FULL = 127
MAX_BEND_SEMITONES = 96
MPE_MEMBER_BEND_SEMITONES = 48
MPE_MANAGER_BEND_SEMITONES = 2

RPN_BEND_RANGE = 0x0000
RPN_FINE = 0x0001
RPN_COARSE = 0x0002
RPN_MPE = 0x0006


class Change(Enum):
    """What a data entry changed, for the player to act on."""

    NOTHING = auto()
    SHAPE = auto()
    """Pitch offset: sounding notes follow."""
    BEND_RANGE = auto()
    """As SHAPE; within an MPE zone every member channel takes it over."""
    TRANSPOSE = auto()
    """Coarse tuning: sounding notes must be fitted into their coils' ranges again."""
    ZONE = auto()
    """An MPE configuration message; its value is the number of member channels."""


class Curves:
    """The settings' power laws, as tables over 0..127."""

    __slots__ = ("velocity", "vibrato_cents", "volume")

    def __init__(self, music: Music) -> None:
        self.velocity = tuple((v / FULL) ** music.velocity_exponent for v in range(128))
        self.volume = tuple((v / FULL) ** music.volume_exponent for v in range(128))
        self.vibrato_cents = tuple(v / FULL * music.vibrato_depth_cents for v in range(128))


class Shape:
    """What a channel does to its notes now, worked out once per change, read at every refresh."""

    __slots__ = ("gain", "offset_semitones", "pressure", "vibrato_cents")

    def __init__(
        self,
        gain: float = 0.0,
        offset_semitones: float = 0.0,
        vibrato_cents: float = 0.0,
        pressure: float = 0.0,
    ) -> None:
        self.gain = gain
        """CC 7 and CC 11 together, 0..1."""
        self.offset_semitones = offset_semitones
        """Bend and fine tuning; coarse tuning is a transposition, see `transpose`."""
        self.vibrato_cents = vibrato_cents
        self.pressure = pressure
        """Channel pressure, 0..1."""

    def copy(self) -> Shape:
        return Shape(self.gain, self.offset_semitones, self.vibrato_cents, self.pressure)


class ChannelState:
    """Controller memory of one channel of one input, and the notes now on it, by key."""

    __slots__ = (
        "_bend_default",
        "_curves",
        "bend",
        "bend_cents",
        "bend_semitones",
        "coarse",
        "event_s",
        "expression",
        "fine",
        "manager",
        "modulation",
        "mono",
        "notes",
        "number",
        "parameter_lsb",
        "parameter_msb",
        "pressure",
        "program",
        "registered",
        "shape",
        "sostenuto",
        "stack",
        "sustain",
        "volume",
    )

    def __init__(self, number: int, music: Music, curves: Curves) -> None:
        self.number = number
        """1..16"""
        self._curves = curves
        self._bend_default = music.bend_range_semitones
        self.notes: dict[int, Note] = {}
        self.stack: list[tuple[int, int]] = []
        """Mono mode: keys down as (key, velocity), the latest last."""
        self.shape = Shape()
        self.event_s = float("-inf")
        """When a bend, controller or pressure last came."""
        self.power_up()

    def power_up(self) -> None:
        """Everything as at power-up, MPE membership included. Notes are the caller's concern."""
        self.manager: ChannelState | None = None
        self.volume = DEFAULT_VOLUME
        self.program = 0
        self.mono = False
        self.stack.clear()
        self.fine = FINE_CENTRE
        self.coarse = COARSE_CENTRE
        self.set_bend_range(self._bend_default)
        self.reset_controllers()

    def reset_controllers(self) -> None:
        """CC 121 by RP-015: what a hand or foot holds goes to rest; volume, program, tuning stay.

        Pressure of single keys is kept with the notes; the player clears it.
        """
        self.expression = FULL
        self.modulation = 0
        self.sustain = False
        self.sostenuto = False
        self.bend = BEND_CENTRE
        self.pressure = 0
        self.registered = True
        self.parameter_msb = NULL_PARAMETER
        self.parameter_lsb = NULL_PARAMETER
        self.derive()

    def set_bend_range(self, semitones: float) -> None:
        self.bend_semitones = int(semitones)
        self.bend_cents = round((semitones - int(semitones)) * 100)

    def join(self, manager: ChannelState | None) -> None:
        """Become a member of the manager's MPE zone, or (None) leave; controllers start afresh.

        A member's own volume starts neutral, so that the manager's alone speaks for the zone.
        """
        self.manager = manager
        if manager is None:
            self.volume = DEFAULT_VOLUME
            self.set_bend_range(self._bend_default)
        else:
            self.volume = FULL
            self.set_bend_range(MPE_MEMBER_BEND_SEMITONES)
        self.reset_controllers()

    @property
    def envelope(self) -> Envelope:
        return envelope_for((self.manager or self).program)

    @property
    def transpose(self) -> int:
        """Semitones of coarse tuning (RPN 2), the zone's included."""
        own = self.coarse - COARSE_CENTRE
        return own if self.manager is None else own + self.manager.coarse - COARSE_CENTRE

    @property
    def sustained(self) -> bool:
        return self.sustain or (self.manager is not None and self.manager.sustain)

    def latest_event_s(self) -> float:
        manager = self.manager
        if manager is not None and manager.event_s > self.event_s:
            return manager.event_s
        return self.event_s

    def derive(self) -> None:
        """Work out `shape` anew from the controllers (and the manager's, within a zone)."""
        shape = self.shape
        volume = self._curves.volume
        gain = volume[self.volume] * volume[self.expression]
        offset = self._own_offset()
        modulation = self.modulation
        pressure = self.pressure
        if (manager := self.manager) is not None:
            gain *= volume[manager.volume] * volume[manager.expression]
            offset += manager._own_offset()
            modulation = max(modulation, manager.modulation)
            pressure = max(pressure, manager.pressure)
        shape.gain = gain
        shape.offset_semitones = offset
        shape.vibrato_cents = self._curves.vibrato_cents[modulation]
        shape.pressure = pressure / FULL

    def _own_offset(self) -> float:
        offset = 0.0
        if self.bend != BEND_CENTRE:
            reach = self.bend_semitones + self.bend_cents / 100.0
            offset = (self.bend - BEND_CENTRE) / BEND_CENTRE * reach
        if self.fine != FINE_CENTRE:
            offset += (self.fine - FINE_CENTRE) / FINE_CENTRE
        return offset

    def freeze_notes(self) -> None:
        """Notes on the channel keep the shape they have, whatever the controllers do next."""
        frozen = self.shape.copy()
        for note in self.notes.values():
            note.shape = frozen

    def forget(self, note: Note) -> None:
        """The note is over. A mono channel's keys below it go too: it does not come back."""
        if self.notes.get(note.key) is note:
            del self.notes[note.key]
            self.stack.clear()

    # Registered parameters

    def select_parameter(self, controller: int, value: int) -> None:
        """CC 98..101. Choosing between registered and not forgets the half of the other kind."""
        registered = controller >= 100
        if registered is not self.registered:
            self.registered = registered
            self.parameter_msb = self.parameter_lsb = NULL_PARAMETER
        if controller in (99, 101):
            self.parameter_msb = value
        else:
            self.parameter_lsb = value

    def _selected(self) -> int | None:
        if not self.registered:
            return None  # no non-registered parameter is ours
        return self.parameter_msb << 8 | self.parameter_lsb

    def data_entry(self, controller: int, value: int) -> Change:
        """CC 6 (MSB), 38 (LSB), 96 (increment), 97 (decrement) on the parameter selected."""
        match self._selected():
            case 0x0000:  # RPN_BEND_RANGE
                return self._enter_bend_range(controller, value)
            case 0x0001:  # RPN_FINE
                self.fine = _enter_14_bits(self.fine, controller, value)
                return Change.SHAPE
            case 0x0002:  # RPN_COARSE
                if controller == 38:
                    return Change.NOTHING
                self.coarse = _enter_7_bits(self.coarse, controller, value)
                return Change.TRANSPOSE
            case 0x0006:  # RPN_MPE
                return Change.ZONE if controller == 6 else Change.NOTHING
            case _:
                return Change.NOTHING

    def _enter_bend_range(self, controller: int, value: int) -> Change:
        cents = self.bend_semitones * 100 + self.bend_cents
        if controller == 6:
            cents = value * 100
        elif controller == 38:
            cents = self.bend_semitones * 100 + min(value, 99)
        else:
            cents += 1 if controller == 96 else -1
        cents = max(0, min(MAX_BEND_SEMITONES * 100, cents))
        self.bend_semitones, self.bend_cents = divmod(cents, 100)
        return Change.BEND_RANGE


def _enter_14_bits(old: int, controller: int, value: int) -> int:
    if controller == 6:
        return value << 7  # a new MSB sets the LSB to 0 (MIDI 1.0, from memory)
    if controller == 38:
        return old & 0x3F80 | value
    return max(0, min(0x3FFF, old + (1 if controller == 96 else -1)))


def _enter_7_bits(old: int, controller: int, value: int) -> int:
    if controller == 6:
        return value
    return max(0, min(127, old + (1 if controller == 96 else -1)))
