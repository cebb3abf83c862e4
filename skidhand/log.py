"""Sets structlog up once per process; every module then uses ``structlog.get_logger()``.

Services log to stdout, where containers and the system's journal look; a command whose stdout carries
data logs to stderr. Times in logs are the machine's, whatever the stream's clock says.
"""

from __future__ import annotations

import logging
import sys
from typing import Any, TextIO

import orjson
import structlog

from skidhand.settings import Log


def set_up(log: Log, *, service: str, stream: TextIO | None = None) -> None:
    """Send what is logged from ``log.level`` on to ``stream`` (default stdout), each line named ``service``."""
    level = getattr(logging, log.level.upper())
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True, key="time"),
    ]
    if log.format == "json":
        shared += [structlog.processors.format_exc_info, structlog.processors.JSONRenderer(serializer=_json)]
    else:
        shared += [structlog.dev.ConsoleRenderer(colors=False)]
    structlog.configure(
        processors=shared,
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(stream or sys.stdout),
        cache_logger_on_first_use=False,
    )
    structlog.contextvars.bind_contextvars(service=service)
    # Libraries log through logging: warnings and worse, as they are, to the same place.
    logging.basicConfig(
        stream=stream or sys.stdout, level=max(level, logging.WARNING), format="%(message)s", force=True
    )


def _json(event: Any, **_: Any) -> str:
    return orjson.dumps(event, default=str, option=orjson.OPT_NON_STR_KEYS).decode()
