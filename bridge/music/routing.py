"""Which coils a key goes to, as what note, and how a chord is dealt over them.

`Router` answers from the configuration alone and `Dealer` places notes: on every coil of the route
("all"), or on one of them ("spread").
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from bridge.config import Music, Outside
from bridge.music.allocation import CoilVoices
from bridge.music.events import Dropped, EventLog, NoteDropped
from bridge.music.note import Note, Part
from bridge.music.tuning import SEMITONES_PER_OCTAVE


@dataclass(slots=True, eq=False)
class ResolvedRoute:
    """A route with its coils found. `last_dealt` is the one thing here that changes."""

    lowest_key: int
    highest_key: int
    coils: tuple[CoilVoices, ...]
    deal: Literal["all", "spread"]
    outside: Outside | None
    last_dealt: int = -1


class Router:
    """First matching route of the configuration, by channel and key."""

    __slots__ = ("_by_channel",)

    def __init__(self, music: Music, coils: Mapping[str, CoilVoices]) -> None:
        self._by_channel: list[list[ResolvedRoute]] = [[] for _ in range(17)]
        if not music.routes:
            everything = ResolvedRoute(0, 127, tuple(coils.values()), "spread", None)
            for routes in self._by_channel:
                routes.append(everything)
        for route in music.routes:
            chosen = tuple(coils[name] for name in dict.fromkeys(route.coils))
            resolved = ResolvedRoute(
                route.lowest_note, route.highest_note, chosen, route.deal, route.outside
            )
            for channel in set(route.channels):
                self._by_channel[channel].append(resolved)

    def find(self, channel: int, key: int) -> ResolvedRoute | None:
        for route in self._by_channel[channel]:
            if route.lowest_key <= key <= route.highest_key:
                return route
        return None


def fit_note(note: int, lowest: int, highest: int, outside: Outside) -> int | Dropped:
    """The note as a coil with this range plays it, or why it cannot.

    `note` may lie outside 0..127 (transposed). Folding takes the nearest octave inside.
    """
    if lowest <= note <= highest:
        return note
    if outside == "drop":
        return Dropped.OUTSIDE
    if outside == "error":
        return Dropped.OUTSIDE_ERROR
    if note > highest:
        folded = note - -(-(note - highest) // SEMITONES_PER_OCTAVE) * SEMITONES_PER_OCTAVE
    else:
        folded = note + -(-(lowest - note) // SEMITONES_PER_OCTAVE) * SEMITONES_PER_OCTAVE
    return folded if lowest <= folded <= highest else Dropped.CANNOT_FOLD


class Dealer:
    """Places notes on coils and reports what does not fit a coil's range."""

    __slots__ = ("_log",)

    def __init__(self, log: EventLog) -> None:
        self._log = log

    def strike(self, note: Note, old: Note | None, now_s: float) -> None:
        """Start `note` on its route's coils, in the places of `old` where that has any.

        Afterwards `note.parts` is empty if no coil took it.
        """
        old_parts: dict[CoilVoices, Part] = {}
        if old is not None:
            old_parts = {part.coil: part for part in old.parts}
        coils: Sequence[CoilVoices] = note.route.coils
        if note.route.deal == "spread" and len(coils) > 1:
            coils = (self._choose(note, old_parts, now_s),)
        for coil in coils:
            replaced = old_parts.pop(coil, None)
            coil_note = self._fit(note, coil, now_s)
            if coil_note is None:
                if replaced is not None:
                    coil.end(replaced)
            else:
                coil.strike(note, coil_note, replaced, now_s)
        for left_over in old_parts.values():
            left_over.coil.end(left_over)

    def refit(self, note: Note, now_s: float) -> None:
        """The key or the transposition of a sounding note changed: same voices, new pitch."""
        for part in tuple(note.parts):
            coil_note = self._fit(note, part.coil, now_s)
            if coil_note is None:
                part.coil.end(part)
            else:
                part.coil_note = coil_note
                part.base_hz = 0.0
                part.coil.dirty = True

    def _fit(self, note: Note, coil: CoilVoices, now_s: float) -> int | None:
        if note.drum is not None:
            return coil.nearest_note(note.drum.first_hz)
        wanted = note.key + note.channel.transpose
        outside = note.route.outside or coil.outside
        fitted = fit_note(wanted, coil.lowest, coil.highest, outside)
        if isinstance(fitted, int):
            return fitted
        self._log.add(
            NoteDropped(now_s, note.input_name, note.channel.number, note.key, coil.name, fitted)
        )
        return None

    def _choose(self, note: Note, old: Mapping[CoilVoices, Part], now_s: float) -> CoilVoices:
        """Where the old one was; else the coil that suits best, ties in turn.

        Best: the note is in range; then, it can be folded; then, a voice is free; then, fewest
        voices sound; then, next in turn after the coil last dealt to.
        """
        route = note.route
        coils = route.coils
        for coil in coils:
            if coil in old:
                return coil
        wanted = note.key + note.channel.transpose
        best = 0
        best_rank = (9, True, 0, 0)
        for index, coil in enumerate(coils):
            coil.catch_up(now_s)
            if note.drum is not None or coil.lowest <= wanted <= coil.highest:
                misfit = 0
            else:
                outside = route.outside or coil.outside
                fitted = fit_note(wanted, coil.lowest, coil.highest, outside)
                misfit = 1 if isinstance(fitted, int) else 2
            sounding = len(coil.trains)
            turn = (index - route.last_dealt - 1) % len(coils)
            rank = (misfit, sounding >= coil.max_voices, sounding, turn)
            if rank < best_rank:
                best, best_rank = index, rank
        route.last_dealt = best
        return coils[best]
