"""The live picture of a site. What must be seen stands first: a small terminal cuts the foot."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from bridge.interlock import State
from bridge.view import SiteView

# IEC 60073: red danger, yellow abnormal, blue action required, white neutral; never colour alone.
# Armed is the dangerous state. Locked and tripped are never green: the bus stays charged.
STATE_LOOK = {
    State.LOCKED: ("white", "□ LOCKED"),
    State.ARMING: ("yellow", "◇ ARMING"),
    State.ARMED: ("bold red", "⚠ ARMED"),
    State.TRIPPED: ("bold yellow", "▲ TRIPPED"),
}
OLDER_LINES = 6


def picture(view: SiteView, lines: Sequence[str], help_line: str, question: str = "") -> Group:
    """The picture, for any width. `question`: what waits for the operator's answer, or ""."""
    style, word = STATE_LOOK[State(view.state)]
    head = Text(f" {word} ", style=f"{style} reverse")
    head.append(f"  {view.site}", style="bold")
    parts: list[Text | Table | Panel] = [head, Text(help_line, style="reverse")]
    if question:
        parts.append(Text(question, style="bold blue"))
    newest = lines[-1] if lines else ""
    if newest and not (question and newest.endswith(question)):
        parts.append(Text(newest))
    if view.caution:
        parts.append(Text(view.caution, style="yellow"))
    if view.state == State.ARMING.value:
        parts.append(Text("the horn sounds: coils go live in a moment. Space STOPS.", style="bold"))
    elif view.state == State.LOCKED.value and not view.open_conditions:
        parts.append(Text("ready to arm: press a, read, then y", style="blue"))
    if (show := view.show) is not None:
        parts.append(Text(show.line(), style="bold"))
    if view.trip:
        parts.append(Panel(Text(f"{view.trip}\n{view.remedy}"), title="tripped", style="yellow"))
    if view.open_conditions:
        todo = Text("before arming:", style="blue")
        for condition in view.open_conditions:
            todo.append(f"\n  ○ {condition}")
        parts.append(todo)
    parts += [_coils(view), _links(view)]
    if view.inputs:
        parts.append(_inputs(view))
    for remark in view.remarks:
        parts.append(Text(f"note: {remark}", style="dim"))
    if older := lines[-1 - OLDER_LINES : -1]:
        parts.append(Text("\n".join(older), style="dim"))
    return Group(*parts)


def _table(*headings: str) -> Table:
    table = Table(expand=True, box=None, header_style="underline", padding=(0, 1, 0, 0))
    for heading in headings:
        table.add_column(heading)
    return table


def _row(table: Table, *cells: str) -> None:
    # As Text: what comes from outside (a port's name, an error) is no markup.
    table.add_row(*(Text(cell) for cell in cells))


def _coils(view: SiteView) -> Table:
    table = _table("coil", "sounding", "limits in use", "held back")
    for coil in view.coils:
        _row(
            table,
            coil.name,
            "  ".join(f"{r:.1f} Hz {o:.0f} µs" for r, o in coil.voices) or "·",
            "  ".join(f"{n} {v:.0%}" for n, v in coil.meters.items()),
            "; ".join(coil.held_back),
        )
    return table


def _links(view: SiteView) -> Table:
    table = _table("controller", "link", "status", "clock", "receive errors", "guard", "pulses")
    for link in view.links:
        _row(
            table,
            link.name,
            link.text,
            "–" if link.status_age_ms is None else f"{link.status_age_ms:.0f} ms",
            "–" if link.clock_ppm is None else f"{link.clock_ppm:+.0f} ppm",
            f"{link.bad_frames} ({link.line_errors_in_bangs} in bangs)",
            f"{link.guard_refusals} refused",
            f"{link.pulses} ({link.collisions_dropped} collided)",
        )
    return table


def _inputs(view: SiteView) -> Table:
    table = _table("MIDI input", "state", "messages", "note")
    for one in view.inputs:
        dropped = f" ({one.dropped} dropped)" if one.dropped else ""
        count = view.midi_messages.get(one.name, 0)
        _row(table, one.name, one.state, f"{count}{dropped}", one.note)
    return table
