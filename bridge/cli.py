"""The commands, nothing else: arguments in, the right module called, exit codes out.

Exit codes: 0 done, 1 done but something was lost or refused, 2 wrong input or a port missing.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from bridge.config import Config, load_config
from bridge.config_check import check_config, config_problems, fitted, quiet_notes
from bridge.config_errors import ConfigError
from bridge.interlock import NOT_SAFE
from bridge.journal.cli import app as journal_app
from bridge.log import set_up_log
from bridge.version import VERSION

CAUTION = (
    "Tesla coils kill. This program ends or sends a signal, nothing more: it is not a safety-rated "
    f"stop. {NOT_SAFE} Wire the emergency button to the mains contactors, keep everybody behind "
    "the line, wear hearing protection, measure before you touch, and follow your local codes "
    "and licensed practice."
)
BENCH = Path(__file__).resolve().parent.parent / "configs" / "bench.toml"

app = typer.Typer(
    rich_markup_mode="markdown",
    name="coilwarden",
    help=f"Live MIDI to lawful pulse trains for musical Tesla coils.\n\n{CAUTION}",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


app.add_typer(journal_app)


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"coilwarden {VERSION}")
        raise typer.Exit


@app.callback()
def _options(  # pyright: ignore[reportUnusedFunction]  (typer calls it)
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version and end."
        ),
    ] = False,
) -> None:
    """What comes before a command."""


ConfigArgument = Annotated[Path, typer.Argument(metavar="CONFIG", help="The site's TOML file.")]
PlainOption = Annotated[
    bool,
    typer.Option(
        "--plain", help="A line for everything and one word a line as command, for scripts."
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="As JSON on standard output.")]
HtmlOption = Annotated[
    Path | None, typer.Option("--html", help="Also write one self-contained page with plots.")
]


ListenOption = Annotated[
    bool,
    typer.Option("--listen", help="Simulated coils are heard, on the usual audio device."),
]


def _fail(text: str) -> typer.Exit:
    print(text, file=sys.stderr)
    return typer.Exit(2)


def _load(path: Path) -> Config:
    try:
        config = load_config(path)
        check_config(config, str(path))
    except ConfigError as error:
        raise _fail(str(error)) from error
    return fitted(config)


def _load_unchecked(path: Path) -> Config:
    """For reports: what `serve` would refuse is printed here, not hidden behind an error."""
    try:
        config = load_config(path)
    except ConfigError as error:
        raise _fail(str(error)) from error
    for problem in config_problems(config):
        print(f"{path}: to put right before it can be played: {problem}", file=sys.stderr)
    for warning in quiet_notes(config):
        print(f"{path}: {warning}", file=sys.stderr)
    return fitted(config)


def _plain(wanted: bool) -> bool:
    return wanted or not (sys.stdin.isatty() and sys.stdout.isatty())


@app.command()
def demo(
    config: Annotated[
        Path | None,
        typer.Argument(metavar="[CONFIG]", help="A site file; its controllers are simulated."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="The summary as JSON on standard output.")
    ] = False,
    pulses: Annotated[
        Path | None,
        typer.Option(help="Write every pulse here as CSV: coil, start_us, on_time_us."),
    ] = None,
    listen: ListenOption = False,
) -> None:
    """Play our own short piece on two simulated coils and say what the pulses were.

    No hardware, no MIDI port, no sound unless --listen; takes about 25 seconds. Exit 1 if a guard
    refused a pulse.
    """
    from bridge import demo as demo_command  # noqa: PLC0415  (only this command needs it)

    set_up_log()
    path = config or BENCH
    if config is None and not BENCH.exists():
        raise _fail(f"{BENCH} is not here: give the site file to play, e.g. configs/bench.toml")
    if pulses is not None and not pulses.parent.is_dir():
        raise _fail(f"--pulses: there is no folder {pulses.parent}")
    site = _load(path)
    try:
        code = demo_command.run(site, as_json=as_json, pulses=pulses, listen=listen)
    except OSError as error:
        raise _fail(f"--pulses {pulses}: {error.strerror}") from error
    except KeyboardInterrupt:
        code = 130
    raise typer.Exit(code)


@app.command()
def rehearse(
    config: ConfigArgument,
    score: Annotated[Path, typer.Argument(metavar="SCORE.mid", help="A Standard MIDI File.")],
    *,
    as_json: JsonOption = False,
    html: HtmlOption = None,
    pulses: Annotated[
        Path | None,
        typer.Option(help="Write every pulse here as CSV: coil, start_us, on_time_us."),
    ] = None,
    wav: Annotated[
        Path | None, typer.Option(help="Write here what the coils will sound like.")
    ] = None,
    backing: Annotated[
        Path | None, typer.Option(help="Audio (WAV, FLAC, OGG) to mix into --wav.")
    ] = None,
    suggest: Annotated[
        bool, typer.Option(help="Look for channels that had better play on other coils.")
    ] = True,
) -> None:
    """What will become of a score on this site: notes lost and why, duty, energy, what to change.

    Nothing fires. The same instrument, governor and guard as live, many times faster. Exit 0 if
    all the music survives, 1 if some is lost, 2 on an error.
    """
    from bridge.rehearse import command  # noqa: PLC0415
    from bridge.show.score_file import ScoreError  # noqa: PLC0415
    from bridge.sound.wav import SoundError  # noqa: PLC0415

    site = _load(config)
    for name, path in (("--html", html), ("--pulses", pulses), ("--wav", wav)):
        if path is not None and not path.parent.is_dir():
            raise _fail(f"{name}: there is no folder {path.parent}")
    if backing is not None and wav is None:
        raise _fail("--backing: there is no --wav to mix it into; give one")
    wanted = command.Wanted(score, as_json, html, pulses, wav, backing, suggest)
    try:
        code = command.run(site, wanted)
    except (ScoreError, SoundError, command.OutputError) as error:
        raise _fail(str(error)) from error
    except KeyboardInterrupt:
        code = 130
    raise typer.Exit(code)


@app.command()
def accelerate(
    *,
    remove: Annotated[
        bool, typer.Option("--remove", help="Throw the compiled copy away again.")
    ] = False,
) -> None:
    """Make rehearsals several times faster: compile the core for them, once after each update.

    Nothing that plays live is compiled, and no rehearsal gives anything else by it: that is
    compared first. Needs a C compiler and pip install 'coilwarden[accelerate]'; without them
    everything works as before, only slower.
    """
    from bridge.compiled import build  # noqa: PLC0415

    try:
        build.run(remove=remove)
    except build.AccelerateError as error:
        raise _fail(str(error)) from error


@app.command()
def serve(config: ConfigArgument, plain: PlainOption = False, listen: ListenOption = False) -> None:
    """Run a site: MIDI in, controllers out, until stopped.

    On a terminal the space bar stops; arming takes two acts (a, then y). SIGINT, SIGTERM, SIGQUIT
    and a closed terminal stop first, then leave. Silent is not safe to approach: bus charged,
    mains on.
    """
    from bridge import serve as serve_command  # noqa: PLC0415

    set_up_log()
    raise typer.Exit(serve_command.run(_load(config), plain=_plain(plain), listen=listen))


@app.command()
def stop(config: ConfigArgument) -> None:
    """Stop a running daemon of this site, from another shell.

    Exit 0: every connected controller confirmed; 1: not all did; 2: no daemon could be told. Silent
    is not safe to approach: bus charged, mains on. The emergency button is quicker and surer.
    """
    from bridge.stops import stop_command  # noqa: PLC0415

    # Whatever else is wrong with the site file, a stop needs no more of it than its name.
    raise typer.Exit(stop_command.run(config))


@app.command("prove-stop")
def prove_stop(config: ConfigArgument, plain: PlainOption = False) -> None:
    """Walk through pressing every stop of a site, with the mains off: each is timed and recorded.

    A stop is proven today once it was pressed while armed and every controller went dark. With
    require_todays_proof in the site file, arming needs it. Exit 0: all proven.
    """
    from bridge.stops import prove  # noqa: PLC0415

    set_up_log()
    raise typer.Exit(prove.run(_load(config), plain=_plain(plain)))


@app.command()
def show(
    config: ConfigArgument,
    show_file: Annotated[Path, typer.Argument(metavar="SHOW", help="The cue list's TOML file.")],
    plain: PlainOption = False,
) -> None:
    """Play a cue list: scores on the coils, in time with their backing audio or with a DAW.

    Keys and stops as with serve. A trip stops the coils at once and keeps the place: reset, arm, go
    on at a bar. Silent is not safe to approach: bus charged, mains on.
    """
    from bridge.show import perform  # noqa: PLC0415
    from bridge.show import show_file as cue_list  # noqa: PLC0415

    set_up_log()
    site = _load(config)
    try:
        loaded = cue_list.load_show(show_file, site)
    except ConfigError as error:
        raise _fail(str(error)) from error
    raise typer.Exit(perform.run(site, loaded, plain=_plain(plain)))


@app.command()
def bang(
    config: ConfigArgument,
    coil: Annotated[str, typer.Argument(metavar="COIL", help="The coil's name in the site file.")],
    count: Annotated[int, typer.Option(min=1, max=255, help="Bangs fired by each f.")] = 1,
    rate: Annotated[
        float, typer.Option(min=1.0, max=500.0, help="Bangs a second, for f and for holding.")
    ] = 5.0,
    plain: PlainOption = False,
) -> None:
    """Fire single bangs or a fixed rate while a key is held: commissioning, scope, sound check.

    Starts at the shortest pulse that breaks out; each step up is a fresh press of + (held down it
    counts once). Goes through the same governor, interlock and guard as music. First time: bus off,
    fibre identified by its light; then the driver's own over-current trip tested; only then the
    shortest bang.
    """
    from bridge import bang as bang_command  # noqa: PLC0415

    set_up_log()
    site = _load(config)
    names = [c.name for c in site.coil]
    if coil not in names:
        raise _fail(f"{config}: there is no coil {coil!r}; there are: {', '.join(names)}")
    code = bang_command.run(site, coil, count=count, break_rate_hz=rate, plain=_plain(plain))
    raise typer.Exit(code)


@app.command()
def click(
    config: ConfigArgument,
    device: Annotated[
        str | None, typer.Option(metavar="NAME", help="Part of the audio device's name.")
    ] = None,
    plain: PlainOption = False,
) -> None:
    """Fire one bang against an audio click, coil by coil, and tell the DAW's track delay.

    Armed as for bang, in two steps; each f fires one bang at the shortest pulse that breaks out,
    to be heard in the audience's middle together with the click. Trim it by ear. Exit 1: no audio.
    Silent is not safe to approach: bus charged, mains on.
    """
    from bridge import click as click_command  # noqa: PLC0415

    set_up_log()
    raise typer.Exit(click_command.run(_load(config), device=device, plain=_plain(plain)))


@app.command()
def commission(  # noqa: PLR0917
    config: ConfigArgument,
    coil: Annotated[str, typer.Argument(metavar="COIL", help="The coil's name in the site file.")],
    readings: Annotated[
        Path | None, typer.Option(help="Where the readings go (CSV for coil --fit).")
    ] = None,
    rate: Annotated[float, typer.Option(min=1.0, max=20.0, help="Bangs a second, held.")] = 2.0,
    no_arc: Annotated[
        bool, typer.Option("--no-arc", help="The readings are taken without breakout.")
    ] = False,
    plain: PlainOption = False,
) -> None:
    """Walk through bringing up a new coil: ordered steps made from its own numbers.

    Fibre and stops with the bus off, the driver's own over-current trip, then from the shortest
    pulse upward with a reading at each step; ends with a fit of the readings. What halts the walk,
    a reading beyond the numbers or x, stops the site as well.
    """
    from bridge import commission as commission_command  # noqa: PLC0415

    set_up_log()
    site = _load(config)
    names = [c.name for c in site.coil]
    if coil not in names:
        raise _fail(f"{config}: there is no coil {coil!r}; there are: {', '.join(names)}")
    path = readings or Path(f"readings-{coil.replace(' ', '-')}.csv")
    if not path.parent.is_dir():
        raise _fail(f"--readings: there is no folder {path.parent}")
    code = commission_command.run(
        site, coil, break_rate_hz=rate, with_arc=not no_arc, readings=path, plain=_plain(plain)
    )
    raise typer.Exit(code)


@app.command(name="coil")
def coil_report(  # noqa: PLR0917
    config: Annotated[
        Path | None, typer.Argument(metavar="[CONFIG]", help="The site's TOML file.")
    ] = None,
    fit: Annotated[
        Path | None,
        typer.Option(
            help="Fit effective inductance and loss to readings: a CSV of on_time_us, "
            "peak_current_a and breakout (yes or no)."
        ),
    ] = None,
    name: Annotated[
        str | None, typer.Option(help="The coil the readings are of, where there are several.")
    ] = None,
    bus_voltage: Annotated[
        float | None, typer.Option(min=1.0, help="Volts the readings were taken at.")
    ] = None,
    bridge: Annotated[Literal["full", "half"], typer.Option(help="With --bus-voltage.")] = "full",
    as_json: JsonOption = False,
    html: HtmlOption = None,
) -> None:
    """What coils and their supplies can take: current, energy, lawful on-times.

    Guidance that defers to local codes, licensed practice and your own measurements.
    """
    from bridge.coil.fit import FitError  # noqa: PLC0415
    from bridge.report import coil_command  # noqa: PLC0415

    if config is None and fit is None:
        raise _fail("give a site file, or --fit readings.csv with --bus-voltage")
    site = None if config is None else _load_unchecked(config)
    try:
        if fit is None:
            assert site is not None
            raise typer.Exit(coil_command.report(site, as_json=as_json, html=html))
        coil = None
        if site is not None:
            wanted = name or (site.coil[0].name if len(site.coil) == 1 else "")
            coil = next((c for c in site.coil if c.name == wanted), None)
            if coil is None:
                names = ", ".join(c.name for c in site.coil)
                raise _fail(f"--name: whose readings are they? There are: {names}")
        code = coil_command.fit_report(
            fit, coil=coil, bus_voltage_v=bus_voltage, bridge=bridge, as_json=as_json, html=html
        )
    except (FitError, ValueError) as error:
        raise _fail(f"--fit: {error}") from error
    except OSError as error:
        raise _fail(f"{error.filename}: {error.strerror}") from error
    raise typer.Exit(code)


@app.command(name="site")
def site_report(
    config: ConfigArgument,
    played: Annotated[
        Path | None,
        typer.Option(
            "--set", help="A set's pulses (CSV as of demo --pulses): the dose of that very set."
        ),
    ] = None,
    as_json: JsonOption = False,
    html: HtmlOption = None,
) -> None:
    """A site's distances, delays, mains, sound levels, noise dose and cautions.

    Guidance that defers to local codes, licensed practice and your own measurements.
    """
    from bridge.report import site_command  # noqa: PLC0415
    from bridge.site.played_set import SetError  # noqa: PLC0415

    site = _load_unchecked(config)
    try:
        code = site_command.report(site, played=played, as_json=as_json, html=html)
    except SetError as error:
        raise _fail(f"--set: {error}") from error
    except OSError as error:
        raise _fail(f"{error.filename}: {error.strerror}") from error
    raise typer.Exit(code)


@app.command()
def simulate(  # noqa: PLR0917  (each is an option, none is positional)
    link: Annotated[
        Path, typer.Option(help="Symbolic link that leads to the board's serial port (a pty).")
    ] = Path("/tmp/coilwarden-board"),
    board_id: Annotated[
        str, typer.Option(help="Eight hexadecimal digits, as in the site file.")
    ] = "c0110001",
    baud: Annotated[int, typer.Option(min=115_200, max=4_000_000)] = 500_000,
    clock_error_ppm: Annotated[float, typer.Option(min=-6000.0, max=6000.0)] = 0.0,
    horn_ms: Annotated[int, typer.Option(min=0, max=10_000)] = 1500,
    memory: Annotated[
        Path | None, typer.Option(help="Keep the board's trip memory in this file.")
    ] = None,
    pulses: Annotated[
        Path | None, typer.Option(help="Append every pulse as CSV: output, start_us, on_time_us.")
    ] = None,
    loss: Annotated[float, typer.Option(min=0.0, max=1.0, help="Share of frames lost.")] = 0.0,
    bursts: Annotated[
        float, typer.Option(min=0.0, max=1.0, help="Chance that a byte during a bang is spoiled.")
    ] = 0.0,
    seed: Annotated[int, typer.Option(help="Seed of the line noise.")] = 1,
    listen: ListenOption = False,
    plain: PlainOption = False,
) -> None:
    """A simulated controller by itself on a pty, so that serve talks to it as to hardware.

    Keys press its emergency stop, turn its key switch and restart it.
    """
    from bridge import simulate as simulate_command  # noqa: PLC0415

    set_up_log()
    settings = simulate_command.Settings(
        link=link,
        board_id=board_id,
        baud=baud,
        clock_error_ppm=clock_error_ppm,
        horn_ms=horn_ms,
        memory=memory,
        pulses=pulses,
        loss=loss,
        bursts=bursts,
        seed=seed,
        listen=listen,
    )
    try:
        code = simulate_command.run(settings, plain=_plain(plain))
    except simulate_command.SettingsError as error:
        raise _fail(str(error)) from error
    raise typer.Exit(code)


@app.command()
def ports() -> None:
    """List MIDI ports and serial ports, and say whether virtual MIDI ports are possible here."""
    from bridge import ports as ports_command  # noqa: PLC0415

    raise typer.Exit(ports_command.run())


def main() -> None:
    """The console command."""
    app()
