"""`coilwarden journal`: arguments in, `commands` called, exit codes out."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from bridge.journal.lines import Kind

app = typer.Typer(
    rich_markup_mode="markdown",
    name="journal",
    help="The record of every run: list, show, report, export, replay.",
    no_args_is_help=True,
)
Where = Annotated[
    Path,
    typer.Argument(
        metavar="JOURNAL|CONFIG",
        help="A .journal file; or a site file or a folder, for its newest run.",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON on standard output.")]


def _run(work: Callable[[], int]) -> typer.Exit:
    from bridge.journal.reading import JournalError  # noqa: PLC0415

    out: object = sys.stdout
    if isinstance(out, io.TextIOWrapper):  # a terminal that has no ♯, a name that is no text
        out.reconfigure(errors="backslashreplace")
    try:
        return typer.Exit(work())
    except JournalError as error:
        print(error, file=sys.stderr)
        return typer.Exit(2)
    except BrokenPipeError:  # into `head`, which has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return typer.Exit(0)
    except OSError as error:
        print(f"{error.filename or 'journal'}: {error.strerror}", file=sys.stderr)
        return typer.Exit(2)


@app.command(name="list")
def list_command(
    where: Annotated[
        Path, typer.Argument(metavar="CONFIG|FOLDER", help="A site file, or a folder of journals.")
    ],
    as_json: AsJson = False,
) -> None:
    """Every run that was recorded, the newest last."""
    from bridge.journal import commands  # noqa: PLC0415

    raise _run(lambda: commands.list_nights(where, as_json=as_json))


@app.command()
def show(
    where: Where,
    only: Annotated[
        list[Kind] | None, typer.Option(help="Only this kind of line; may be given again.")
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Frames, statuses, clocks and timers too.")
    ] = False,
    start: Annotated[float, typer.Option("--from", help="Seconds from the run's begin.")] = 0.0,
    end: Annotated[float, typer.Option("--to", help="Seconds from the run's begin.")] = 1e9,
) -> None:
    """What happened, line by line: music, acts, trips, what was held back."""
    from bridge.journal import commands  # noqa: PLC0415

    raise _run(
        lambda: commands.show(where, only=only or (), everything=everything, from_s=start, to_s=end)
    )


@app.command()
def report(
    where: Where,
    as_json: AsJson = False,
    html: Annotated[
        Path | None, typer.Option("--html", help="Also write one self-contained page with plots.")
    ] = None,
) -> None:
    """After the night: what was played, energy, bangs, limits, trips, dose, suggestions."""
    from bridge.journal import commands  # noqa: PLC0415

    raise _run(lambda: commands.report(where, as_json=as_json, html=html))


@app.command()
def export(
    where: Where,
    output: Annotated[
        Path | None, typer.Option("--output", help="A file; else standard output.")
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="CSV instead of JSON lines.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="The daemon's timers too.")] = False,
) -> None:
    """Every event as JSON lines or CSV, with its time."""
    from bridge.journal import commands  # noqa: PLC0415

    raise _run(lambda: commands.export(where, output=output, as_csv=as_csv, everything=everything))


@app.command()
def replay(where: Where, as_json: AsJson = False) -> None:
    """Put a run through today's program: identical, or the first difference. Exit 1: it differs."""
    from bridge.journal import commands  # noqa: PLC0415

    raise _run(lambda: commands.replay_night(where, as_json=as_json))
