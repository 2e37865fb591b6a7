"""Files of TOML, read and checked; pydantic's complaints about them → sentences: key path, value,
what is allowed.

List positions count from 1, as people count their coils.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar, cast

from pydantic import BaseModel, ValidationError

_LONGEST_SHOWN = 80
_PLAIN = {
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "string_type": 'must be text in quotes ("…")',
    "path_type": 'must be a path in quotes ("…")',
    "model_type": "must be a table of keys",
    "bool_type": "must be true or false",
}
_TABLE_LISTS = {"controller", "coil", "input", "routes", "stop", "item"}
"""Lists that are written as [[…]] sections."""
_PATTERNS = {
    r"^[0-9a-fA-F]{8}$": "must be eight hexadecimal digits",
    r"^[a-z0-9-]{1,40}$": "must be 1 to 40 small letters, digits and -",
    r"^[\w .,'()-]+$": "may hold letters, digits, spaces and _ . , ' ( ) - only",
}


Model = TypeVar("Model", bound=BaseModel)


class ConfigError(Exception):
    """A configuration that cannot be used; its text names file, key, value and remedy."""


def read_text(path: Path) -> str:
    """The file's text. Raises ConfigError."""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not UTF-8 text (byte {error.start})") from error


def parse(text: str, source: str, model: type[Model]) -> Model:
    """What the TOML in `text` says. Raises ConfigError, which names `source` and each bad key."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{source}: not valid TOML: {error}") from error
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise to_put_right(source, explain(error, model, data)) from error


def to_put_right(source: str, sentences: Sequence[str]) -> ConfigError:
    """An error of one sentence a line."""
    many = "things" if len(sentences) > 1 else "thing"
    lines = [f"{source}: {len(sentences)} {many} to put right:", *sentences]
    return ConfigError("\n  ".join(lines))


def explain(error: ValidationError, model: type[BaseModel], data: Mapping[str, Any]) -> list[str]:
    """One sentence for each thing to put right in `data`, which `model` refused."""
    items = error.errors()
    places = [item["loc"] for item in items]
    sentences: list[str] = []
    for item in items:
        place, kind = item["loc"], item["type"]
        inner = any(len(p) > len(place) and p[: len(place)] == place for p in places)
        if kind == "too_short" and inner:
            continue  # only short because its items were refused: they have their own sentences
        if not place:  # a check over the whole file: its sentences carry their own key paths
            sentences += item["msg"].removeprefix("Value error, ").split("\n")
            continue
        where = key_path(place) + _of(place, data)
        if kind == "extra_forbidden":
            known = ", ".join(_known_keys(place, model))
            sentences.append(f"{where}: unknown key; allowed here: {known}")
        elif kind == "missing":
            sentences.append(f"{where}: missing; this key is required")
        else:
            message = _message(kind, place, item["msg"], item.get("ctx", {}))
            sentences.append(f"{where}: {message}{_found(item['input'])}")
    return sentences


def key_path(place: Sequence[int | str]) -> str:
    """("coil", 1, "duty_windows", 0) → coil[2].duty_windows[1]."""
    path = ""
    for part in place:
        path += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if path else part
    return path


def _message(kind: str, place: Sequence[int | str], message: str, context: dict[str, Any]) -> str:
    if kind == "tuple_type":
        last = place[-1]
        return f"must be a list: write [[{last}]]" if last in _TABLE_LISTS else "must be a list […]"
    if kind == "string_pattern_mismatch" and context.get("pattern") in _PATTERNS:
        return _PATTERNS[context["pattern"]]
    for pydantic_words, ours in (
        ("Value error, ", ""),
        ("Input should", "must"),
        ("String should", "must"),
        ("Tuple should", "must"),
        (" after validation", ""),
    ):
        message = message.replace(pydantic_words, ours)
    return _PLAIN.get(kind, message)


def _found(value: object) -> str:
    if isinstance(value, dict):
        return ""
    shown = repr(value)
    return f" (found {shown if len(shown) <= _LONGEST_SHOWN else shown[:_LONGEST_SHOWN] + '…'})"


def _of(place: Sequence[int | str], data: Mapping[str, Any]) -> str:
    """The name of the coil, controller or input that the place lies in, where it has one."""
    if len(place) < 2:
        return ""
    try:
        name = data[cast(str, place[0])][place[1]]["name"]
    except (KeyError, IndexError, TypeError):
        return ""
    return f' (of "{name}")' if isinstance(name, str) else ""


def _known_keys(place: Sequence[int | str], model: Any) -> list[str]:
    for part in place[:-1]:
        if isinstance(part, str):
            annotation = model.model_fields[part].annotation
            model = next(iter(getattr(annotation, "__args__", ())), annotation)
    return sorted(model.model_fields)
