"""What every part of the configuration is made of."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[\w .,'()-]+$")]


class Section(BaseModel):
    """A part of the configuration: unknown keys refused, types as written, fixed once read."""

    # Strict: TOML has types of its own, so "150" or true for a number is a slip of the pen.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
