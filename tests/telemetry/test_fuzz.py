"""Whatever comes over MQTT, in whatever order: it stops, or it does nothing."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace
from typing import Any, cast

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge import loop
from bridge.clocks import HostS
from bridge.engine import Act
from bridge.entries import Objection, Stopped
from bridge.interlock import Cause, Latch, State
from bridge.music.instrument import Instrument
from bridge.telemetry.attend import connect
from bridge.telemetry.config_mqtt import Mqtt
from bridge.telemetry.topics import topics_of
from bridge.virtual_site import VirtualSite
from tests.chain.rig import coil, site

CONFIG = Mqtt(host="127.0.0.1", port=1, bridge="north-yard", site="depot")
STOPS = topics_of(CONFIG).stops
WORDS = ("arm", "reset", "confirm", "play", "stop", "stops", "hush", "state", "limits", "disarm")

topics = st.one_of(
    st.sampled_from(STOPS),
    st.sampled_from(WORDS).map(lambda w: f"coilwarden/depot/bridge/north-yard/{w}"),
    st.sampled_from(WORDS).map(lambda w: f"{STOPS[0]}/{w}"),
    st.text(st.characters(exclude_characters="#+\0", exclude_categories=["Cs"]), min_size=1),
)
payloads = st.one_of(
    st.just(b""),
    st.sampled_from(
        [b'{"schema_version": 1, "by": "gate"}', b'{"arm": true}', b'{"stop": false}',
         b'{"schema_version": 2, "by": 7}', b"[[[[", b'{"by": "' + b"x" * 70_000 + b'"}']
    ),
    st.binary(max_size=40),
)  # fmt: skip
messages = st.lists(st.tuples(topics, payloads, st.booleans()), max_size=25)
CONNECTS = "connects anew"
stories = st.lists(st.one_of(st.just(CONNECTS), messages), min_size=1, max_size=4)


class Site:
    """All that MQTT may touch of a service; anything else it asks for is an AttributeError."""

    def __init__(self) -> None:
        self.acts: list[Stopped | Objection] = []
        self.engine = SimpleNamespace(interlock=SimpleNamespace(latch=Latch()))
        self.watchers = SimpleNamespace(add=lambda watcher: None)  # pyright: ignore

    def stop(self, cause: Cause, detail: str, by: str) -> None:
        self.acts.append(Stopped(HostS(0.0), cause, "", detail, by))

    def object_to_arming(self, source: str, found: str, remedy: str) -> None:
        self.acts.append(Objection(HostS(0.0), source, found, remedy))


class Client:
    """Says the messages, then the line ends."""

    def __init__(self, said: list[tuple[str, bytes, bool]]) -> None:
        self.messages = self._all(said)

    async def _all(self, said: list[tuple[str, bytes, bool]]) -> Any:
        for topic, payload, retain in said:
            yield SimpleNamespace(topic=topic, payload=payload, retain=retain)
            await asyncio.sleep(0)  # what was to be done on the loop is done


def acts_of(story: list[Any]) -> list[Stopped | Objection]:
    """What a story leads to, at the real link, with all between its client and the service."""
    told = Site()
    errors: list[Any] = []

    async def main() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, found: errors.append(found))
        link = connect(cast(Any, told), CONFIG, lambda line: None)
        link._ending.set()  # pyright: ignore[reportPrivateUsage]  (its thread finds nobody)
        for part in story:
            if part == CONNECTS:
                link._stop_topics.connected()  # pyright: ignore[reportPrivateUsage]
                link._tell_retained(())  # pyright: ignore[reportPrivateUsage]
            else:
                await link._hear(cast(Any, Client(part)))  # pyright: ignore[reportPrivateUsage]
            await asyncio.sleep(0)

    loop.run(main())
    assert errors == []  # e.g. something asked of the service that MQTT may not
    return told.acts


def expected(story: list[Any]) -> tuple[int, set[str]]:
    """(stops, topics with a retained stop), as TOPICS.md has it."""
    count, retained = 0, set[str]()
    for part in story:
        if part == CONNECTS:
            retained.clear()
            continue
        for topic, payload, retain in part:
            if topic not in STOPS:
                continue
            if not payload and topic in retained:
                retained.discard(topic)
                continue
            count += 1
            if payload and retain:
                retained.add(topic)
    return count, retained


@settings(max_examples=60, deadline=None)
@given(stories)
def test_it_stops_or_stands_against_arming_and_touches_nothing_else(story: list[Any]) -> None:
    acts = acts_of(story)
    stops = [a for a in acts if isinstance(a, Stopped)]
    count, retained = expected(story)
    assert len(stops) == count
    assert all((a.cause, a.by) == (Cause.NETWORK_STOP, "MQTT") for a in stops)
    objections = [a for a in acts if isinstance(a, Objection)]
    assert all(a.source == "MQTT" for a in objections)
    standing = objections[-1].found if objections else ""
    assert all(topic in standing for topic in retained)
    assert bool(standing) == bool(retained)


def standing(state: State) -> VirtualSite:
    config = site([coil("Larkspur", "North", 1)])
    played = VirtualSite(config, Instrument(config))
    played.arm()
    if state is not State.ARMED:
        Stopped(played.now_s, Cause.OPERATOR_STOP, "", "", "").enter(played.engine)
        played.run_for(0.5)
    if state is State.LOCKED:
        played.act(Act.RESET)
        played.run_for(0.5)
    assert played.engine.interlock.state is state
    return played


SITES = {state: standing(state) for state in (State.LOCKED, State.TRIPPED)}


@settings(max_examples=40, deadline=None)
@given(stories, st.sampled_from(list(SITES)))
def test_no_site_ends_nearer_to_armed_than_it_was(story: list[Any], state: State) -> None:
    played = SITES[state]
    engine = played.engine
    before = engine.interlock.state
    against = {c.name for c in engine.checks(played.now_s) if not c.passed}
    acts = acts_of(story)
    for act in acts:
        act._replace(at_s=played.now_s).enter(engine)
        played.run_for(0.02)
        assert engine.interlock.state in (before, State.TRIPPED)
    assert not any(played.take_pulses().values())
    now_against = {c.name for c in engine.checks(played.now_s) if not c.passed}
    assert against - {"MQTT"} <= now_against
    if any(isinstance(a, Stopped) for a in acts):
        assert engine.interlock.state is State.TRIPPED
