"""Where in an item a host time falls, and the other way round. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from bridge.clocks import HostS


class PositionMap(Protocol):
    """Host time ↔ seconds of the item; both rise together."""

    def position_at(self, host_s: HostS) -> float: ...

    def host_at(self, position: float) -> HostS: ...


@dataclass(frozen=True, slots=True)
class Shifted:
    """Another map, its positions `by_s` seconds less: an item within a longer clock."""

    inner: PositionMap
    by_s: float

    def position_at(self, host_s: HostS) -> float:
        return self.inner.position_at(host_s) - self.by_s

    def host_at(self, position: float) -> HostS:
        return self.inner.host_at(position + self.by_s)


@dataclass(frozen=True, slots=True)
class Steady:
    """This computer's monotonic clock: position 0 at `begin_s`."""

    begin_s: HostS

    def position_at(self, host_s: HostS) -> float:
        return host_s - self.begin_s

    def host_at(self, position: float) -> HostS:
        return HostS(self.begin_s + position)
