"""Who may reach the panel and do what: Host and Origin, sessions, rates. Pure: explicit times.

Stop needs nothing but a request that comes from the panel's own pages, or from no page at all. All
else needs the operator's role, which a token gives and a server-side session keeps.
"""

from __future__ import annotations

import ipaddress
import secrets
from collections import deque
from collections.abc import Collection
from dataclasses import dataclass

SESSION_S = 12 * 3600.0
MOST_SESSIONS = 64
TRIES = 5
TRIES_S = 60.0
"""Wrong tokens from one address in so long; then it waits."""
COMMANDS_A_SECOND = 40.0
COMMAND_BURST = 80.0
USUAL_PORT = {False: 80, True: 443}
"""Which browsers leave out, without and with TLS."""


def host_allowed(host: str, server: tuple[str, int], names: Collection[str], *, tls: bool) -> bool:
    """Is this Host header one of ours? A page that was led here by its own name (DNS rebinding)
    sends that name. `server`: address and port that the connection reached."""
    name, port = _split_host(host)
    address, own_port = server
    if (USUAL_PORT[tls] if port is None else port) != own_port:
        return False
    if name in {n.lower() for n in names}:
        return True
    try:
        own = ipaddress.ip_address(address)
        if name == "localhost":
            return own.is_loopback
        return ipaddress.ip_address(name) == own
    except ValueError:
        return False


def _split_host(host: str) -> tuple[str, int | None]:
    """Lower-case name or address, and the port: None where none is given, -1 for what is none."""
    host = host.strip().lower()
    name, colon, port = host.rpartition(":")
    if not colon or (host.startswith("[") and host.endswith("]")):
        return host.strip("[]"), None
    return name.strip("[]"), int(port) if port.isascii() and port.isdigit() else -1


def origin_allowed(origin: str | None, host: str, *, tls: bool, needed: bool) -> bool:
    """Does the request come from one of our own pages? `needed`: a request without is refused."""
    if origin is None:
        return not needed
    return origin.lower() == f"{'https' if tls else 'http'}://{host.strip().lower()}"


@dataclass(frozen=True, slots=True)
class Session:
    name: str
    until_s: float


class Sessions:
    """Who is signed in. Keys are random, and live here and in the cookie only."""

    def __init__(self) -> None:
        self._all: dict[str, Session] = {}

    def begin(self, now_s: float, name: str) -> str:
        """The new session's key. A name that is there already gets a number."""
        self._expire(now_s)
        while len(self._all) >= MOST_SESSIONS:
            del self._all[next(iter(self._all))]
        taken = {s.name for s in self._all.values()}
        number, unique = 1, name
        while unique in taken:
            number += 1
            unique = f"{name} ({number})"
        key = secrets.token_urlsafe(32)
        self._all[key] = Session(unique, now_s + SESSION_S)
        return key

    def name(self, now_s: float, key: str | None) -> str | None:
        """Whose session it is; None: nobody's, or it is over."""
        session = None if key is None else self._all.get(key)
        return session.name if session is not None and now_s < session.until_s else None

    def end(self, key: str | None) -> None:
        if key is not None:
            self._all.pop(key, None)

    def _expire(self, now_s: float) -> None:
        self._all = {k: s for k, s in self._all.items() if now_s < s.until_s}


class Tries:
    """Wrong tokens by address. Right ones do not count, and stops never come here."""

    def __init__(self) -> None:
        self._wrong: dict[str, deque[float]] = {}

    def may_try(self, now_s: float, address: str) -> bool:
        wrong = self._wrong.get(address)
        while wrong and now_s - wrong[0] > TRIES_S:
            wrong.popleft()
        if wrong is not None and not wrong:
            del self._wrong[address]
        return wrong is None or len(wrong) < TRIES

    def was_wrong(self, now_s: float, address: str) -> None:
        if len(self._wrong) > 1000:  # an attacker with many addresses fills no memory
            self._wrong.pop(next(iter(self._wrong)))
        self._wrong.setdefault(address, deque(maxlen=TRIES)).append(now_s)


class Rate:
    """How often one connection may command: a bucket that refills."""

    def __init__(self, now_s: float) -> None:
        self._left, self._at_s = COMMAND_BURST, now_s

    def take(self, now_s: float) -> bool:
        self._left = min(COMMAND_BURST, self._left + (now_s - self._at_s) * COMMANDS_A_SECOND)
        self._at_s = now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True
