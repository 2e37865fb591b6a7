"""The operator's words → acts, with arming as a deliberate two-step act. Pure.

Used by the terminal (single keys) and by plain standard input (whole words) alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from bridge.interlock import NOT_SAFE, State
from bridge.own_words import OwnWord, word_help

CONFIRM_AFTER_S = 0.4
"""A confirmation sooner than this was typed or pasted in passing, not meant."""
CONFIRM_WITHIN_S = 5.0
QUESTION = (
    "ARM? Is everybody behind the line, hearing protection on, the emergency button in reach? "
    f"Confirm within {CONFIRM_WITHIN_S:.0f} s (key y, word confirm)."
)


class Command(Enum):
    """What the operator can say. The space bar and "stop" are the same thing."""

    STOP = "stop"
    ARM = "arm"
    CONFIRM = "confirm"
    DISARM = "disarm"
    HUSH = "hush"
    RESET = "reset"
    STATUS = "status"
    QUIT = "quit"


KEYS: dict[str, Command] = {
    " ": Command.STOP,
    "\x1b": Command.STOP,
    "a": Command.ARM,
    "y": Command.CONFIRM,
    "d": Command.DISARM,
    "h": Command.HUSH,
    "r": Command.RESET,
    "q": Command.QUIT,
    "\x03": Command.QUIT,
    "\x1c": Command.QUIT,  # Ctrl-\, which elsewhere kills
}
KEY_HELP = "space STOP · a then y to arm · d disarm · h hush · r reset · q stop and leave"


@dataclass(frozen=True, slots=True)
class Answer:
    """What follows from a command: the act to do (None: none) and a line to show."""

    act: Command | None
    text: str


class Console:
    """Remembers whether arming was asked for."""

    def __init__(self, own_words: Sequence[OwnWord] = ()) -> None:
        """own_words: what else may be said here, taken before it comes to this."""
        self._words = ", ".join(c.value for c in Command)
        if own_words:
            self._words = f"{word_help(own_words)}, {self._words}"
        self._arm_asked_s: float | None = None

    def take_back(self) -> bool:
        """Forgets a request to arm; True if there was one."""
        asked, self._arm_asked_s = self._arm_asked_s, None
        return asked is not None

    def question(self, now_s: float) -> str:
        """The question that waits for an answer now; "" when there is none."""
        asked = self._arm_asked_s
        return "" if asked is None or now_s - asked > CONFIRM_WITHIN_S else QUESTION

    def say(
        self, now_s: float, command: Command, state: State, open_conditions: Sequence[str]
    ) -> Answer:
        """One command, in the site's present state. Anything but a confirmation in time takes the
        request to arm back."""
        asked, self._arm_asked_s = self._arm_asked_s, None
        match command:
            case Command.ARM:
                return self._ask(now_s, state, open_conditions)
            case Command.CONFIRM:
                return _confirm(now_s, asked)
            case Command.DISARM if state is State.LOCKED:
                return Answer(None, f"locked already. {NOT_SAFE}")
            case Command.DISARM if state is State.TRIPPED:
                return Answer(None, f"tripped: it takes a reset, not a disarm. {NOT_SAFE}")
            case Command.RESET if state is State.LOCKED:
                return Answer(None, f"locked, and no trip to reset. {NOT_SAFE}")
            case Command.RESET if state in (State.ARMING, State.ARMED):
                return Answer(None, f"{state.value}: no trip to reset; disarm or stop instead")
            case _:
                return Answer(command, command.value)

    def _ask(self, now_s: float, state: State, open_conditions: Sequence[str]) -> Answer:
        if state in (State.ARMING, State.ARMED):
            return Answer(None, f"already {state.value}")
        if open_conditions:
            return Answer(None, f"not yet: {' · '.join(open_conditions)} {NOT_SAFE}")
        self._arm_asked_s = now_s
        return Answer(None, QUESTION)

    def key(
        self, now_s: float, key: str, state: State, open_conditions: Sequence[str]
    ) -> Answer | None:
        """One key press; None for a key without meaning, which also takes a request back."""
        command = KEYS.get(key.lower() if key.isalpha() else key)
        if command is not None:
            return self.say(now_s, command, state, open_conditions)
        return Answer(None, "arming taken back") if self.take_back() else None

    def word(self, now_s: float, word: str, state: State, open_conditions: Sequence[str]) -> Answer:
        """One line of plain input."""
        try:
            command = Command(word.strip().lower())
        except ValueError:
            back = "; arming taken back" if self.take_back() else ""
            return Answer(None, f"{word.strip()!r} is no command; there are: {self._words}{back}")
        return self.say(now_s, command, state, open_conditions)


def _confirm(now_s: float, asked_s: float | None) -> Answer:
    if asked_s is None:
        return Answer(None, "nothing to confirm: ask to arm first")
    if now_s - asked_s < CONFIRM_AFTER_S:
        return Answer(None, "too quick: ask again, read, then confirm")
    if now_s - asked_s > CONFIRM_WITHIN_S:
        return Answer(None, "too late: ask to arm again")
    return Answer(Command.ARM, "arming")
