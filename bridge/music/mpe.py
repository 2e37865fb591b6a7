"""MPE zones: which channels of one input belong to which manager (MPE 1.0, RP-053; from memory).

The lower zone is managed by channel 1 and takes members upward from 2, the upper by channel 16,
downward from 15. The newest configuration wins: an older zone loses the channels it overlaps, and
is gone when its manager or its last member is taken.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.music.channel import MPE_MANAGER_BEND_SEMITONES, ChannelState

MAX_MEMBERS = 15


class Zones:
    """Both zones of one input; `lower` and `upper` are the numbers of member channels, 0: none."""

    __slots__ = ("_channels", "lower", "upper")

    def __init__(self, channels: Sequence[ChannelState]) -> None:
        self._channels = channels
        self.lower = 0
        self.upper = 0

    def clear(self) -> None:
        """No zones; the channels' own state is the caller's concern."""
        self.lower = self.upper = 0

    def zone_of(self, channel: ChannelState) -> Sequence[ChannelState]:
        """The channels that a message on `channel` speaks for: its zone, or itself alone."""
        if channel.number == 1 and self.lower:
            return self._channels[: self.lower + 1]
        if channel.number == 16 and self.upper:
            return self._channels[15 - self.upper :]
        return (channel,)

    def in_zone(self, channel: ChannelState) -> bool:
        return (
            channel.manager is not None
            or (channel.number == 1 and self.lower > 0)
            or (channel.number == 16 and self.upper > 0)
        )

    def siblings(self, channel: ChannelState) -> Sequence[ChannelState]:
        """All members of the zone that the channel is a member of; else the channel alone."""
        if channel.manager is None:
            return (channel,)
        return [c for c in self._channels if c.manager is channel.manager]

    def affected(self, channel: ChannelState, members: int) -> list[ChannelState]:
        """The channels that start afresh if `channel` (1 or 16) sets up `members` members.

        That is the whole new zone, whoever leaves the old one, and the manager of a zone that
        ends. Their notes end before `configure`.
        """
        lower, upper = self._sizes(channel, members)
        found: list[ChannelState] = []
        for one in self._channels:
            after = self._manager(one.number, lower, upper)
            ends = (one.number == 1 and self.lower > 0 and not lower) or (
                one.number == 16 and self.upper > 0 and not upper
            )
            joins = after is channel or one is channel
            if joins or ends or one.manager is not after or one.manager is channel:
                found.append(one)
        return found

    def configure(self, channel: ChannelState, members: int) -> None:
        """Set up the zone of `channel` (1 or 16) with `members` (0..15; 0 removes it)."""
        affected = self.affected(channel, members)
        self.lower, self.upper = self._sizes(channel, members)
        for one in affected:
            one.join(self._manager(one.number, self.lower, self.upper))
        if members:
            channel.set_bend_range(MPE_MANAGER_BEND_SEMITONES)
        for one in self._channels:  # members read their manager's controllers
            one.derive()

    def _sizes(self, channel: ChannelState, members: int) -> tuple[int, int]:
        """(lower, upper) members after the configuration: the newest zone takes what it needs."""
        if channel.number == 1:
            return members, max(0, min(self.upper, 14 - members))
        return max(0, min(self.lower, 14 - members)), members

    def _manager(self, number: int, lower: int, upper: int) -> ChannelState | None:
        if lower and 2 <= number <= 1 + lower:
            return self._channels[0]
        if upper and 16 - upper <= number <= 15:
            return self._channels[15]
        return None
