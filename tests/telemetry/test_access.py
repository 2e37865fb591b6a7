"""Who is spoken with: TLS, and the access list of TOPICS.md at a real mosquitto."""

from __future__ import annotations

import asyncio
import gc
import re
import subprocess
from pathlib import Path

import pytest

from bridge.interlock import Cause, State
from bridge.telemetry import schemas
from bridge.telemetry.attend import connect
from tests.stops.rig import Running, play
from tests.telemetry.at_broker import OWN, SITE_STOP, Said, at_broker, with_mqtt
from tests.telemetry.broker import Broker, Person

TOPICS = Path(schemas.__file__).parent / "TOPICS.md"

pytestmark = pytest.mark.real


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
        person.wait_for(lambda: b'"online":false' in person.last("/state"), "it left")
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
    # A refused connection left open would warn here (an error in these tests), not in another test.
    gc.collect()


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
