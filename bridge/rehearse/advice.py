"""What to change, in plain sentences. Pure."""

from __future__ import annotations

from bridge.config import Coil, Config
from bridge.rehearse.account import FADED, VOICES
from bridge.rehearse.result import Loss, RehearsalResult

ROOM = 0.6
"""A coil whose break rate stays below this share of its limit has room for a voice more."""


def sentence(loss: Loss, config: Config, result: RehearsalResult) -> str:
    """One loss: where, how much, why, and what may be done."""
    coil = next(c for c in config.coil if c.name == loss.coil)
    notes = "1 note" if loss.notes == 1 else f"{loss.notes} notes"
    if loss.effect == "quietened":
        what = f"{notes} quieter by up to {loss.worst_db:.1f} dB on {loss.coil}"
    else:
        what = f"{notes} {loss.effect} on {loss.coil}"
    why = f" by {loss.limit}"
    if loss.asked is not None and loss.allowed is not None:
        unit = f" {loss.unit}" if loss.unit else ""
        why += f" ({loss.asked:.4g}{unit} asked, {loss.allowed:.4g}{unit} allowed)"
    other = _with_room(loss, config, result)
    drums = loss.channel == config.music.percussion_channel
    remedy = _remedy(loss, coil, other, drums=drums)
    return f"channel {loss.channel}, {loss.bars}: {what}{why}; {remedy}"


def _remedy(loss: Loss, coil: Coil, other: str | None, *, drums: bool) -> str:
    several = loss.at_once > 1
    move = f"move {'some' if several else 'one'} to {other}" if other else ""
    match loss.limit:
        case limit if limit == VOICES:
            more = "1 voice" if loss.at_once == 1 else f"{loss.at_once} voices"
            leave = f"{more} more than {coil.name} can play ({coil.max_voices} at once): "
            return leave + (f"{move} or leave them out" if move else "leave them out")
        case "break rate" | "off-time":
            lower = "lower them by an octave (that halves their break rate)"
            if drums:
                lower = "leave drums to the backing audio"
            return f"{move}, {lower} or thin the chord" if move else f"{lower} or thin the chord"
        case "on-time":
            lower = "so high that not even its shortest spark may come that often: play it lower"
            return f"{lower} or {move}" if move else lower
        case "the coil's range":
            low, high = coil.notes.lowest, coil.notes.highest
            return f"{coil.name} plays notes {low} to {high}: transpose them or let them fold"
        case limit if limit == FADED:
            return "strike the note again before that, or give the input a larger max_note_s"
        case _:
            softer = "play it more softly or with fewer notes at once"
            return f"{softer}, or {move}" if move else softer


def _with_room(loss: Loss, config: Config, result: RehearsalResult) -> str | None:
    """The coil that is least busy there, if it has room."""
    first, last = int(loss.first.seconds), int(loss.last.seconds) + 2
    found: list[tuple[float, str]] = []
    for coil in config.coil:
        if coil.name == loss.coil:
            continue
        rates = result.break_rate_hz[coil.name][first:last]
        busy = max(rates, default=0.0) / coil.max_break_rate_hz
        if busy < ROOM:
            found.append((busy, coil.name))
    return min(found)[1] if found else None


def further(config: Config, result: RehearsalResult) -> list[str]:
    """What is to be said of the whole score."""
    said: list[str] = []
    for channel in result.channels:
        if channel.nowhere:
            said.append(
                f"channel {channel.channel}: no coil is asked for {channel.why}; give it a route, "
                "or leave it to the backing audio"
            )
    for coil in result.coils:
        if coil.folded:
            bounds = next(c.notes for c in config.coil if c.name == coil.name)
            said.append(
                f"{coil.name}: {coil.folded} notes lie outside its range ({bounds.lowest} to "
                f"{bounds.highest}) and sound octaves away"
            )
        if coil.guard_refusals:
            said.append(
                f"{coil.name}: the guard refused {coil.guard_refusals} pulses. That must never be: "
                "keep the score and the site file, and do not play it"
            )
    if result.unused_channels:
        names = ", ".join(map(str, result.unused_channels))
        said.append(f"routed and not played by this score: channel {names}")
    return said
