"""A train: one pulse train on one coil, shared by the notes that sound at its pitch."""

from __future__ import annotations

from typing import Final

from bridge.music.note import Part
from bridge.music.voices import Hold, VoiceAsk

UNISON: Final = 2.0 ** (0.01 / 1200.0)
"""Pitches within 0.01 cent of each other are one."""
_STRENGTH = {Hold.RELEASED: 0, Hold.PEDALLED: 1, Hold.HELD: 2}
_STILL: Final = 0.01
"""A drift of energy below one part in a hundred (0.04 dB) is not passed on by itself."""


def in_unison(first: Part, second: Part) -> bool:
    """Do both belong in one train? Vibrato counts by its depth, not where it is just now.

    Two depths of vibrato cross each other's pitch many times a second; joining and parting each
    time would start the trains anew. Drums are never in unison with anything.
    """
    if first.note.drum is not None or second.note.drum is not None:
        return False
    if first.note.shape.vibrato_cents != second.note.shape.vibrato_cents:
        return False
    low, high = first.base_hz, second.base_hz
    return high <= low * UNISON and low <= high * UNISON


class Train:
    """Never without a part, but for moments inside a refresh. The first part leads."""

    __slots__ = ("_ask", "fresh", "parts", "phase", "started_s", "voice_id")

    def __init__(self, voice_id: int, part: Part, now_s: float) -> None:
        self.voice_id = voice_id
        self.parts = [part]
        part.train = self
        self.started_s = now_s
        self.phase = 0.0
        self.fresh = True
        """Started, or started anew, since its phase was last chosen."""
        self._ask: VoiceAsk | None = None

    def restart(self, voice_id: int, now_s: float) -> None:
        """A note of it was struck again: a new sounding, at once."""
        self.voice_id = voice_id
        self.started_s = now_s
        self.fresh = True
        self._ask = None

    def release_strays(self) -> bool:
        """Let go of parts that are silent or no longer at the leader's pitch; True if none stay."""
        parts = self.parts
        if len(parts) == 1:
            if parts[0].energy > 0.0:
                return False
            parts[0].train = None
            return True
        leader: Part | None = None
        staying: list[Part] = []
        for part in parts:
            if part.energy > 0.0 and (leader is None or in_unison(leader, part)):
                leader = leader or part
                staying.append(part)
            else:
                part.train = None
        self.parts = staying
        return leader is None

    def take_in(self, other: Train) -> None:
        """The other train's parts join this one; the other is over."""
        for part in other.parts:
            part.train = self
        self.parts += other.parts

    @property
    def hold(self) -> Hold:
        """The strongest hold among its notes."""
        parts = self.parts
        if len(parts) == 1:
            return parts[0].note.hold
        return max((p.note.hold for p in parts), key=_STRENGTH.__getitem__)

    @property
    def energy(self) -> float:
        """Energies summed, capped at 1."""
        parts = self.parts
        if len(parts) == 1:
            return parts[0].energy
        return min(1.0, sum(p.energy for p in parts))

    @property
    def priority(self) -> bool:
        return any(p.note.priority for p in self.parts)

    def ask(self, exact: bool) -> VoiceAsk:
        """The train as the coil is asked for it. Not `exact`: a mere drift gives the same value.

        (The very same object, so that what comes after can see that nothing changed.)
        """
        leader = self.parts[0]
        note = leader.note
        energy = self.energy
        old = self._ask
        if (
            not exact
            and old is not None
            and old.break_rate_hz == leader.rate_hz
            and abs(energy - old.energy) <= _STILL * old.energy
        ):
            return old
        drum = note.drum
        self._ask = VoiceAsk(
            self.voice_id,
            leader.rate_hz,
            energy,
            leader.coil_note,
            note.channel.number,
            self.hold,
            self.started_s,
            self.priority,
            0 if drum is None else drum.bang_count,
            0.0 if drum is None else drum.spread,
            self.phase,
        )
        return self._ask
