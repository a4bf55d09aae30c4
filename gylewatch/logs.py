"""Where log lines go and how they look: one line an event, to standard error, for a person or for a machine."""

from __future__ import annotations

import logging
import sys
from dataclasses import dataclass
from typing import Final, Literal

import structlog

Level = Literal["debug", "info", "warning", "error"]
LEVELS: Final = ("debug", "info", "warning", "error")
FORMATS: Final = ("text", "json")

# These libraries tell at "info" what only their authors need: each job run, each migration step, each request.
_QUIET: Final = ("apscheduler", "alembic", "uvicorn.access", "asyncio")
# These warn of what reaches us as an exception, and is told in our own words.
_TOLD_BY_US: Final = ("psycopg",)
# These tell at "debug" the whole address of a notification, which holds passwords and tokens.
_INDISCREET: Final = ("apprise", "urllib3", "requests")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSettings:
    """The section ``[log]`` of the configuration."""

    level: str = "info"  # what a brewer may want to know later; "debug" adds what the libraries tell
    format: str = "text"  # key=value, readable in a system journal; "json" for log collectors


def configure(settings: LogSettings) -> None:
    """Send every log line of this process, ours and the libraries', to standard error."""
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.stdlib.PositionalArgumentsFormatter(),
        structlog.stdlib.ExtraAdder(),
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
        structlog.processors.format_exc_info,
    ]
    last: structlog.typing.Processor = (
        structlog.processors.JSONRenderer(ensure_ascii=False)
        if settings.format == "json"
        else structlog.processors.LogfmtRenderer(
            key_order=["timestamp", "level", "event", "logger"], drop_missing=True, bool_as_flag=False
        )
    )
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    out = logging.StreamHandler(sys.stderr)
    out.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, last],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [out]
    root.setLevel(settings.level.upper())
    for name in _QUIET:
        logging.getLogger(name).setLevel(logging.DEBUG if settings.level == "debug" else logging.WARNING)
    for name in _TOLD_BY_US:
        logging.getLogger(name).setLevel(logging.DEBUG if settings.level == "debug" else logging.ERROR)
    for name in _INDISCREET:
        logging.getLogger(name).setLevel(logging.WARNING)
