"""Which trains a coil can carry at all, with every pulse at breakout. Pure.

At breakout all on-times are equal, so every limit becomes one of two numbers: the most trains, and
the most pulses a second over all trains. A set that keeps both can sound for ever.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from bridge.config import Coil
from bridge.music.voices import VoiceAsk

from .limits import (
    BUSY_SHARE,
    TOTAL_ON_SHARE,
    duty_allowances,
    off_time_us,
    rate_allowance,
    shortest_on_time_us,
)
from .order import first_to_go
from .power import Power
from .reasons import Effect, HeldBack, Limit
from .train import Train

RETURN_S: Final = 0.3
"""A dropped voice returns after this long with room for it."""
RETURN_ROOM: Final = 0.97
"""Room is counted only up to this share of the break rate that fits: no chatter at the edge."""


@dataclass(frozen=True, slots=True)
class Bound:
    """A number that no set of trains may exceed, and the limit it comes from."""

    most: float
    limit: Limit
    window_ms: int
    unit: float
    """From this number to the limit's own unit."""

    def dropped(self, asked: float, voice_id: int) -> HeldBack:
        unit = self.unit
        return HeldBack(
            self.limit, Effect.DROPPED, self.window_ms, asked * unit, self.most * unit, (voice_id,)
        )


class Admission:
    """One coil's two bounds, and who goes when they are exceeded."""

    __slots__ = ("_power", "_shortest_us", "rate_hz", "trains")

    def __init__(self, coil: Coil, power: Power | None = None) -> None:
        self._power = power
        self._shortest_us = shortest = shortest_on_time_us(coil)
        busy_us = shortest + off_time_us(coil)
        duties = duty_allowances(coil)
        rate = rate_allowance(coil)
        trains = [
            Bound(coil.max_voices, Limit.VOICES, 0, 1.0),
            Bound(int(TOTAL_ON_SHARE * rate.reserve), Limit.RESERVE, 0, 1.0),
        ]
        rates = [
            Bound(rate.flow, Limit.BREAK_RATE, 1000, 1.0),
            Bound(BUSY_SHARE * 1e6 / busy_us, Limit.OFF_TIME, 0, busy_us * 1e-4),
        ]
        for duty in duties:
            most = int(TOTAL_ON_SHARE * duty.reserve / shortest)
            trains.append(Bound(most, Limit.RESERVE, duty.window_ms, shortest))
            most_hz = duty.flow / shortest
            rates.append(Bound(most_hz, Limit.DUTY, duty.window_ms, shortest * 1e-4))
        if power is not None:
            most_hz, limit = power.most_at_breakout()
            mains = power.mains
            unit = mains.charge_as(shortest) if limit is Limit.MAINS and mains else 100 / most_hz
            rates.append(Bound(most_hz, limit, 0, unit))
        self.trains = min(trains, key=lambda bound: bound.most)
        self.rate_hz = min(rates, key=lambda bound: bound.most)

    def fitting(
        self, sounding: Sequence[VoiceAsk], trains: Mapping[int, Train]
    ) -> Sequence[VoiceAsk]:
        """`sounding` without what cannot sound at breakout, alone or together: that is dropped."""
        rate_hz = 0.0
        alone = True
        for ask in sounding:
            train = trains[ask.voice_id]
            rate_hz += train.pace_hz
            alone = alone and train.full_us >= self._shortest_us
        count = len(sounding)
        if alone and count <= self.trains.most and rate_hz <= self.rate_hz.most:
            return sounding
        for ask in sounding:
            train = trains[ask.voice_id]
            if train.full_us < self._shortest_us:
                drop(train, self._unplayable(ask, train))
                rate_hz -= train.pace_hz
                count -= 1
        asked_hz, asked = rate_hz, count
        for ask in first_to_go([a for a in sounding if trains[a.voice_id].dropped is None]):
            train = trains[ask.voice_id]
            if rate_hz > self.rate_hz.most:
                drop(train, self.rate_hz.dropped(asked_hz, ask.voice_id))
            elif count > self.trains.most:
                drop(train, self.trains.dropped(asked, ask.voice_id))
            else:
                break
            rate_hz -= train.pace_hz
            count -= 1
        return [a for a in sounding if trains[a.voice_id].dropped is None]

    def returning(
        self,
        now_s: float,
        asks: Sequence[VoiceAsk],
        sounding: Sequence[VoiceAsk],
        trains: Mapping[int, Train],
        *,
        calm: bool,
    ) -> Sequence[VoiceAsk]:
        """`sounding` and those dropped voices that have had room for RETURN_S.

        calm: no window is strained; else nothing returns and nothing begins to wait.
        """
        waiting = [a for a in asks if trains[a.voice_id].dropped is not None]
        count = len(sounding)
        rate_hz = sum([trains[a.voice_id].pace_hz for a in sounding])
        back = False
        for ask in reversed(first_to_go(waiting)):
            train = trains[ask.voice_id]
            fits = (
                calm
                and train.full_us >= self._shortest_us
                and count < self.trains.most
                and rate_hz + train.pace_hz <= RETURN_ROOM * self.rate_hz.most
                and (
                    self._power is None
                    or self._power.has_room((rate_hz + train.pace_hz) / RETURN_ROOM)
                )
            )
            if not fits:
                train.room_since_s = math.inf
                continue
            # The room is this one's from now on: those behind it wait for more.
            count += 1
            rate_hz += train.pace_hz
            if not train.room_since_s < math.inf:
                train.room_since_s = now_s
            if now_s - train.room_since_s >= RETURN_S - 1e-9:
                train.dropped = None
                back = True
        return [a for a in asks if audible(trains[a.voice_id])] if back else sounding

    def _unplayable(self, ask: VoiceAsk, train: Train) -> HeldBack:
        if train.pace_hz > self.rate_hz.most:
            return self.rate_hz.dropped(train.pace_hz, ask.voice_id)
        return HeldBack(
            Limit.ON_TIME, Effect.DROPPED, 0, self._shortest_us, max(0.0, train.full_us),
            (ask.voice_id,),
        )  # fmt: skip


def audible(train: Train) -> bool:
    """Neither dropped nor over."""
    return train.dropped is None and not train.spent


def drop(train: Train, why: HeldBack) -> None:
    """Silences a train; the next update looks for room."""
    train.dropped = why
    train.room_since_s = math.nan
