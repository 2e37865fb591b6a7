"""Every mutant of a C source: one comparison, constant, negation or operator of it changed.

Reads tokens, not a grammar: the style of the core (blanks around what takes two operands, names of
constants in capitals) tells the rest. Only what does something is changed: bodies of functions,
values of #define and of initialisers. What then does not build is left to the compiler to say.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

_TOKEN = re.compile(
    r"""(?P<skip>/\*.*?\*/|"(?:[^"\\]|\\.)*"|'(?:[^'\\]|\\.)*'|\s+)
    |(?P<directive>^\#[ ]*\w+(?:[ ]+\w+)?(?:[ ]*["<][^">\n]*[">])?)
    |(?P<number>0[xX][0-9a-fA-F]+[uUlL]*|\d+[uUlL]*)
    |(?P<word>[A-Za-z_]\w*)
    |(?P<sign>->|<<=|>>=|<<|>>|<=|>=|==|!=|&&|\|\||\+\+|--|[-+*/|&^]=|.)""",
    re.VERBOSE | re.DOTALL | re.MULTILINE,
)
_SIGNS = {
    "<": ("<=", ">="),
    "<=": ("<", ">"),
    ">": (">=", "<="),
    ">=": (">", "<"),
    "==": ("!=",),
    "!=": ("==",),
    "&&": ("||",),
    "||": ("&&",),
    "!": ("",),
    "~": ("",),
    "++": ("--",),
    "--": ("++",),
    "+=": ("-=",),
    "-=": ("+=",),
    "+": ("-",),
    "-": ("+",),
    "*": ("/",),
    "/": ("*",),
    "<<": (">>",),
    ">>": ("<<",),
    "&": ("|",),
    "|": ("&",),
    "^": ("|",),
}
_BETWEEN_TWO = {"+", "-", "*", "/", "&", "|", "^"}
"""Of two operands, or of one where no blank follows."""
_WORDS = {
    "true": "false",
    "false": "true",
    "is_before": "is_due",  # before, or at it
    "is_due": "is_before",
}
_NO_VALUES = {"NULL", "SELDOM"}
_NUMBER = re.compile(r"(0[xX])?([0-9a-fA-F]+?)([uUlL]*)$")


@dataclass(frozen=True)
class Mutant:
    """One change. `before` and `after` are its line, without indent; `nth` of those alike."""

    file: str
    function: str
    before: str
    after: str
    nth: int
    line_number: int
    source: str

    @property
    def key(self) -> tuple[str, str, str, str, int]:
        """What names it for as long as its line is as it is."""
        return self.file, self.function, self.before, self.after, self.nth

    def __str__(self) -> str:
        where = f"{self.file}:{self.line_number} {self.function}"
        return f"{where}: {self.before}  ->  {self.after}"


@dataclass(frozen=True)
class _Token:
    kind: str
    text: str
    start: int
    function: str
    counts: bool  # it may be mutated

    @property
    def end(self) -> int:
        return self.start + len(self.text)


def _tokens(source: str) -> list[_Token]:
    """All but blanks and comments, each with the function it is in."""
    found: list[_Token] = []
    blocks: list[bool] = []  # of each open brace: does what it holds count?
    function = name = ""
    parentheses = 0
    define_ends = -1
    for match in _TOKEN.finditer(source):
        kind, text, start = str(match.lastgroup), match.group(), match.start()
        if kind == "skip":
            continue
        if kind == "directive":
            define_ends = start
            if re.match(r"#\s*define\s", text) and not source.startswith("(", match.end()):
                define_ends = source.find("\n", match.end())
            continue
        last = found[-1].text if found else ""
        if text == "(":
            if not blocks and not parentheses:
                name = last
            parentheses += 1
        elif text == ")":
            parentheses -= 1
        elif text == "{":
            if not blocks:
                function = name if last == ")" else ""
                blocks.append(last in {")", "="})
            else:
                blocks.append(blocks[-1])
        elif text == "}":
            blocks.pop()
        in_define = start < define_ends
        counts = in_define or (bool(blocks) and blocks[-1])
        where = function if blocks and not in_define else ""
        found.append(_Token(kind, text, start, where, counts))
    return found


def _more(number: str, by: int) -> str:
    match = _NUMBER.match(number)
    assert match is not None, number
    prefix, digits, suffix = match.group(1) or "", match.group(2), match.group(3)
    value = int(digits, 16 if prefix else 10) + by
    return f"{prefix}{value:X}{suffix}" if prefix else f"{value}{suffix}"


def _is_zero(number: str) -> bool:
    return int(re.sub(r"[uUlL]+$", "", number), 0) == 0


def _replacements(source: str, tokens: list[_Token], place: int) -> Iterator[str]:
    token = tokens[place]
    following = tokens[place + 1].text if place + 1 < len(tokens) else ""
    match token.kind:
        case "sign" if token.text in _SIGNS:
            if token.text not in _BETWEEN_TWO or source[token.end].isspace():
                yield from _SIGNS[token.text]
        case "number":
            yield _more(token.text, 1)
            if not _is_zero(token.text):
                yield _more(token.text, -1)
        case "word" if token.text in _WORDS:
            yield _WORDS[token.text]
        case "word" if re.fullmatch(r"[A-Z][A-Z0-9_]+", token.text):
            if token.text in _NO_VALUES or following == "(":
                return
            # One number more would only collide with the next label: this one is never met.
            is_label = tokens[place - 1].text == "case"
            yield f"{token.text} + 0x100U" if is_label else f"({token.text} + 1U)"
        case _:
            return


def _closing(tokens: list[_Token], opening: int) -> int:
    depth = 0
    for place in range(opening, len(tokens)):
        depth += {"(": 1, ")": -1}.get(tokens[place].text, 0)
        if not depth:
            return place
    raise ValueError("a parenthesis that is not closed")


def _edits(source: str) -> Iterator[tuple[_Token, list[tuple[int, int, str]]]]:
    """(where, [(from, to, new text), ...]) of each mutant."""
    tokens = _tokens(source)
    for place, token in enumerate(tokens):
        if not token.counts:
            continue
        for new in _replacements(source, tokens, place):
            yield token, [(token.start, token.end, new)]
        if token.text in {"if", "while"}:
            first, last = tokens[place + 1], tokens[_closing(tokens, place + 1)]
            yield token, [(first.start, first.start, "(!"), (last.end, last.end, ")")]


def mutants(file: str, source: str) -> list[Mutant]:
    """Every mutant of `source`, which is that of `file`."""
    seen: Counter[tuple[str, str, str]] = Counter()
    found: list[Mutant] = []
    for token, edits in _edits(source):
        changed = source
        for start, end, new in reversed(edits):
            changed = changed[:start] + new + changed[end:]
        line = source.count("\n", 0, token.start)
        before, after = (text.split("\n")[line].strip() for text in (source, changed))
        seen[token.function, before, after] += 1
        nth = seen[token.function, before, after]
        found.append(Mutant(file, token.function, before, after, nth, line + 1, changed))
    return found
