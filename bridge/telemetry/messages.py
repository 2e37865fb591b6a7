"""What waits → what is said, as (topic, JSON, retained). Pure: the time of day is given."""

from __future__ import annotations

from typing import NamedTuple

from bridge.interlock import CAUSES, NOT_SAFE, Latch, State
from bridge.record_line import record_line
from bridge.records import HeldBackChanged, InterlockChanged, Record
from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.schemas import (
    GONE,
    CoilMeters,
    EventSaid,
    MetersSaid,
    StateSaid,
    TripSaid,
)
from bridge.telemetry.topics import topics_of
from bridge.telemetry.watcher import MetersNow


class Message(NamedTuple):
    topic: str
    payload: str
    retain: bool


class Speaker:
    """Words things for one daemon."""

    def __init__(self, config: Mqtt) -> None:
        self._site, self._bridge = config.site, config.bridge
        self._topics = topics_of(config)

    def last_will(self) -> Message:
        return self._state(StateSaid(
            site=self._site, bridge=self._bridge, online=False, state="unknown", caution=GONE
        ))  # fmt: skip

    def state(self, latch: Latch, time: str, *, online: bool = True) -> Message:
        """`online` false: the daemon leaves, in this state."""
        trip = latch.trip
        said = None
        if trip is not None:
            text = CAUSES[trip.cause]
            said = TripSaid(
                number=trip.number, cause=int(trip.cause), origin=trip.origin,
                sentence=text.sentence, remedy=text.remedy,
            )  # fmt: skip
        caution = "" if latch.state is State.ARMED and online else NOT_SAFE
        return self._state(StateSaid(
            site=self._site, bridge=self._bridge, online=online, state=latch.state.value,
            caution=caution, trip=said, time=time,
        ))  # fmt: skip

    def _state(self, said: StateSaid) -> Message:
        return Message(self._topics.state, said.model_dump_json(), True)

    def meters(self, now: MetersNow, time: str) -> Message:
        coils = {
            name: CoilMeters(
                voices=[(round(v.break_rate_hz, 2), round(v.on_time_us, 2)) for v in g.voices],
                shares={
                    **{f"duty {w} ms": round(share, 4) for w, share in g.meters.duty_shares},
                    "rate": round(g.meters.break_rate_hz / most, 4),
                },
                held_back=[h.sentence() for h in g.held_back],
            )
            for name, most, g in now.coils
        }
        said = MetersSaid(site=self._site, bridge=self._bridge, time=time, coils=coils)
        return Message(self._topics.meters, said.model_dump_json(), False)

    def event(self, record: Record, time: str) -> Message | None:
        """None: a record that is said elsewhere."""
        if isinstance(record, HeldBackChanged):
            text = "; ".join(h.sentence() for h in record.held_back)
            return self._event(time, "limit", record.coil, text or "nothing is held back any more")
        line = record_line(record)
        if line is None:
            return None
        if isinstance(record, InterlockChanged):
            trip = record.change.trip
            return self._event(
                time, "trip" if trip else "interlock", trip.origin if trip else "", line
            )
        return self._event(time, "note", "", line)

    def missing(self, count: int, time: str) -> Message:
        return self._event(
            time, "missing", "", f"{count} events could not be kept until the broker took them",
            count,
        )  # fmt: skip

    def _event(self, time: str, kind: str, source: str, text: str, count: int = 1) -> Message:
        said = EventSaid.model_validate({
            "site": self._site, "bridge": self._bridge, "time": time, "kind": kind,
            "source": source, "text": text, "count": count,
        })  # fmt: skip
        return Message(self._topics.events, said.model_dump_json(), False)
