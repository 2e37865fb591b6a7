"""A command's own words and keys beside the site's: one table for what is done and what is told."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class OwnWord(NamedTuple):
    """One thing that a command can be told."""

    word: str
    """On plain input, a line."""
    key: str = ""
    """On a terminal, one key; "": there is none."""
    says: str = ""
    """What the key does, in few words; "": the word says it."""
    takes: str = ""
    """What may follow the word, e.g. "BAR"."""


def find(words: Sequence[OwnWord], said: str) -> tuple[str, str]:
    """The table's word for a key or a line, and what follows it; ("", "") if it has none."""
    word, _, rest = said.strip().partition(" ")
    for own in words:
        if word == own.word or (own.key and word == own.key):
            return own.word, rest.strip()
    return "", ""


def key_help(words: Sequence[OwnWord]) -> str:
    """On a terminal: every key and what it does."""
    return " · ".join(f"{own.key} {own.says or own.word}" for own in words if own.key)


def word_help(words: Sequence[OwnWord]) -> str:
    """On plain input: every word and what follows it."""
    return ", ".join(f"{own.word} {own.takes}".strip() for own in words)


def told(words: Sequence[OwnWord], *, plain: bool) -> str:
    """What an operator is told of them, by how the site is operated."""
    return word_help(words) if plain else key_help(words)
