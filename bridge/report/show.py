"""The same chapters on a terminal, as JSON, or as a page."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast

from rich.console import Console
from rich.table import Table as RichTable

from bridge.report.page import Chapter, Lines, Note, Picture, Table, Terms, page


def number(value: float | None, digits: int = 1) -> str:
    """For a table; a dash where there is none."""
    return "–" if value is None or not math.isfinite(value) else f"{value:.{digits}f}"


def on_terminal(title: str, chapters: Sequence[Chapter]) -> None:
    """Prints everything but the pictures."""
    console = Console(highlight=False)
    console.print(title, style="bold", markup=False)
    for name, parts in chapters:
        console.print(f"\n{name}", style="bold", markup=False)
        for part in parts:
            match part:
                case str():
                    console.print(part, markup=False)
                case Note(text):
                    console.print(f"! {text}", style="yellow", markup=False)
                case Terms(pairs):
                    for term, text in pairs:
                        console.print(f"{term}: {text}", markup=False)
                case Lines(lines):
                    for line in lines:
                        console.print(line, markup=False, soft_wrap=True)
                case Table(headings, rows):
                    table = RichTable()
                    for index, heading in enumerate(headings):
                        side = "right" if index else "left"
                        table.add_column(heading, justify=side, overflow="fold")
                    for row in rows:
                        table.add_row(*row)
                    console.print(table)
                case Picture():
                    pass


def _plain(value: Any) -> Any:
    """JSON knows no infinity."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in cast(dict[str, Any], value).items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in cast(Sequence[Any], value)]
    return value


def show(
    title: str, chapters: Sequence[Chapter], data: Any, *, as_json: bool, html: Path | None
) -> None:
    """On standard output, and as a page where one is wanted. Raises OSError."""
    if html is not None:
        html.write_text(page(title, chapters), encoding="utf-8")
    if as_json:
        print(json.dumps(_plain(data), indent=2, allow_nan=False))
    else:
        on_terminal(title, chapters)
        if html is not None:
            print(f"page with plots written to {html}")
