"""The daemon's log: lines for people on a terminal, JSON for everything else. It goes to stderr, as long as it can."""

from __future__ import annotations

import logging
import sys
from typing import TextIO, cast

import structlog

from .endings import SteadyStderr


def log_from(level: int) -> None:
    """Write what is logged at `level` (of the `logging` module) or above."""
    stderr = SteadyStderr()
    terminal = sys.stderr.isatty()
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer() if terminal else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="%H:%M:%S" if terminal else "iso", utc=not terminal),
    ]
    if not terminal:
        shared.append(structlog.processors.format_exc_info)
    structlog.configure(
        processors=[*shared, renderer],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(file=cast(TextIO, stderr)),
        cache_logger_on_first_use=False,
    )
    # The libraries below log through the standard library; what they warn of goes the same way.
    handler = logging.StreamHandler(stderr)
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(processor=renderer, foreign_pre_chain=shared))
    logging.basicConfig(level=max(level, logging.WARNING), handlers=[handler], force=True)
