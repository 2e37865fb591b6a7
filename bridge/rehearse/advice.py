"""What to change, in plain sentences: one for each cause, whichever channels it befell. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.config import Coil, Config
from bridge.governor.reasons import Limit
from bridge.rehearse.account import FADED, OUTSIDE, VOICES
from bridge.rehearse.result import GAP_BARS, Loss, RehearsalResult

ROOM = 0.6
"""A coil whose break rate and duty stay below this share of their limits has room for more."""


def advice(config: Config, result: RehearsalResult) -> list[str]:
    """Every cause in the order of the score, then what is to be said of the whole."""
    said = [sentence(cause, config, result) for cause in causes(result.losses)]
    return said + further(config, result)


def causes(losses: Sequence[Loss]) -> list[tuple[Loss, ...]]:
    """Losses by one limit of one coil in the same bars, together."""
    found: list[list[Loss]] = []
    last: dict[tuple[str, str], int] = {}
    ends: list[int] = []
    for loss in losses:
        key = loss.coil, loss.limit
        index = last.get(key)
        if index is None or loss.first.bar - ends[index] > GAP_BARS + 1:
            index = last[key] = len(found)
            found.append([])
            ends.append(0)
        found[index].append(loss)
        ends[index] = max(ends[index], loss.last.bar)
    return [tuple(cause) for cause in found]


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _what(losses: Sequence[Loss]) -> str:
    parts: list[str] = []
    for effect in ("dropped", "shortened", "quietened"):
        befallen = [loss for loss in losses if loss.effect == effect]
        if not befallen:
            continue
        count = sum(loss.notes for loss in befallen)
        notes = "1 note" if count == 1 else f"{count} notes"
        if effect == "quietened":
            worst_db = max(loss.worst_db or 0.0 for loss in befallen)
            parts.append(f"{notes} quieter by up to {worst_db:.1f} dB")
        else:
            parts.append(f"{notes} {effect}")
    return _listed(parts)


def sentence(cause: Sequence[Loss], config: Config, result: RehearsalResult) -> str:
    """One cause: where, how much, why, and what may be done."""
    one = cause[0]
    coil = next(c for c in config.coil if c.name == one.coil)
    channels = sorted({loss.channel for loss in cause})
    begin = "channel " if len(channels) == 1 else "channels "
    begin += _listed([str(c) for c in channels])
    first, last = min(x.first.bar for x in cause), max(x.last.bar for x in cause)
    bars = f"bar {first}" if first == last else f"bars {first}–{last}"
    why = f" by {one.limit}"
    worst = max(cause, key=lambda loss: loss.asked or 0.0)
    if worst.asked is not None and worst.allowed is not None:
        unit = f" {worst.unit}" if worst.unit else ""
        why += f" ({worst.asked:.4g}{unit} asked, {worst.allowed:.4g}{unit} allowed)"
    other = _with_room(cause, config, result)
    drums = channels == [config.music.percussion_channel]
    remedy = _remedy(max(cause, key=lambda loss: loss.at_once), coil, other, drums=drums)
    return f"{begin}, {bars}: {_what(cause)} on {one.coil}{why}; {remedy}"


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
        case limit if limit == OUTSIDE:
            low, high = coil.notes.lowest, coil.notes.highest
            return f"{coil.name} plays notes {low} to {high}: transpose them or let them fold"
        case limit if limit == FADED:
            return "strike the note again before that, or give the input a larger max_note_s"
        case _:
            softer = "play it more softly or with fewer notes at once"
            return f"{softer}, or {move}" if move else softer


def _with_room(cause: Sequence[Loss], config: Config, result: RehearsalResult) -> str | None:
    """The coil that is least busy there, if it has room for what is lost and loses nothing itself:
    voices, range, break rate and duty. The mains are everybody's: moving helps them nothing."""
    if cause[0].limit == Limit.MAINS.value:
        return None
    begin_s = min(loss.first.seconds for loss in cause)
    end_s = max(loss.last.seconds for loss in cause)
    first_bar, last_bar = min(x.first.bar for x in cause), max(x.last.bar for x in cause)
    lowest, highest = min(x.lowest for x in cause), max(x.highest for x in cause)
    seconds = slice(int(begin_s), int(end_s) + 2)
    more = max(loss.at_once for loss in cause)
    found: list[tuple[float, str]] = []
    for coil in config.coil:
        loses = any(
            loss.coil == coil.name
            and loss.first.bar <= last_bar + GAP_BARS
            and loss.last.bar >= first_bar - GAP_BARS
            for loss in result.losses
        )
        voices = max(result.voices[coil.name][seconds], default=0) + more
        in_range = coil.notes.lowest <= lowest and highest <= coil.notes.highest
        if coil.name == cause[0].coil or loses or voices > coil.max_voices or not in_range:
            continue
        rate = max(result.break_rate_hz[coil.name][seconds], default=0.0) / coil.max_break_rate_hz
        duty = max(result.duty_percent[coil.name][seconds], default=0.0)
        duty /= min(w.max_percent for w in coil.duty_windows)
        if max(rate, duty) < ROOM:
            found.append((max(rate, duty), coil.name))
    return min(found)[1] if found else None


def further(config: Config, result: RehearsalResult) -> list[str]:
    """What is to be said of the whole score."""
    said: list[str] = []
    for channel in result.channels:
        if channel.nowhere:
            said.append(
                f"channel {channel.channel}: notes that sound nowhere: {channel.why}; give it a "
                "route, or leave it to the backing audio"
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
        channels = "channel " if len(result.unused_channels) == 1 else "channels "
        channels += _listed([str(c) for c in result.unused_channels])
        said.append(f"routed and not played by this score: {channels}")
    return said
