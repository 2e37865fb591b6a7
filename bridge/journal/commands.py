"""What `coilwarden journal ...` does. Exit: 0 done, 1 differs or is incomplete, 2 wrong input."""

from __future__ import annotations

import csv
import json
import sys
import time
from collections.abc import Collection, Generator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

from bridge.journal.files import SUFFIX, size_bytes
from bridge.journal.find import night, nights
from bridge.journal.lines import USUAL, Kind, lines
from bridge.journal.night import Night, Progress
from bridge.journal.reading import JournalError, UnbornError
from bridge.journal.replay import replay
from bridge.journal.story import Story
from bridge.journal.wire import WireReader

_SAY_S = 1.0


@contextmanager
def _progress(what: str) -> Generator[Progress]:
    """On standard error, once a second, where the work takes so long."""
    said_s = time.monotonic()
    said = False

    def tell(share: float) -> None:
        nonlocal said_s, said
        if time.monotonic() - said_s >= _SAY_S:
            said_s, said = time.monotonic(), True
            print(f"\r{what}: {share:4.0%}", end="", file=sys.stderr, flush=True)

    try:
        yield tell
    finally:
        if said:
            print(file=sys.stderr)


def list_nights(where: Path, *, as_json: bool) -> int:
    """Every run, the newest last. Damaged ones are named and make it end with 1."""
    rows: list[dict[str, Any]] = []
    damaged: list[str] = []
    for path in nights(where):
        try:
            one = Night(path)
        except UnbornError as error:
            print(error, file=sys.stderr)
            continue
        except JournalError as error:
            damaged.append(str(error))
            continue
        damaged += one.gaps
        rows.append(
            {
                "file": str(one.paths[0]),
                "site": one.about.get("site", ""),
                "began": one.about.get("began", ""),
                "seconds": round(one.duration_s, 1),
                "events": one.events,
                "files": len(one.paths),
                "bytes": sum(size_bytes(p) for p in one.paths),
                "version": one.about.get("version", ""),
            }
        )
    if as_json:
        print(json.dumps(rows, indent=2))
    for row in [] if as_json else rows:
        print(
            f"{row['began']}  {_duration(row['seconds'])}  {row['events']:>9} events  "
            f"{row['bytes'] / 1e6:7.1f} MB  {row['site']}\n    {row['file']}"
        )
    if not rows and not as_json:
        print(f"{where}: no journal yet")
    for line in damaged:
        print(line, file=sys.stderr)
    return 1 if damaged else 0


def _duration(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def show(
    where: Path, *, only: Collection[Kind], everything: bool, from_s: float, to_s: float
) -> int:
    """Lines for people. `from_s`, `to_s`: seconds from the run's begin."""
    one = night(where)
    wanted = frozenset(Kind) if everything else frozenset(only) or USUAL
    begin_s, end_s = one.began_s + from_s, one.began_s + to_s
    wire = WireReader()
    for gap in one.gaps:
        print(gap, file=sys.stderr)
    for event in one.read(to_s=end_s):  # from the begin: a frame may have begun before
        for at_s, kind, text in lines(event, wire):
            if kind in wanted and begin_s <= at_s <= end_s:
                since_s = at_s - one.began_s
                print(f"{one.clock(at_s)} {since_s:10.4f}  {kind.value:8}  {_one_line(text)}")
    return 1 if one.gaps else 0


def _one_line(text: str) -> str:
    """Names of devices and clients are others' words: they move no terminal's cursor."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def export(where: Path, *, output: Path | None, as_csv: bool, everything: bool) -> int:
    """Every line as CSV or JSON lines. Raises OSError, JournalError."""
    one = night(where)
    for gap in one.gaps:
        print(gap, file=sys.stderr)
    if output is None:
        _export(one, sys.stdout, as_csv=as_csv, everything=everything)
    else:
        _spare_journals(output)
        with output.open("w", newline="", encoding="utf-8", errors="backslashreplace") as file:
            count = _export(one, file, as_csv=as_csv, everything=everything)
        print(f"{count} rows written to {output}", file=sys.stderr)
    return 1 if one.gaps else 0


def _spare_journals(output: Path) -> None:
    """What is written may stand in place of anything but a record. Raises JournalError."""
    for name in (output.name, output.resolve().name):
        if name.removesuffix("-wal").removesuffix("-shm").endswith(SUFFIX):
            raise JournalError(f"{output}: is a journal, and stays one: name another file")


def _export(one: Night, file: TextIO, *, as_csv: bool, everything: bool) -> int:
    wanted = frozenset(Kind) if everything else frozenset(Kind) - {Kind.STEPS}
    rows = csv.writer(file) if as_csv else None
    if rows is not None:
        rows.writerow(("time", "seconds", "kind", "what"))
    count, wire = 0, WireReader()
    with _progress("export") as progress:
        for event in one.read(progress=progress):
            for at_s, kind, text in lines(event, wire):
                if kind not in wanted:
                    continue
                day_s = one.began_day_s + at_s - one.began_s
                since_s = round(at_s - one.began_s, 6)
                count += 1
                if rows is not None:
                    rows.writerow((f"{day_s:.6f}", since_s, kind.value, text))
                else:
                    row = {"time": day_s, "seconds": since_s, "kind": kind.value, "what": text}
                    file.write(json.dumps(row, ensure_ascii=False) + "\n")
    return count


def replay_night(where: Path, *, as_json: bool) -> int:
    """Today's program beside the journal. 0: the same to the end; 1: it differs, or unfinished."""
    one = night(where)
    if not one.from_the_start:
        raise JournalError(
            f"{one.paths[0]}: the run's first file is gone, and with it the state that everything "
            "began in: it cannot be replayed"
        )
    config = one.config()
    with _progress("replay") as progress:
        found = replay(config, one.source(config), one.latch(), one.read(progress=progress))
    gap = "; ".join(one.gaps) if found.entries else "it holds nothing to compare"
    same = found.same and not gap
    first = found.difference
    if as_json:
        print(
            json.dumps(
                {
                    "identical": same,
                    "entries": found.entries,
                    "writes": found.writes,
                    "records": found.records,
                    "stopped": found.stopped or gap,
                    "difference": None
                    if first is None
                    else {
                        "time": one.clock(first.at_s),
                        "seconds": first.at_s - one.began_s,
                        "what": first.what,
                        "recorded": first.recorded,
                        "today": first.today,
                    },
                },
                indent=2,
            )
        )
        return 0 if same else 1
    print(
        f"{found.entries} entries, {found.writes} writes and {found.records} records compared, "
        f"{_duration(max(0.0, found.ended_s - one.began_s))} of {_duration(one.duration_s)}"
    )
    if same:
        print("identical: today's program would have acted the very same")
        return 0
    if first is not None:
        print(
            f"first difference at {one.clock(first.at_s)} "
            f"({first.at_s - one.began_s:.4f} s): {first.what}\n"
            f"  recorded: {first.recorded}\n  today:    {first.today}"
        )
        if one.about.get("version"):
            print(f"  recorded by version {one.about['version']}, "
                  f"code {one.about.get('code_digest', '')[:16]}")  # fmt: skip
    elif found.stopped or gap:
        print(f"identical so far; compared no further: {found.stopped or gap}")
    return 1


def report(where: Path, *, as_json: bool, html: Path | None) -> int:
    """After the night. 1: not all of it could be read. Raises OSError, JournalError."""
    from bridge.report.night_report import night_chapters  # noqa: PLC0415  (loads matplotlib)
    from bridge.report.show import show as show_chapters  # noqa: PLC0415

    one = night(where)
    if html is not None:
        _spare_journals(html)
    config = one.config()
    story = Story(config, one.began_s)
    ended = ""
    with _progress("report") as progress:
        try:
            for event in one.read(progress=progress):
                story.take(event)
        except JournalError as error:
            ended = str(error)
    story.end(one.began_s + one.duration_s)
    chapters, data = night_chapters(one, config, story, ended)
    title = f"{one.about.get('site')}: the night of {one.about.get('began', '')[:10]}"
    show_chapters(title, chapters, data, as_json=as_json, html=html)
    for missing in (*one.gaps, *([ended] if ended else [])):
        print(missing, file=sys.stderr)
    return 1 if ended or one.gaps else 0
