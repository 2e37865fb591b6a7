"""`coilwarden bang`: single bangs or a fixed rate on one coil, by hand."""

from __future__ import annotations

from bridge import loop
from bridge.bang_source import STEPS, BangSource, Longer
from bridge.clocks import MusicS
from bridge.config import Config, SoftStart
from bridge.governor.governor import Governor
from bridge.host_clock import host_now
from bridge.music.voices import Hold, VoiceAsk
from bridge.own_words import OwnWord, find, told
from bridge.serve import run_site

LET_GO = "let go of +; one press, one step"
WORDS = (
    OwnWord("fire", "f"),
    OwnWord("hold", "g", "(held) fixed rate"),
    OwnWord("longer", "+"),
    OwnWord("shorter", "-"),
)


def bang_on_time_us(config: Config, coil: str, source: BangSource) -> float:
    """The on-time the present step leads to, as the governor would allow it from silence."""
    found = next(c for c in config.coil if c.name == coil)
    controller = next(c for c in config.controller if c.name == found.controller)
    governor = Governor(found, link_jitter_s=controller.link_jitter_ms / 1000)
    ask = VoiceAsk(
        voice_id=1,
        break_rate_hz=source.break_rate_hz,
        energy=source.energy,
        note=0,
        channel=1,
        hold=Hold.HELD,
        started_s=0.0,
        bang_count=1,
    )
    voices = governor.update(MusicS(0.0), (ask,)).voices
    return voices[0].on_time_us if voices else 0.0


def for_bangs(config: Config) -> Config:
    """The site as bangs by hand need it."""
    # A soft-start would hold every single bang at breakout: here each step is the soft start.
    coils = tuple(c.model_copy(update={"soft_start": SoftStart()}) for c in config.coil)
    # No input plays, so none delays: a bang comes when the key goes down, and its end, which is
    # reckoned from there, does not come a lead too early.
    inputs = tuple(i.model_copy(update={"timing": "immediate"}) for i in config.input)
    return config.model_copy(update={"coil": coils, "input": inputs})


def run(config: Config, coil: str, *, count: int, break_rate_hz: float, plain: bool) -> int:
    """The command."""
    config = for_bangs(config)
    source = BangSource(config, coil, break_rate_hz)

    def describe() -> str:
        return (
            f"{coil}: step {source.step} of {STEPS}, "
            f"{bang_on_time_us(config, coil, source):.1f} µs at {break_rate_hz:g} Hz"
        )

    def extra(key: str) -> str | None:
        now_s = MusicS(host_now())  # with no delays, music takes effect now
        word, rest = find(WORDS, key)
        match word:
            case _ if rest:
                return None
            case "fire":
                source.fire(now_s, count)
                bangs = "1 bang" if count == 1 else f"{count} bangs"
                return f"{describe()}: {bangs} asked (fires only while armed)"
            case "hold":
                fresh = not source.sounding
                source.hold(now_s)
                return f"{describe()}: while held" if fresh else ""
            case "longer":
                match source.longer(now_s):
                    case Longer.DONE:
                        return describe()
                    case Longer.HELD:
                        return LET_GO
                    case Longer.STILL_HELD:
                        return ""
            case "shorter":
                source.shorter()
                return describe()
            case _:
                return None

    return loop.run(
        run_site(
            config,
            source,
            plain=plain,
            with_midi=False,
            extra=extra,
            own_words=WORDS,
            greeting=f"{describe()}. {told(WORDS, plain=plain)}. Starts at breakout; each step is "
            "a fresh act.",
        )
    )
