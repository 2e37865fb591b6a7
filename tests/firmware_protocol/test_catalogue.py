"""The tables of PROTOCOL.md and the enums of the code are the same tables."""

from __future__ import annotations

import re
from enum import IntEnum
from pathlib import Path

import pytest

import firmware_protocol
from firmware_protocol.catalogue import Cause, GuardReason, Reason, State
from firmware_protocol.messages import CONTROLLER_MESSAGES, HOST_MESSAGES

PAGE = (Path(firmware_protocol.__file__).parent / "PROTOCOL.md").read_text(encoding="utf-8")

CAUSE_WORDS = {
    Cause.ESTOP_OPEN: "e-stop input opened",
    Cause.ESTOP_DISAGREE: "inputs disagreed",
    Cause.KEY_OFF: "key turned off",
    Cause.LOCAL_STOP: "local stop",
    Cause.HOST_STOP: "stop frame",
    Cause.LINE_BREAK: "break on the line",
    Cause.LEASE_EXPIRED: "lease expired",
    Cause.WRONG_SESSION: "wrong session",
    Cause.SETUP_WHILE_ARMED: "hello or limits while armed",
    Cause.GUARD_REFUSALS: "refused by the guard",
    Cause.PIN_MISMATCH: "pin read-back",
    Cause.WATCHDOG_RESET: "watchdog",
    Cause.BROWN_OUT: "brown-out",
    Cause.RESET_WHILE_ARMED: "reset while armed",
    Cause.NOT_READY: "lost its ready input",
    Cause.INTERNAL_FAULT: "impossible",
}
GUARD_WORDS = {
    GuardReason.ON_TIME: "on-time",
    GuardReason.OFF_TIME: "off-time",
    GuardReason.RATE: "rate",
    GuardReason.DUTY_1S: "duty, 1 s",
    GuardReason.DUTY_SECOND: "duty, second and third window",
    GuardReason.DUTY_THIRD: "duty, second and third window",
}


def table(section: str) -> dict[int, str]:
    """number → text of the numbered table in a section of the page ("5, 6" is two rows)."""
    body = re.split(r"^## ", PAGE, flags=re.MULTILINE)[int(section)]
    rows: dict[int, str] = {}
    for numbers, text in re.findall(r"^\| ([\d, ]+) \| ([^|]*) \|", body, flags=re.MULTILINE):
        for number in numbers.split(","):
            assert int(number) not in rows, f"section {section} has {number} twice"
            rows[int(number)] = text.strip()
    return rows


def plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", " ", name.lower())


@pytest.mark.parametrize(
    ("section", "kind"), [("4", State), ("10", Reason)], ids=["states", "reasons"]
)
def test_names_are_those_of_the_page(section: str, kind: type[IntEnum]) -> None:
    page = {number: plain(text) for number, text in table(section).items()}
    code = {int(member): plain(member.name) for member in kind}
    assert {n: _words(t) for n, t in page.items()} == {n: _words(t) for n, t in code.items()}


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split()) - {"is", "e", "stop", "estop", "number"}


@pytest.mark.parametrize(
    ("section", "words", "kind"), [("5", CAUSE_WORDS, Cause), ("9", GUARD_WORDS, GuardReason)]
)
def test_numbers_are_those_of_the_page(
    section: str, words: dict[IntEnum, str], kind: type[IntEnum]
) -> None:
    page = table(section)
    assert set(page) == {int(member) for member in kind if member}
    for member, phrase in words.items():
        assert phrase in page[int(member)], f"{member!r}: {page[int(member)]}"


def test_message_types_are_those_of_the_page() -> None:
    rows = re.findall(r"^\| 0x([0-9A-F]{2}) \| ([a-z ]+) \| (host →|→ host) \|", PAGE, re.MULTILINE)
    page = {int(code, 16): (name.replace(" ", ""), way) for code, name, way in rows}
    code = {t: (m.__name__.lower(), "host →") for t, m in HOST_MESSAGES.items()}
    code |= {t: (m.__name__.lower(), "→ host") for t, m in CONTROLLER_MESSAGES.items()}
    assert page == code
