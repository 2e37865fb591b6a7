"""The site at a real mosquitto: its last will, TLS, ACL, a broker that dies or floods; stops."""

from __future__ import annotations

import asyncio
import re
import signal
import subprocess
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.config import Config
from bridge.engine import Act
from bridge.interlock import NOT_SAFE, Cause, State
from bridge.telemetry.attend import connect
from bridge.telemetry.schemas import GONE, EventSaid, MetersSaid, StateSaid
from tests.end_to_end.rig import Program, Rig
from tests.stops.rig import Running, config, play
from tests.telemetry.broker import Broker, Flood, Person

pytestmark = pytest.mark.real

OWN = "coilwarden/depot/bridge/north-yard"
SITE_STOP = "coilwarden/depot/stop"
TOPICS = Path(__file__).resolve().parents[2] / "bridge" / "telemetry" / "TOPICS.md"


def with_mqtt(folder: Path, port: int, **more: Any) -> Config:
    mqtt = {
        "host": "127.0.0.1", "port": port, "bridge": "north-yard", "site": "depot", "meters_hz": 5,
    } | more  # fmt: skip
    return config(folder, mqtt=mqtt)


class Said(list[str]):
    """What the operator was told."""

    def has(self, part: str) -> bool:
        return any(part in line for line in self)


def at_broker(built: Config, story: Callable[[Running, Said], Awaitable[None]]) -> Said:
    """A playing site with MQTT, until the story ends."""
    said = Said()

    async def with_link(made: Running) -> None:
        assert made.config.mqtt is not None
        link = connect(made.service, made.config.mqtt, said.append)
        try:
            await made.until(lambda: said.has("connected"), lambda: str(said))
            await story(made, said)
        finally:
            await asyncio.to_thread(link.close)

    play(built, with_link)
    return said


@pytest.mark.parametrize(
    ("topic", "payload"),
    [(f"{OWN}/stop", '{"schema_version": 1, "by": "gate"}'), (SITE_STOP, "not even JSON")],
)
def test_state_meters_and_events_are_said_and_either_stop_topic_stops(
    tmp_path: Path, topic: str, payload: str
) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)

        async def story(made: Running, said: Said) -> None:
            await made.until(lambda: b'"armed"' in person.last("/state"), "armed")
            state = StateSaid.model_validate_json(person.last("/state"))
            assert (state.online, state.caution) == (True, "")
            await made.until(
                lambda: (
                    person.last("/meters")
                    and MetersSaid.model_validate_json(person.last("/meters"))
                    .coils["Larkspur"]
                    .voices
                ),
                "meters of a note",
            )
            await asyncio.to_thread(person.say, topic, payload)
            await made.tripped(Cause.NETWORK_STOP)
            await made.until(lambda: b'"tripped"' in person.last("/state"), "tripped")
            state = StateSaid.model_validate_json(person.last("/state"))
            assert state.caution == NOT_SAFE
            assert state.trip is not None
            assert state.trip.cause == 34

            def trips() -> list[EventSaid]:
                events = [
                    EventSaid.model_validate_json(p) for t, p, _ in person.heard if "/ev" in t
                ]
                return [e for e in events if e.kind == "trip"]

            await made.until(trips, "the event")
            assert topic in trips()[0].text

        at_broker(with_mqtt(tmp_path, broker.port), story)
        # Told to the broker before the link closed; it reaches this listener a little later.
        person.wait_for(
            lambda: not StateSaid.model_validate_json(person.last("/state")).online, "it left"
        )
        person.leave()


def test_nothing_else_that_is_said_does_anything(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)

        async def story(made: Running, said: Said) -> None:
            for word in ("arm", "reset", "play", "limits", "hush", "state", "meters", "events"):
                for place in (OWN, "coilwarden/depot", "coilwarden"):
                    topic = f"{place}/{word}"
                    await asyncio.to_thread(person.say, topic, '{"arm": true, "stop": false}')
            await asyncio.to_thread(person.say, f"{OWN}/stop/reset", "x")
            await asyncio.sleep(0.3)
            assert made.state is State.ARMED
            await asyncio.to_thread(person.say, SITE_STOP, '{"arm": true}')
            await made.tripped(Cause.NETWORK_STOP)
            for word in ("arm", "reset"):
                await asyncio.to_thread(person.say, f"{OWN}/{word}", "x")
            await asyncio.to_thread(person.say, f"{OWN}/stop", '{"reset": true}')
            await asyncio.sleep(0.3)
            assert made.state is State.TRIPPED

        at_broker(with_mqtt(tmp_path, broker.port), story)
        person.leave()


def test_a_retained_stop_stops_and_stands_against_arming_until_it_is_cleared(
    tmp_path: Path,
) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)
        person.say(SITE_STOP, "x", retain=True)

        async def story(made: Running, said: Said) -> None:
            await made.tripped(Cause.NETWORK_STOP)
            await made.reset()
            made.service.act(Act.HUSH)
            await made.until(
                lambda: made.open_checks() == ["MQTT"], lambda: str(made.open_checks())
            )
            await asyncio.to_thread(person.say, SITE_STOP, "", retain=True)
            await made.until(lambda: made.open_checks() == [], lambda: str(made.open_checks()))
            assert made.state is State.LOCKED
            await made.arm()
            # Retained while we listen: known for what it is at once; an empty one that clears
            # nothing is a stop.
            await asyncio.to_thread(person.say, f"{OWN}/stop", "x", retain=True)
            await made.tripped(Cause.NETWORK_STOP)
            assert "MQTT" in made.open_checks()
            await asyncio.to_thread(person.say, f"{OWN}/stop", "", retain=True)
            await made.until(lambda: "MQTT" not in made.open_checks(), "cleared")
            await made.reset()
            await made.arm()
            await asyncio.to_thread(person.say, SITE_STOP, "")
            await made.tripped(Cause.NETWORK_STOP)

        at_broker(with_mqtt(tmp_path, broker.port), story)
        person.leave()


def test_a_broker_that_is_killed_in_the_show_stops_nothing_and_is_found_again(
    tmp_path: Path,
) -> None:
    with Broker(tmp_path) as broker:

        async def story(made: Running, said: Said) -> None:
            broker.kill()
            await made.until(lambda: said.has("does not reach this site"), lambda: str(said))
            assert made.state is State.ARMED
            before = len(made.boards.pulses["Larkspur"])
            await made.until(lambda: len(made.boards.pulses["Larkspur"]) > before, "music")
            said.clear()
            await asyncio.to_thread(broker.start)
            await made.until(lambda: said.has("connected"), lambda: str(said))
            person = await asyncio.to_thread(Person, broker.port)
            await made.until(lambda: b'"armed"' in person.last("/state"), "said anew")
            await asyncio.to_thread(person.say, SITE_STOP, "x")
            await made.tripped(Cause.NETWORK_STOP)
            await asyncio.to_thread(person.leave)

        at_broker(with_mqtt(tmp_path, broker.port), story)


def test_ten_thousand_messages_a_second_beside_the_stop_topic_keep_no_stop_back(
    tmp_path: Path,
) -> None:
    with Broker(tmp_path, "max_queued_messages 1000") as broker:
        stopper = Person(broker.port)
        stopper._client.unsubscribe("coilwarden/#")  # pyright: ignore[reportPrivateUsage]
        flood = Flood(broker.port, [f"{OWN}/stops", f"{OWN}/stop/x", "coilwarden/depot/sto"], 1e4)

        async def story(made: Running, said: Said) -> None:
            await asyncio.sleep(1.0)
            assert made.state is State.ARMED
            assert flood.per_second() > 5000
            await asyncio.to_thread(stopper.say, SITE_STOP, "x")
            await made.tripped(Cause.NETWORK_STOP)

        try:
            at_broker(with_mqtt(tmp_path, broker.port), story)
        finally:
            flood.end()
        stopper.leave()


def test_a_flood_of_stops_is_one_trip_and_the_broker_is_left_alone(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:

        async def story(made: Running, said: Said) -> None:
            flood = Flood(broker.port, [SITE_STOP], 1e4)
            try:
                await made.tripped(Cause.NETWORK_STOP, timeout_s=5)
                await made.until(lambda: said.has("floods"), lambda: str(said))
            finally:
                await asyncio.to_thread(flood.end)
            trip = made.service.engine.interlock.current_trip
            assert trip is not None
            assert trip.number == 1

        at_broker(with_mqtt(tmp_path, broker.port), story)


def certificates(folder: Path) -> None:
    def run(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    for name in ("ca", "other"):
        run("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign",
            "-keyout", f"{name}.key", "-out", f"{name}.pem")  # fmt: skip
    run("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost",
        "-keyout", "server.key", "-out", "server.csr")  # fmt: skip
    (folder / "names").write_text("subjectAltName=DNS:localhost\n", encoding="utf-8")
    run("x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-days", "2",
        "-CAcreateserial", "-extfile", "names", "-out", "server.pem")  # fmt: skip


# paho leaves the socket of a refused handshake to the collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_is_spoken_with_whom_the_site_trusts_and_with_nobody_else(tmp_path: Path) -> None:
    certificates(tmp_path)
    lines = [f"certfile {tmp_path}/server.pem", f"keyfile {tmp_path}/server.key"]
    with Broker(tmp_path, *lines) as broker:
        person = Person(broker.port, ca=tmp_path / "ca.pem")

        async def story(made: Running, said: Said) -> None:
            await asyncio.to_thread(person.say, SITE_STOP, "x")
            await made.tripped(Cause.NETWORK_STOP)

        tls = {"host": "localhost", "tls": True, "ca_file": str(tmp_path / "ca.pem")}
        at_broker(with_mqtt(tmp_path, broker.port, **tls), story)
        heard = len(person.heard)

        async def refused(made: Running) -> None:
            assert made.config.mqtt is not None
            told = Said()
            link = connect(made.service, made.config.mqtt, told.append)
            await made.until(lambda: told.has("CERTIFICATE_VERIFY_FAILED"), lambda: str(told))
            await asyncio.to_thread(link.close)
            assert not told.has("MQTT: connected")
            assert made.state is State.ARMED

        other = tls | {"ca_file": str(tmp_path / "other.pem")}
        play(with_mqtt(tmp_path / "other", broker.port, **other), refused)
        # Another name than the certificate's.
        play(with_mqtt(tmp_path / "n", broker.port, **(tls | {"host": "127.0.0.1"})), refused)
        assert not [t for t, _, _ in person.heard[heard:] if t.endswith("/state")]
        person.leave()


def access_list() -> str:
    found = re.search(r"```text\n(.*?)```", TOPICS.read_text(encoding="utf-8"), re.S)
    assert found
    return found[1]


def test_the_documented_access_list_lets_each_do_its_part_and_no_more(tmp_path: Path) -> None:
    users = ("north-yard", "south-yard", "gate", "screen")
    (tmp_path / "acl").write_text(access_list(), encoding="utf-8")
    passwords = tmp_path / "passwords"
    passwords.touch()
    for user in users:
        subprocess.run(
            ["mosquitto_passwd", "-b", str(passwords), user, f"{user}-secret"],
            check=True, capture_output=True,
        )  # fmt: skip
    credentials = tmp_path / "credentials"
    credentials.write_text("north-yard\nnorth-yard-secret\n", encoding="utf-8")
    credentials.chmod(0o600)
    lines = [f"password_file {passwords}", f"acl_file {tmp_path}/acl"]
    with Broker(tmp_path, *lines) as broker:
        screen, gate, south = (
            Person(broker.port, user=u) for u in ("screen", "gate", "south-yard")
        )

        async def story(made: Running, said: Said) -> None:
            await made.until(lambda: b'"armed"' in screen.last("/state"), "the screen sees it")
            for who, topic in ((screen, SITE_STOP), (screen, f"{OWN}/stop"), (south, f"{OWN}/stop"),
                               (gate, f"{OWN}/state"), (south, f"{OWN}/state")):  # fmt: skip
                await asyncio.to_thread(who.say, topic, "x")
            await asyncio.sleep(0.3)
            assert made.state is State.ARMED
            assert screen.last("/state") != b"x"
            await asyncio.to_thread(gate.say, SITE_STOP, '{"by": "gate"}')
            await made.tripped(Cause.NETWORK_STOP)
            trip = made.service.engine.interlock.current_trip
            assert trip is not None
            assert "gate" in trip.detail

        given = {"credentials_file": str(credentials)}
        said = at_broker(with_mqtt(tmp_path, broker.port, **given), story)
        assert not said.has("secret")
        for person in (screen, gate, south):
            person.leave()


def test_a_daemon_that_is_killed_leaves_its_last_will(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:
        person = Person(broker.port)
        rig = Rig(tmp_path)
        with rig.config.open("a", encoding="utf-8") as file:
            file.write(
                f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nbridge = "north-yard"\n'
                'site = "depot"\n'
            )
        without_midi = re.sub(r"(?ms)^\[\[input\]\].*?(?=^\[music\])", "",
                              rig.config.read_text(encoding="utf-8"))  # fmt: skip
        rig.config.write_text(without_midi, encoding="utf-8")
        with rig.board(), rig.daemon() as daemon:
            daemon.wait_for("MQTT: connected")
            person.wait_for(lambda: b'"locked"' in person.last("/state"), "state")
            answer = Program("stop", str(rig.config))
            assert answer.process.wait(10) == 0
            answer.end()
            assert any("tripped" in line for line in answer.lines), answer.lines
            daemon.signal(signal.SIGKILL)
            person.wait_for(lambda: b'"unknown"' in person.last("/state"), "last will")
            dead = Program("stop", str(rig.config))
            assert dead.process.wait(10) == 2
            dead.end()
            assert any("no daemon" in line for line in dead.errors), dead.errors
        will = StateSaid.model_validate_json(person.last("/state"))
        assert (will.online, will.caution) == (False, GONE)
        person.leave()
        late = Person(broker.port)  # retained: whoever comes later sees it too
        late.wait_for(lambda: b'"unknown"' in late.last("/state"), "retained will")
        late.leave()
