"""Tables that people hand over as CSV: read by the names of their columns."""

from __future__ import annotations

import csv
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def csv_rows(path: Path, error: type[Exception]) -> Generator[csv.DictReader[str]]:
    """The rows of a file. Raises OSError, and `error`, which names the file, for what is no CSV."""
    with path.open(newline="", encoding="utf-8-sig") as file:
        rows = csv.DictReader(file)
        try:
            yield rows
        except (UnicodeDecodeError, csv.Error) as problem:
            raise error(f"{path}: this is no CSV text ({problem})") from problem
