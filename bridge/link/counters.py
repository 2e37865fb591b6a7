"""What is counted on one link, for whoever looks."""

from __future__ import annotations

from dataclasses import dataclass, field

from firmware_protocol.catalogue import Reason


@dataclass(slots=True)
class Counters:
    bad_frames: int = 0
    """Received, and malformed."""
    """Voices frames."""
    frames_refused: int = 0
    refused_by_reason: dict[str, int] = field(default_factory=dict[str, int])

    def refused(self, number: int) -> str:
        """Counts a refusal by the board; its reason in words."""
        try:
            reason = Reason(number).name.lower().replace("_", " ")
        except ValueError:
            reason = f"reason {number}"
        self.frames_refused += 1
        self.refused_by_reason[reason] = self.refused_by_reason.get(reason, 0) + 1
        return reason
