"""The section of the site file on MQTT. Without it nothing is connected anywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from bridge.config_section import Section


class Mqtt(Section):
    """A broker that is told what happens here, and that may bring a stop."""

    host: str = Field(min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
    bridge: str = Field(pattern=r"^[a-z0-9-]{1,40}$")
    """This daemon's part of its topics; each daemon at a broker needs its own."""
    site: str = Field(pattern=r"^[a-z0-9-]{1,40}$")
    """Shared by the daemons that one stop on the site's topic stops all at once."""
    meters_hz: float = Field(default=2.0, ge=0, le=10)
    """How often meters are said; 0: never."""
    credentials_file: Path | None = Field(default=None, strict=False)
    """Two lines, user name and password; readable by its owner alone."""
    tls: bool = False
    ca_file: Path | None = Field(default=None, strict=False)
    """Whom to trust to vouch for the broker; absent: whom this computer trusts."""
    certificate_file: Path | None = Field(default=None, strict=False)
    key_file: Path | None = Field(default=None, strict=False)

    @model_validator(mode="after")
    def _tls_only(self) -> Self:
        files = (self.ca_file, self.certificate_file, self.key_file)
        if not self.tls and any(f is not None for f in files):
            raise ValueError("ca_file, certificate_file and key_file need tls = true")
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file go together")
        if self.credentials_file is not None and not self.tls and not self._is_local():
            raise ValueError(
                "credentials_file without tls = true would send the password readable by anyone "
                "on the way to another computer"
            )
        return self

    def _is_local(self) -> bool:
        return self.host in ("localhost", "127.0.0.1", "::1")
