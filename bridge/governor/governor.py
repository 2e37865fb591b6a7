"""The governor: what the instrument asks → what one coil may lawfully be told. Pure.

`Governor.update` answers with trains that keep every limit of the coil's configuration at every
instant, whatever was asked, whatever the link delays (up to its jitter) and whichever single
refresh it loses. The law itself is in bucket.py. What lives here is how gently it bites:

1. A voice that cannot sound at breakout, or no longer fits with every voice at breakout, is dropped
   (admission.py, order.py) and returns when there has been room for a while.
2. All voices share one scale between breakout and what was asked (scale.py). It moves toward what
   can be held for ever by at most 3 % of any on-time in 9 ms; out of silence it begins there.
3. Where that would break the law, the law wins: the scale falls at once, and new voices that do not
   fit even at breakout wait.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from bridge.clocks import MusicS
from bridge.coil.curves import curves_of
from bridge.config import Coil
from bridge.music.voices import VoiceAsk

from .admission import Admission, audible, drop
from .bucket import Ledger
from .limits import (
    BUSY_SHARE,
    duty_allowances,
    longest_on_time_us,
    off_time_us,
    rate_allowance,
    shortest_on_time_us,
)
from .mains import MainsShare
from .order import first_to_go
from .power import Power
from .reasons import HeldBack, Limit, Meters
from .scale import Chord, Scaling
from .shape import curve_on_time_us, on_time_for_energy_us
from .train import Train

_MOTION_S = 0.009
_MARGIN_S = 0.001
_EPSILON: Final = 1e-9
_DRIFT: Final = 2e-3
"""What the mains' levels let the target drift between two refreshes is followed by refreshes."""


class LawfulVoice(NamedTuple):
    """One train that the coil may be told to fire."""

    voice_id: int
    break_rate_hz: float
    on_time_us: float
    bang_count: int
    """0 = until changed."""
    spread: float
    """Share of the period, 0..0.5."""
    phase: float
    """Share of a period."""
    note: int


class Governed(NamedTuple):
    """What may sound, what was held back and why, and how full the limits are."""

    voices: tuple[LawfulVoice, ...]
    held_back: tuple[HeldBack, ...]
    meters: Meters


class Governor:
    """One coil's governor. Times are the timeline's and never decrease."""

    def __init__(
        self,
        coil: Coil,
        *,
        link_jitter_s: float,
        lease_s: float = 0.2,
        refresh_s: float = 0.037,
        early_s: float = 0.0,
        mains: MainsShare | None = None,
    ) -> None:
        """mains: the coil's hold on the site's budget; None: mains is not looked at.

        early_s: a state may take effect so much before the time it is commanded for, and states
        that were commanded may be skipped. Seen from a clock that runs ahead by early_s, every
        state is in force within early_s + H of its command, in order: the law with a longer H.
        """
        self._hold_s = link_jitter_s + refresh_s + _MOTION_S + _MARGIN_S + early_s
        self._early_s = early_s
        self._ended: dict[int, tuple[float, Train]] = {}
        """Where states are commanded anew (early_s > 0): voices that ended lately, and when. Asked
        for again, what is remembered of their rates and bangs goes on."""
        self._ledger = Ledger(
            duty_allowances(coil), rate_allowance(coil), hold_s=self._hold_s,
            lease_s=lease_s + link_jitter_s,
        )  # fmt: skip
        self._curve = coil.on_time_curve
        self._shortest_us = shortest_on_time_us(coil)
        self.curves = curves = curves_of(coil)
        """The coil's own, for whoever wants to know what a bang draws; None: not told."""
        self._power = None if curves is None else Power(curves, mains, self._shortest_us)
        self._mains = None if self._power is None else mains
        self._admission = Admission(coil, self._power)
        self._longest_us = longest_on_time_us(coil)
        self._off_us = off_time_us(coil)
        self._curve_share = self._longest_us / coil.max_on_time_us
        self._flow = min(b.flow for b in self._ledger.duty)
        self._scaling = Scaling(coil, self._ledger, self._power)
        self._soft_bangs = coil.soft_start.bangs
        self._soft_silence_s = coil.soft_start.after_silence_ms / 1000
        self._bangs = 0.0
        self._last_sound_s: float = -math.inf
        self._break_rate_hz = 0.0
        self._now_s: MusicS = MusicS(-math.inf)
        self._scale = 1.0
        self._moving = False
        self._trains: dict[int, Train] = {}

    def full_scale_on_time_us(self, break_rate_hz: float) -> float:
        """The longest lawful on-time of a solo train at this pitch, for ever.

        Below the shortest pulse that breaks out, the pitch cannot be played on this coil.
        """
        return self._full_us(break_rate_hz, break_rate_hz)

    def energy_for_on_time(self, on_time_us: float, break_rate_hz: float) -> float:
        """The energy share (0..1) with which a solo train at this pitch gets this on-time."""
        full_us = self.full_scale_on_time_us(break_rate_hz)
        if self._power is not None:
            return self._power.energy_share(on_time_us, full_us)
        low, high = self._shortest_us**2, full_us**2
        return min(1.0, max(0.0, (on_time_us**2 - low) / (high - low))) if high > low else 0.0

    def asked_us(self, voice_id: int) -> float:
        """The on-time a voice would have had without limits, as last reckoned; 0: it is unknown."""
        train = self._trains.get(voice_id)
        return 0.0 if train is None else train.asked_us

    def moving(self) -> bool:
        """Would the same voices be answered differently a little later?"""
        return self._moving

    def restless(self) -> bool:
        """Must every refresh be decided anew, because the site's mains is asked for more than it
        holds for ever?"""
        return self._mains is not None and self._mains.restless()

    def silence(self, now_s: MusicS) -> Governed:
        """Nothing is asked."""
        return self.update(now_s, ())

    def update(self, now_s: MusicS, asks: Sequence[VoiceAsk]) -> Governed:
        """What may sound from `now_s` on, until the next update; the answer must be sent.

        asks: at most one for each voice id. A time before the last one is taken as the last one.
        """
        now_s = max(now_s, self._now_s)
        passed_s = now_s - self._now_s
        self._ledger.advance(now_s)
        if self._mains is not None:
            self._mains.advance(now_s)
        self._count_bangs(now_s, passed_s)
        self._now_s = now_s
        ended_us, ended = self._meet(now_s, passed_s, asks)
        trains = self._trains
        sounding: Sequence[VoiceAsk] = asks
        for train in trains.values():
            if not audible(train):
                sounding = [a for a in asks if audible(trains[a.voice_id])]
                break
        if len(sounding) < len(asks):
            calm = not (
                self._ledger.strained() or (self._mains is not None and self._mains.strained())
            )
            sounding = self._admission.returning(now_s, asks, sounding, trains, calm=calm)
        sounding = self._admission.fitting(sounding, trains)
        chord = self._chord(sounding, ended_us, ended)
        wanted, target, limiting = self._wanted(chord, passed_s)
        scale, law = self._scaling.lawful(chord, wanted)
        while law is not None and scale < 0:
            # Not even breakout is lawful. What sounds already keeps the law; new voices wait. Only
            # at the mains, which other coils share, may what sounds have to go as well.
            fresh = [a for a in sounding if trains[a.voice_id].on_us == 0]
            if not fresh and law.limit is Limit.MAINS:
                fresh = list(sounding)
            if not fresh:
                scale = 0.0
                break
            out = first_to_go(fresh)[0]
            drop(trains[out.voice_id], replace(law, voice_ids=(out.voice_id,)))
            sounding = [a for a in sounding if a is not out]
            chord = self._chord(sounding, ended_us, ended)
            wanted, target, limiting = self._wanted(chord, passed_s)
            scale, law = self._scaling.lawful(chord, wanted)
        self._moving = bool(asks) and (
            abs(target - scale) > (_DRIFT if limiting and limiting.limit is Limit.MAINS else 1e-6)
            or any(t.cap < scale for t in chord.trains)
            or self._bangs < self._soft_bangs
            or self._ledger.strained()
            or (
                (limiting is not None or len(sounding) < len(asks))
                and any(t.waiting or not t.settled for t in trains.values())
            )
        )
        if scale >= wanted:
            law = None
        held_back = self._reasons(asks, sounding, chord, scale, law or limiting)
        return self._command(sounding, chord, scale, held_back)

    # -- who, and how loud at most ----------------------------------------------------------------

    def _full_us(self, break_rate_hz: float, pace_hz: float) -> float:
        most_hz = self._admission.rate_hz.most
        if pace_hz > most_hz:  # not even breakout fits; say how much would
            return self._shortest_us * most_hz / pace_hz - _EPSILON
        return min(
            math.inf if self._power is None else self._power.full_us(pace_hz),
            curve_on_time_us(self._curve, self._longest_us / self._curve_share, break_rate_hz)
            * self._curve_share,
            self._flow / pace_hz,
            self._scaling.on_sum_us,
            BUSY_SHARE * 1e6 / pace_hz - self._off_us,
        )

    def _count_bangs(self, now_s: float, passed_s: float) -> None:
        if self._break_rate_hz > 0:
            self._bangs += self._break_rate_hz * passed_s
            self._last_sound_s = now_s
        elif now_s - self._last_sound_s >= self._soft_silence_s:
            self._bangs = 0.0

    def _meet(self, now_s: float, passed_s: float, asks: Sequence[VoiceAsk]) -> tuple[float, int]:
        """Brings what is remembered up to date. On-time and number of the trains that are gone."""
        old = self._trains
        trains: dict[int, Train] = {}
        kept = 0
        for ask in asks:
            train = old.get(ask.voice_id)
            if train is None:
                train = self._ended.pop(ask.voice_id, (0.0, None))[1] or Train(self._hold_s)
            else:
                kept += 1
                if ask.bang_count:
                    train.count_bangs(ask, passed_s)
            trains[ask.voice_id] = train
            if train.keep_pace(now_s, ask):
                pace_hz = ask.break_rate_hz / (1 - ask.spread)
                train.full_us = self._full_us(ask.break_rate_hz, pace_hz)
        self._trains = trains
        ended_us, ended = 0.0, 0
        if kept < len(old):
            for voice_id, train in old.items():
                if voice_id not in trains and train.on_us > 0:
                    ended_us += train.on_us
                    ended += 1
                if voice_id not in trains and self._early_s > 0:
                    train.on_us = 0.0
                    self._ended[voice_id] = (now_s, train)
        if self._ended:
            since_s = now_s - self._hold_s
            self._ended = {v: e for v, e in self._ended.items() if e[0] >= since_s}
        return ended_us, ended

    def _chord(self, sounding: Sequence[VoiceAsk], ended_us: float, ended: int) -> Chord:
        shortest = self._shortest_us
        soft = self._bangs / self._soft_bangs if self._bangs < self._soft_bangs else 1.0
        trains: list[Train] = []
        for ask in sounding:
            train = self._trains[ask.voice_id]
            if self._power is not None:
                asked = self._power.on_time_us(ask.energy, train.full_us)
            else:
                asked = on_time_for_energy_us(ask.energy, shortest, train.full_us)
            train.asked_us = asked if soft == 1.0 else shortest + (asked - shortest) * soft
            trains.append(train)
        if len(trains) < len(self._trains):
            for train in self._trains.values():
                if train.on_us > 0 and not audible(train):
                    ended_us += train.on_us
                    ended += 1
        return Chord(trains, shortest, ended_us, ended)

    def _wanted(self, chord: Chord, passed_s: float) -> tuple[float, float, HeldBack | None]:
        """The scale that gentleness wants now, the one it is heading for, and what limits that."""
        target, limiting = self._scaling.target(chord)
        if self._break_rate_hz == 0:  # out of silence, there is nothing to step from
            return target, target, limiting
        wanted = self._scaling.toward(target, self._scale, chord, passed_s)
        self._scaling.cap_fresh(target, wanted, chord, passed_s)
        return wanted, target, limiting

    # -- the answer -----------------------------------------------------------------------------

    def _command(
        self,
        sounding: Sequence[VoiceAsk],
        chord: Chord,
        scale: float,
        held_back: tuple[HeldBack, ...],
    ) -> Governed:
        shortest = self._shortest_us
        flow, on_sum_us, owed_us = chord.at(scale, shortest)
        self._ledger.command(
            flow=flow,
            starts_flow=chord.pace_hz,
            on_sum_us=on_sum_us,
            trains=len(chord.trains),
            owed_us=owed_us,
            owed_starts=chord.ended,
        )
        draw_a = 0.0
        if self._mains is not None:
            draw_a = self._mains.draw_a(chord.trains_at(scale, shortest))
            self._mains.command(draw_a, owed_us)
            if not chord.trains:
                self._mains.ask(0.0, 0.0)
        if len(sounding) < len(self._trains):
            for train in self._trains.values():
                if not audible(train):
                    train.on_us = 0.0
        rate_hz = 0.0
        voices: list[LawfulVoice] = []
        for ask, train in zip(sounding, chord.trains, strict=True):
            share = scale if scale < train.cap else train.cap
            train.on_us = on_us = shortest + (train.asked_us - shortest) * share
            break_rate_hz = ask.break_rate_hz
            rate_hz += break_rate_hz
            voices.append(
                LawfulVoice(
                    ask.voice_id,
                    break_rate_hz,
                    on_us,
                    ask.bang_count,
                    ask.spread,
                    ask.phase,
                    ask.note,
                )
            )
        self._scale = scale
        self._break_rate_hz = rate_hz
        shares = tuple([(b.allowance.window_ms, flow * b.share) for b in self._ledger.duty])
        return Governed(tuple(voices), held_back, Meters(shares, rate_hz, scale, draw_a))

    def _reasons(
        self,
        asks: Sequence[VoiceAsk],
        sounding: Sequence[VoiceAsk],
        chord: Chord,
        scale: float,
        why: HeldBack | None,
    ) -> tuple[HeldBack, ...]:
        found: list[HeldBack] = []
        if why is not None and chord.trains and scale < 1 - 1e-6:
            ids = tuple([a.voice_id for a in sounding])
            found.append(
                HeldBack(why.limit, why.effect, why.window_ms, why.asked, why.allowed, ids)
            )
        if len(sounding) < len(asks):
            dropped = [self._trains[a.voice_id].dropped for a in asks]
            found += [why for why in dropped if why is not None]
        return tuple(found)
