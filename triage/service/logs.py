"""Structured logs: one JSON object a line for machines, or coloured lines for people."""

from __future__ import annotations

import logging
import sys

import structlog


def set_up_logs(as_json: bool, level: str = "INFO") -> None:
    """Send our events and those of the libraries to stderr in one form."""
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    renderer: structlog.typing.Processor = structlog.processors.JSONRenderer() if as_json else structlog.dev.ConsoleRenderer()
    last = [structlog.processors.format_exc_info, renderer] if as_json else [renderer]
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    # Every interval job would say that it ran.
    logging.getLogger("apscheduler").setLevel("WARNING")
