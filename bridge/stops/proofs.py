"""When each stop was last pressed and seen to work, and for how long that counts. One small file.

A proof counts on its own local day, for the wiring it was made with, and while this computer's
clock was not set back since. The file keeps the latest time seen for that.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from bridge.config import Config
from bridge.latch_store import LatchStore
from bridge.stops.steps import StopStep

SET_BACK = timedelta(minutes=2)
"""A clock set back by less is one that is kept right."""
NOTED_AFTER = timedelta(minutes=10)
"""How far the latest time on the disk may be behind."""


@dataclass(frozen=True, slots=True)
class Proof:
    at: datetime
    """With its offset."""
    wiring: str
    dark_after_ms: float


@dataclass(slots=True)
class Kept:
    """What the file says."""

    latest: datetime | None = None
    """The latest time at which this computer looked, with its offset."""
    proofs: dict[str, Proof] = field(default_factory=dict[str, Proof])
    """By the stop's name."""

    def set_back(self, now: datetime) -> bool:
        """The clock says less than it did before."""
        return self.latest is not None and now < self.latest - SET_BACK


def unproven(kept: Kept, steps: Sequence[StopStep], now: datetime) -> tuple[str, ...]:
    """The stops without a proof that counts. Pure: `now` is local, with its offset."""

    def counts(step: StopStep) -> bool:
        proof = kept.proofs.get(step.name)
        return (
            proof is not None
            and proof.wiring == step.wiring
            and proof.at.astimezone(now.tzinfo).date() == now.date()
            and proof.at <= now + SET_BACK
        )

    set_back = kept.set_back(now)
    return tuple(s.name for s in steps if set_back or not counts(s))


class ProofStore:
    """The file. What cannot be read proves nothing."""

    def __init__(self, config: Config) -> None:
        self.path: Path = LatchStore(config).path.with_suffix("").with_suffix(".proofs.json")

    def load(self) -> Kept:
        try:
            raw = json.loads(self.path.read_text(encoding="utf-8"))
            return Kept(
                _time(raw["latest"]),
                {
                    str(name): Proof(_time(p["at"]), str(p["wiring"]), float(p["dark_after_ms"]))
                    for name, p in raw["proofs"].items()
                },
            )
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return Kept()

    def add(self, step: StopStep, now: datetime, dark_after_ms: float) -> None:
        """Raises OSError."""
        kept = self.load()
        if kept.set_back(now):  # what was proven before it was counts no more
            kept = Kept()
        kept.latest = now
        kept.proofs[step.name] = Proof(now, step.wiring, round(dark_after_ms, 1))
        self._save(kept)

    def note(self, kept: Kept, now: datetime) -> None:
        """Keeps the time, if the file is behind. Raises OSError."""
        if kept.latest is None or now - kept.latest > NOTED_AFTER:
            kept.latest = now
            self._save(kept)

    def _save(self, kept: Kept) -> None:
        proofs: dict[str, Any] = {
            name: {
                "at": p.at.isoformat(timespec="seconds"), "wiring": p.wiring,
                "dark_after_ms": p.dark_after_ms,
            }
            for name, p in kept.proofs.items()
        }  # fmt: skip
        latest = kept.latest.isoformat(timespec="seconds") if kept.latest else None
        text = json.dumps({"version": 2, "latest": latest, "proofs": proofs}, indent=1)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.path.with_suffix(".new")
        with fresh.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(fresh, self.path)


def _time(text: str) -> datetime:
    """Raises ValueError for a time without an offset."""
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"{text} has no offset")
    return at
