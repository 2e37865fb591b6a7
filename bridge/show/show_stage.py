"""A show behind the panel's mutes, loudness and bangs: a Stage that is a ScoreFeed too. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.clocks import HostS, MusicS
from bridge.config import Config
from bridge.show.show_source import ShowSource
from bridge.source import ShowStatus
from bridge.stage import Stage


class ShowStage(Stage):
    """Everything of the score passes unchanged; what sounds of it can only be reduced."""

    def __init__(self, config: Config, show: ShowSource) -> None:
        super().__init__(config, show)
        self._show = show
        self.ahead_s = show.ahead_s

    def lead(self, lead_s: float) -> None:
        self._show.lead(lead_s)

    def take(self, until_s: MusicS) -> Sequence[tuple[MusicS, str, bytes]]:
        return self._show.take(until_s)

    def next_event_s(self) -> MusicS:
        return self._show.next_event_s()

    def darkened(self, now_s: HostS, at_s: MusicS) -> None:
        self._show.darkened(now_s, at_s)

    def status(self, now_s: HostS) -> ShowStatus:
        return self._show.status(now_s)
