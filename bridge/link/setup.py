"""Whether a board is the one we mean and holds the limits we mean. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from firmware_protocol import messages as m


class Setup:
    """The set-up of one board: its identity, the limits it holds, and what is still wrong."""

    def __init__(self, board_id: int, limits: Mapping[int, m.OutputLimits]) -> None:
        self.board_id = board_id
        self.identity: m.Identity | None = None
        self._wanted = dict(limits)
        self._held: dict[int, m.OutputLimits] = {}
        self._board_digest: int | None = None
        self._refused = ""

    def forget(self) -> None:
        """The board is gone or has restarted: nothing is known of it."""
        self.identity = None
        self._held.clear()
        self._board_digest = None
        self._refused = ""

    def take_identity(self, identity: m.Identity) -> None:
        before = self.identity
        if before is not None and (before.board_id, before.boot_id) != (
            identity.board_id,
            identity.boot_id,
        ):
            self.forget()  # limits do not outlive a boot, nor do they move to another board
        self.identity = identity
        self._board_digest = identity.digest

    def take_limits(self, message: m.LimitsSet) -> None:
        self._held[message.limits.output] = message.limits
        self._board_digest = message.digest

    def refused(self, reason: str) -> None:
        """The board refused hello or limits."""
        self._refused = reason

    def to_send(self) -> list[m.Limits]:
        """Limits the board does not hold yet; none to a board that is not the one meant."""
        if self.identity is None or self._misfit():
            return []
        return [m.Limits(w) for o, w in sorted(self._wanted.items()) if self._held.get(o) != w]

    def digest(self) -> int:
        """The digest this host believes in: over the limits it wants, on this board and boot."""
        identity = self.identity
        assert identity is not None, "the digest needs an identity"
        return m.limits_digest(
            identity.build, identity.board_id, identity.boot_id, list(self._wanted.values())
        )

    def problem(self) -> str:
        """ "" when every wanted limit is in force and nothing else; else what is wrong."""
        if self.identity is None:
            return "no identity yet"
        if misfit := self._misfit():
            return misfit
        refused = f": refused, {self._refused}" if self._refused else ""
        for output, wanted in sorted(self._wanted.items()):
            held = self._held.get(output)
            if held is None:
                return f"limits of output {output + 1} not set{refused}"
            if held != wanted:
                return f"the board holds other limits for output {output + 1}{refused}"
        if self._board_digest != self.digest():
            return "digest differs: the board holds limits this configuration does not know"
        return ""

    def _misfit(self) -> str:
        identity = self.identity
        assert identity is not None
        if identity.version != m.VERSION:
            return f"speaks protocol {identity.version}, not {m.VERSION}"
        if identity.board_id != self.board_id:
            return f"is board {identity.board_id:08x}, not {self.board_id:08x}"
        if identity.tick_hz != m.TICK_HZ:
            # Limits and on-times are sent in ticks reckoned at this rate: slower ticks are longer
            # pulses than the configuration allows.
            return f"counts {identity.tick_hz} ticks a second, not {m.TICK_HZ}"
        if identity.slots < m.MAX_SLOTS:
            return f"has {identity.slots} slots an output, this host needs {m.MAX_SLOTS}"
        for output, wanted in sorted(self._wanted.items()):
            if output >= identity.outputs:
                return f"has {identity.outputs} outputs, the configuration uses output {output + 1}"
            ceiling = identity.ceilings[output]
            for what, is_looser, mine, theirs in (
                (
                    "max_on_time",
                    wanted.max_on_ticks > ceiling.max_on_ticks,
                    wanted.max_on_ticks,
                    ceiling.max_on_ticks,
                ),
                (
                    "min_off_time",
                    wanted.min_off_ticks < ceiling.min_off_ticks,
                    wanted.min_off_ticks,
                    ceiling.min_off_ticks,
                ),
                (
                    "max_break_rate",
                    wanted.max_starts_1s > ceiling.max_starts_1s,
                    wanted.max_starts_1s,
                    ceiling.max_starts_1s,
                ),
                (
                    "duty in 1 s",
                    wanted.max_duty_1s_ticks > ceiling.max_duty_1s_ticks,
                    wanted.max_duty_1s_ticks,
                    ceiling.max_duty_1s_ticks,
                ),
            ):
                if is_looser:
                    return (
                        f"output {output + 1}: {what} of the configuration ({mine}) is looser than "
                        f"the board's ceiling ({theirs}), in ticks and counts"
                    )
        return ""
