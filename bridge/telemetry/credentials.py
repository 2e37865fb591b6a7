"""What the site file names for the broker: credentials and TLS files, read once, never shown."""

from __future__ import annotations

import ssl
from pathlib import Path

from bridge.telemetry.config_mqtt import Mqtt


class CredentialsError(Exception):
    """The credentials cannot be used; the text says why and what to do."""


def read_credentials(path: Path) -> tuple[str, str]:
    """(user name, password). Raises CredentialsError, whose text never holds either."""
    try:
        if path.stat().st_mode & 0o077:
            raise CredentialsError(f"{path}: others can read it; chmod 600 {path}")
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise CredentialsError(f"{path}: cannot be read: {type(error).__name__}") from error
    if len(lines) != 2 or not all(lines):
        raise CredentialsError(f"{path}: needs two lines, user name and password")
    return lines[0], lines[1]


class _ClosedIfRefused(ssl.SSLSocket):
    """A connection whose handshake failed is closed at once: the MQTT library leaves it open, one
    more at each try, until the garbage collector comes by."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def tls_context(config: Mqtt) -> ssl.SSLContext | None:
    """Raises CredentialsError for files that cannot be used."""
    if not config.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=config.ca_file)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.sslsocket_class = _ClosedIfRefused
    except OSError as error:  # ssl.SSLError too
        raise CredentialsError(f"{config.ca_file}: cannot be used: {error}") from error
    if config.certificate_file is not None:
        try:
            # Without a password here OpenSSL would ask the terminal for one, and wait.
            context.load_cert_chain(config.certificate_file, config.key_file, password="")
        except (OSError, ValueError) as error:
            raise CredentialsError(
                f"{config.certificate_file} and {config.key_file}: cannot be used ({error}); the "
                "key must fit the certificate and have no passphrase"
            ) from error
    return context
