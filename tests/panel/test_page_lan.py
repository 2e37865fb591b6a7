"""Who reaches the page of a running daemon: other sites do not, the LAN by TLS and token."""

from __future__ import annotations

import socket
import ssl
import subprocess
import threading
import time
import urllib.error
import urllib.request
from functools import partial
from http.server import HTTPServer, SimpleHTTPRequestHandler
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.end_to_end.rig import Rig, status
from tests.jack import JackServer, jack_server  # noqa: F401
from tests.panel.rig import (
    PanelRig,
    open_page,
    sign_in,
    wait_for_state,
)
from tests.ports import free_port

pytestmark = pytest.mark.real


@pytest.fixture
def panel(tmp_path: Path, jack_server: JackServer) -> PanelRig:  # noqa: F811
    return PanelRig(tmp_path)


class _Quiet(SimpleHTTPRequestHandler):
    def log_message(self, format: str, *args: object) -> None:
        pass


def test_another_sites_page_reaches_nothing(
    panel: PanelRig, chromium: Browser, tmp_path: Path
) -> None:
    (tmp_path / "web").mkdir()
    (tmp_path / "web" / "index.html").write_text("<!doctype html><title>other</title>")
    other = HTTPServer(("127.0.0.1", 0), partial(_Quiet, directory=str(tmp_path / "web")))
    thread = threading.Thread(target=other.serve_forever, daemon=True)
    thread.start()
    try:
        with panel.running() as (_, daemon):
            page = open_page(chromium, f"http://127.0.0.1:{other.server_port}/")
            live = panel.address.replace("http", "ws") + "live"
            outcome = page.evaluate(
                "address => new Promise(done => { const s = new WebSocket(address);"
                " s.onopen = () => done('open'); s.onerror = () => done('refused'); })",
                live,
            )
            assert outcome == "refused"
            page.evaluate(
                "address => fetch(address, {method: 'POST', mode: 'no-cors'}).catch(() => 0)",
                f"{panel.address}stop",
            )
            # A name of its own that leads here (DNS rebinding): the browser would send that name.
            rebound = {"Host": f"evil.example:{panel.port}"}
            for method, path in (("GET", ""), ("POST", "stop"), ("POST", "sign-in")):
                asked = urllib.request.Request(panel.address + path, headers=rebound, method=method)
                with pytest.raises(urllib.error.HTTPError, match="403"):
                    urllib.request.urlopen(asked)
            request = urllib.request.Request(f"{panel.address}stop", method="POST")
            time.sleep(0.3)
            assert status(daemon)["state"] == "locked"
            with urllib.request.urlopen(request) as answer:
                assert b"tripped" in answer.read()
            assert status(daemon)["state"] == "tripped"
    finally:
        other.shutdown()
        thread.join()
        other.server_close()


def lan_address() -> str:
    """An address of this machine that others could reach, where it has one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # sends nothing
        except OSError:
            return "127.0.0.1"
        return str(probe.getsockname()[0])


def test_on_the_lan_with_tls_a_token_is_refused_and_accepted(
    tmp_path: Path,
    jack_server: JackServer,  # noqa: F811
    chromium: Browser,
) -> None:
    address = lan_address()
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
         "/CN=depot.local", "-addext", f"subjectAltName=IP:{address}", "-keyout",
         str(tmp_path / "key.pem"), "-out", str(tmp_path / "cert.pem")],
        check=True, capture_output=True,
    )  # fmt: skip
    tokens = tmp_path / "state" / "panel-tokens"
    panel = PanelRig(
        tmp_path,
        panel=f'address = "{address}"\ntoken_file = "{tokens}"\n'
        f'certificate = "{tmp_path / "cert.pem"}"\nkey = "{tmp_path / "key.pem"}"',
    )
    home = f"https://{address}:{panel.port}/"
    with panel.running() as (_, daemon):
        daemon.wait_for(f"panel: {home}")
        page = open_page(chromium, home)
        wait_for_state(page, "LOCKED")
        page.locator("#to-sign-in").click()
        page.locator("#token").fill("lantern-guess-0000000000")
        page.locator("#sign-form button[type=submit]").click()
        page.locator("#answer", has_text="not known here").wait_for()
        assert page.locator("#you").inner_text() == "viewer: may stop only"
        sign_in(page, panel.operators["Ilse"])
        (cookie,) = page.context.cookies()
        assert cookie["secure"]
        assert cookie["httpOnly"]
        assert page.evaluate("document.cookie") == ""
        assert page.url.split("#")[0] == home
        page.locator("#stop").click()
        wait_for_state(page, "TRIPPED")
        context = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
        with urllib.request.urlopen(home, context=context) as answer:
            assert b"Coilwarden" in answer.read()


def test_a_port_in_use_costs_the_panel_and_nothing_else(
    tmp_path: Path,
    jack_server: JackServer,  # noqa: F811
) -> None:
    port = free_port()
    rig = Rig(tmp_path, panel=f"port = {port}")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        with rig.board() as board, rig.daemon() as daemon:
            line = daemon.wait_for(f"port {port} on 127.0.0.1 is in use")
            assert "The music goes on without a panel" in line
            rig.arm(board, daemon)
