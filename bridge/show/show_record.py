"""A show as text and back, for the journal: its items, scores and how each is played. Pure.

Scores are long and much the same all through: the text is JSON, deflated, in base 64.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from bridge.config import Route
from bridge.show.chasing import Chase
from bridge.show.player import Item
from bridge.show.score_file import Score, ScoreEvent
from bridge.show.show_source import Playing


def show_as_text(items: Sequence[Item], playing: Sequence[Playing]) -> str:
    """One item and one way of playing it each."""
    values = [
        {
            "item": {k: getattr(item, k) for k in Item.__dataclass_fields__ if k != "score"},
            "events": [[e.position_s, e.message.hex()] for e in item.score.events],
            "made_of": item.score.made_of,
            "routes": [r.model_dump(mode="json") for r in played.routes],
            "priority_channel": played.priority_channel,
            "chase": None if played.chase is None else asdict(played.chase),
        }
        for item, played in zip(items, playing, strict=True)
    ]
    return base64.b64encode(zlib.compress(json.dumps(values).encode())).decode()


def show_from_text(text: str) -> tuple[list[Item], list[Playing]]:
    """Raises ValueError where today's program does not take it."""
    try:
        values = json.loads(zlib.decompress(base64.b64decode(text)))
        return [_item(one) for one in values], [_playing(one) for one in values]
    except (zlib.error, KeyError, TypeError) as error:
        raise ValueError(f"its show is not one that today's program takes: {error!r}") from error


def _item(one: dict[str, Any]) -> Item:
    ticks, tempos, signatures, end_s = one["made_of"]
    score = Score(
        [ScoreEvent(at_s, bytes.fromhex(message)) for at_s, message in one["events"]],
        ticks_per_quarter=ticks,
        tempos=[tuple(t) for t in tempos],
        signatures=[tuple(s) for s in signatures],
        end_s=end_s,
    )
    return Item(score=score, **one["item"])


def _playing(one: dict[str, Any]) -> Playing:
    chase = one["chase"]
    return Playing(
        tuple(Route.model_validate_json(json.dumps(r), strict=False) for r in one["routes"]),
        one["priority_channel"],
        None if chase is None else Chase(**chase),
    )
