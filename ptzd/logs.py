"""The log of daemon and guard: lines for people on a terminal, JSON for everything else. It goes to stderr.

What it tells may come from anywhere: nothing in it steers the terminal that it ends on, or is shown on later.
"""

from __future__ import annotations

import json
import logging
import os
import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, TextIO, cast

import structlog

from .printable import printable, printable_json


class Unhindered:
    """stderr for whoever must go on whatever becomes of it: a terminal that has gone, a pipe that nobody reads.

    What can't be written at once is dropped.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._file = None if stream is None else stream.fileno()
        self._poll = select.poll()
        if self._file is not None:
            self._poll.register(self._file, select.POLLOUT)

    def write(self, text: str) -> None:
        with suppress(OSError):
            if self._file is not None and any(event & select.POLLOUT for _, event in self._poll.poll(0)):
                os.write(self._file, text.encode("utf-8", "backslashreplace"))

    def flush(self) -> None:
        """Nothing is held back."""


def log_from(level: int, *, unhindered: bool = False) -> None:
    """Write what is logged at `level` (of the `logging` module) or above; `unhindered` by what becomes of stderr."""
    terminal = sys.stderr is not None and sys.stderr.isatty()
    file = cast(TextIO, Unhindered(sys.stderr)) if unhindered else sys.stderr
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer() if terminal else structlog.processors.JSONRenderer(_json, ensure_ascii=False)
    )
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="%H:%M:%S" if terminal else "iso", utc=not terminal),
    ]
    shared.append(structlog.processors.format_exc_info)
    if terminal:
        shared.append(_texts_printable)
    structlog.configure(
        processors=[*shared, renderer],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(file=file),
    )
    # The libraries below log through the standard library; what they warn of goes the same way.
    handler = logging.StreamHandler(file)
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(processor=renderer, foreign_pre_chain=shared))
    logging.basicConfig(level=max(level, logging.WARNING), handlers=[handler], force=True)


@contextmanager
def errors_alone() -> Iterator[None]:
    """Let a command that says itself what it finds log errors alone, on stderr, for as long as the context lasts."""
    before = structlog.get_config()
    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
    try:
        yield
    finally:
        structlog.configure(**before)


def _json(event: object, **more: Any) -> str:
    return printable_json(json.dumps(event, **more))


def _texts_printable(
    logger: structlog.typing.WrappedLogger, method: str, event: structlog.typing.EventDict
) -> structlog.typing.EventDict:
    return {name: printable(value) if isinstance(value, str) else value for name, value in event.items()}
