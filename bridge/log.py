"""The log: structlog lines on standard error, so that standard output stays for results."""

from __future__ import annotations

import logging
import sys

import structlog


def set_up_log() -> None:
    """Warnings and errors as plain lines on standard error."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso"),
            structlog.processors.format_exc_info,
            structlog.dev.ConsoleRenderer(colors=False),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING),
        logger_factory=structlog.PrintLoggerFactory(file=sys.stderr),
    )
