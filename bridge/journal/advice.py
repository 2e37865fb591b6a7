"""What a night suggests about the site file. Pure. Suggestions to a person: nothing is changed."""

from __future__ import annotations

from bridge.config import Config
from bridge.governor.reasons import Effect, Limit
from bridge.journal.fired import Counted
from bridge.journal.story import Story
from firmware_protocol.catalogue import GuardReason

OFTEN = 0.1
"""Share of a coil's sounding time from which a limit is worth a word."""
CAUTION = (
    "Limits protect coil and people: widen none because it bit. First read `coilwarden coil CONFIG`"
    " and measure; then by little steps, from the shortest pulse, as in commissioning."
)


REFUSED_FOR = {
    GuardReason.ON_TIME: "on-time",
    GuardReason.OFF_TIME: "off-time",
    GuardReason.RATE: "break rate",
    GuardReason.DUTY_1S: "duty in 1 s",
    GuardReason.DUTY_SECOND: "duty in the second window",
    GuardReason.DUTY_THIRD: "duty in the third window",
}


def _by_reason(counted: Counted) -> str:
    pairs = zip(REFUSED_FOR.values(), counted.refused_for, strict=True)
    return ", ".join(f"{count} {reason}" for reason, count in pairs if count)


def advice(config: Config, story: Story) -> list[str]:
    """Sentences, each naming the key it is about."""
    found: list[str] = []
    for coil in config.coil:
        sounding_s = story.coils[coil.name].sounding_s
        if sounding_s <= 0:
            continue
        for (name, limit, effect, window_ms), bit in story.limits.items():
            share = bit.seconds / sounding_s
            if name != coil.name or share < OFTEN:
                continue
            found.append(_limit(name, limit, effect, window_ms, min(1.0, share)))
    for name, counted in story.counted.items():
        if counted.guard_refusals:
            found.append(
                f"{name}: the controller's guard refused {counted.guard_refusals} pulses "
                f"({_by_reason(counted)}); a lawful night has none: raise link_jitter_ms of its "
                "controller to what the link really does, and keep this journal"
            )
    for name, link in story.links.items():
        if link.line_errors_in_bangs:
            found.append(
                f"{name}: {link.line_errors_in_bangs} of {link.line_errors} bad bytes fell into "
                "bangs: the coil reaches the cable. Fibre, shielding and distance, not the file"
            )
        if link.late_frames:
            found.append(
                f"{name}: {link.late_frames} frames came late: raise link_jitter_ms, or delay_ms "
                "of the inputs where they have one"
            )
        if link.restarts:
            found.append(f"{name}: restarted {link.restarts} times: look at its supply")
    if story.faded:
        found.append(
            f"{story.faded} notes faded for their age: a note-off was missing, or the music holds "
            "longer: max_note_s of the input"
        )
    if story.input_losses:
        found.append(
            f"an input was lost {story.input_losses} times: cable, hub or DAW; on_loss says "
            "whether that trips"
        )
    if story.stalls:
        found.append(f"this computer stood still {story.stalls} times: power saving, updates, load")
    if story.missing:
        found.append(
            f"{story.missing} things are missing in the journal: a faster disk, or "
            "journal.directory elsewhere"
        )
    return found


def _limit(name: str, limit: Limit, effect: Effect, window_ms: int, share: float) -> str:
    much = f"{name}: {limit.value}{f' in {window_ms} ms' if window_ms else ''}"
    much += f" had notes {effect.value} for {share:.0%} of the time it sounded"
    match limit:
        case Limit.VOICES:
            return f"{much}: fewer notes for this coil (music.routes), or max_voices"
        case Limit.MAINS:
            return f"{much}: a quieter arrangement, or site.mains told more exactly"
        case Limit.ON_TIME:
            return f"{much}: notes.highest nearer to what the coil can play, or on_time_curve"
        case Limit.DUTY | Limit.BREAK_RATE | Limit.OFF_TIME | Limit.COIL | Limit.RESERVE:
            return f'{much}: fewer or lower notes at once (music.routes with deal = "spread")'
