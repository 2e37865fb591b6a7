"""Who may arm from the panel: the operators' tokens, in a file of their owner's alone.

One `name: token` a line. Where the site file names no token_file, one with a single token is made
in the state directory. A token is never said, logged or put into an address; its path is.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
from collections.abc import Mapping
from pathlib import Path

from bridge.config import Config
from bridge.latch_store import state_directory

LEAST_LENGTH = 20
_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"
"""Nothing that is read as something else."""
_NAME = re.compile(r"[\w .,'()-]{1,40}")


class TokenError(Exception):
    """A token file that must not be used; says which and what to do."""


def token_path(config: Config) -> Path:
    return config.panel.token_file or state_directory(config) / "panel-tokens"


def make_token() -> str:
    """24 characters, 118 bits, in groups of four."""
    letters = [secrets.choice(_ALPHABET) for _ in range(24)]
    return "-".join("".join(letters[i : i + 4]) for i in range(0, 24, 4))


def load_tokens(path: Path, *, make: bool) -> dict[str, str]:
    """Name → token. `make`: a file that is not there is made. Raises TokenError."""
    try:
        if make and not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                file.write(f"operator: {make_token()}\n")
        if path.stat().st_mode & 0o077:
            raise TokenError(f"{path}: others may read or change it: chmod 600 {path}")
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise TokenError(f"{path}: the operators' tokens cannot be read: {reason}") from error
    return parse_tokens(text, str(path))


def parse_tokens(text: str, source: str) -> dict[str, str]:
    """Raises TokenError, which never holds a token."""
    tokens: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        name, colon, token = (part.strip() for part in line.partition(":"))
        where = f"{source}, line {number}"
        if not colon or not _NAME.fullmatch(name):
            raise TokenError(f"{where}: write `name: token`")
        if len(token) < LEAST_LENGTH or not token.isascii() or " " in token:
            raise TokenError(
                f"{where}: a token needs {LEAST_LENGTH} characters or more, without spaces"
            )
        if name in tokens or token in tokens.values():
            raise TokenError(f"{where}: this name or token is there already; each needs its own")
        tokens[name] = token
    if not tokens:
        raise TokenError(f"{source}: no token in it; write a line `name: token`")
    return tokens


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def owner_of(tokens: Mapping[str, str], given: str) -> str | None:
    """Whose token it is, or None. Takes the same time whatever was given."""
    found: str | None = None
    digest = _digest(given)
    for name, token in tokens.items():
        if hmac.compare_digest(digest, _digest(token)):
            found = name
    return found
