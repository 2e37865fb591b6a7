"""The interlock's tables as Markdown for the docs: generated, so that they stay true. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.interlock import CAUSES, TRANSITIONS, Cause, Event, State


def cause_table() -> str:
    """Every cause: number, sentence, remedy, how it clears; by number."""
    rows = [
        [str(int(c)), CAUSES[c].sentence, CAUSES[c].remedy, CAUSES[c].clears.value]
        for c in sorted(Cause)
    ]
    return _table(["number", "cause", "what to do", "clears"], rows)


def transition_table() -> str:
    """State by event → state; a dot: nothing changes."""
    rows: list[list[str]] = []
    for state in State:
        after = [TRANSITIONS.get((state, event)) for event in Event]
        rows.append([state.value, *("·" if a is None else a.value for a in after)])
    return _table(["", *(e.name.lower() for e in Event)], rows)


def _table(heading: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [heading, ["---"] * len(heading), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines) + "\n"
