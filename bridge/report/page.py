"""One self-contained page: our own look, no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

_LOOK = """
:root{color-scheme:light}body{font:15px/1.5 system-ui,sans-serif;color:#1d2226;background:#f7f4ef;
margin:0}main{max-width:62rem;margin:0 auto;padding:2rem 1.2rem 4rem}h1{font-size:1.6rem;
border-bottom:3px solid #a4552a;padding-bottom:.3rem}h2{font-size:1.15rem;margin-top:2.2rem}
table{border-collapse:collapse;margin:.7rem 0;background:#fff;display:block;
overflow-x:auto;width:fit-content;max-width:100%}
th,td{padding:.25rem .7rem;border-bottom:1px solid #d9d4cc;text-align:right;white-space:nowrap}
th{background:#ece6dc;font-weight:600;white-space:normal;vertical-align:bottom}
td:first-child,th:first-child{text-align:left}td.long{white-space:normal;min-width:11rem}
.note{border-left:4px solid #b8860b;background:#fff8e1;padding:.5rem .9rem;margin:.7rem 0}
figure{margin:1rem 0;background:#fff;padding:.6rem;overflow-x:auto}
figure svg{max-width:100%;height:auto}@media(max-width:46rem){figure svg{max-width:none}}
pre{background:#fff;padding:.6rem .9rem;overflow-x:auto}
dt{font-weight:600;margin-top:.5rem}dd{margin:0}
h1,h2,p,dt,dd,figcaption{overflow-wrap:anywhere}
"""


@dataclass(frozen=True, slots=True)
class Table:
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True)
class Note:
    """Something that must not be overlooked."""

    text: str


@dataclass(frozen=True, slots=True)
class Picture:
    """SVG of our own making, put in as it is."""

    svg: str
    words: str
    """What it shows, for those who cannot see it."""


@dataclass(frozen=True, slots=True)
class Terms:
    pairs: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Lines:
    """To be copied as they are."""

    lines: Sequence[str]


Part = str | Table | Note | Picture | Terms | Lines
Chapter = tuple[str, Sequence[Part]]


_LONG = 24


def _cell(text: str) -> str:
    """One that is long may be broken, so that a table is no wider than the page."""
    return f"<td{' class=long' if len(text) > _LONG else ''}>{escape(text)}</td>"


def _part(part: Part) -> str:
    match part:
        case str():
            return f"<p>{escape(part)}</p>"
        case Note(text):
            return f'<p class="note">{escape(text)}</p>'
        case Picture(svg, words):
            label = f'<figure tabindex="0" role="img" aria-label="{escape(words, quote=True)}">'
            return f"{label}{svg}<figcaption>{escape(words)}</figcaption></figure>"
        case Terms(pairs):
            terms = "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in pairs)
            return f"<dl>{terms}</dl>"
        case Lines(lines):
            return f'<pre tabindex="0">{escape(chr(10).join(lines))}</pre>'
        case Table(headings, rows):
            head = "".join(f"<th>{escape(h)}</th>" for h in headings)
            body = "".join(f"<tr>{''.join(map(_cell, row))}</tr>" for row in rows)
            whole = f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody>"
            return f'<table tabindex="0">{whole}</table>'


def page(title: str, chapters: Sequence[Chapter]) -> str:
    """The whole page as HTML text."""
    body = "".join(
        f"<section><h2>{escape(name)}</h2>{''.join(map(_part, parts))}</section>"
        for name, parts in chapters
    )
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<style>{_LOOK}</style></head><body><main><h1>{escape(title)}</h1>{body}</main></body>"
        "</html>\n"
    )
