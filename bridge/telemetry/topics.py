"""Topics: where each thing is said. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.telemetry.config_mqtt import Mqtt

ROOT = "coilwarden"


@dataclass(frozen=True, slots=True)
class Topics:
    """One daemon's. A bridge named `stop` would shadow the site's own topic: its are a level on."""

    state: str
    meters: str
    events: str
    stop: str
    site_stop: str

    @property
    def stops(self) -> tuple[str, str]:
        """All that is ever subscribed to."""
        return self.stop, self.site_stop


def topics_of(config: Mqtt) -> Topics:
    own = f"{ROOT}/{config.site}/bridge/{config.bridge}"
    return Topics(
        state=f"{own}/state",
        meters=f"{own}/meters",
        events=f"{own}/events",
        stop=f"{own}/stop",
        site_stop=f"{ROOT}/{config.site}/stop",
    )
