"""The operator's page: [panel]. Loopback only, unless a token file and TLS files are given."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from bridge.config_section import Section


class Panel(Section):
    enabled: bool = True
    address: str = Field(default="127.0.0.1", min_length=2, max_length=45)
    """The IP address to listen on. Anything but loopback needs token_file, certificate and key."""
    port: int = Field(default=8417, ge=1, le=65535)
    names: tuple[str, ...] = Field(default=(), max_length=8, strict=False)
    """Host names by which browsers may reach it, beside its addresses."""
    token_file: Path | None = Field(default=None, strict=False)
    """One `name: token` a line, 20 characters or more a token, readable by its owner only. Absent:
    made in the state directory."""
    certificate: Path | None = Field(default=None, strict=False)
    key: Path | None = Field(default=None, strict=False)

    @property
    def loopback(self) -> bool:
        return ipaddress.ip_address(self.address).is_loopback

    @property
    def tls(self) -> bool:
        return self.certificate is not None

    @model_validator(mode="after")
    def _guarded(self) -> Self:
        try:
            loopback = self.loopback
        except ValueError:
            raise ValueError(f'address "{self.address}" is not an IP address') from None
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key belong together: give both or none")
        if not loopback and (self.token_file is None or self.certificate is None):
            raise ValueError(
                f"address {self.address} can be reached from other machines: give token_file, "
                'certificate and key as well, or address = "127.0.0.1"'
            )
        return self
