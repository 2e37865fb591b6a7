"""Lines of JSON from a process that may end, or fall silent, at any moment."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator
from typing import Any, cast


async def json_lines(
    reader: asyncio.StreamReader, look_s: float
) -> AsyncGenerator[dict[str, Any] | None, None]:
    """Each line's words, and None after every `look_s` without a line, until the process closes.

    Who counts looks instead of time is not misled by a computer that stood still: it looks once,
    and finds what came meanwhile. What is no object in JSON is passed over: libraries print into
    what is meant for the words, and a process that is killed ends in the middle of a line.
    """
    reading: asyncio.Task[bytes] | None = None
    try:
        while True:
            reading = reading or asyncio.ensure_future(reader.readline())
            if not (await asyncio.wait({reading}, timeout=look_s))[0]:
                yield None
                continue
            line, reading = reading.result(), None
            if not line:
                return
            try:
                words: object = json.loads(line)
            except ValueError:
                continue
            if isinstance(words, dict):
                yield cast(dict[str, Any], words)
    finally:
        if reading is not None:
            reading.cancel()
