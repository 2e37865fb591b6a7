"""What the handlers of the web process share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from starlette.requests import HTTPConnection

from bridge.panel.access import Sessions, Tries
from bridge.panel.wire import Wire

NO_ANSWER = "STOP did not reach the daemon. Use the emergency button."


@dataclass
class Panel:
    """`now`: the process's monotonic clock, seconds."""

    wire: Wire
    tokens: Mapping[str, str]
    now: Callable[[], float]
    tls: bool
    names: tuple[str, ...]
    port: int
    sessions: Sessions = field(default_factory=Sessions)
    tries: Tries = field(default_factory=Tries)
    seats: int = 0
    pages: dict[str, int] = field(default_factory=dict[str, int])

    @property
    def cookie(self) -> str:
        # Cookies know no ports: two sites on one machine must not sign each other out.
        return f"{'__Host-' if self.tls else ''}coilwarden-{self.port}"

    def operator(self, connection: HTTPConnection) -> str | None:
        """Who is signed in on this connection, or None."""
        return self.sessions.name(self.now(), connection.cookies.get(self.cookie))

    def who(self, connection: HTTPConnection) -> str:
        return self.operator(connection) or f"viewer at {address_of(connection)}"


def address_of(connection: HTTPConnection) -> str:
    return connection.client.host if connection.client else "?"
