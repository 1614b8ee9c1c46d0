"""What the log says of refusals: each code so often in a while, and then how many were left out."""

from __future__ import annotations

import asyncio

import structlog

LOGGED = 5  # refusals of one code, within
WINDOW_SECONDS = 10.0

log = structlog.get_logger()


class RefusalLog:
    """Writes refusals to the log. Needs a running loop."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._counts: dict[str, int] = {}  # by code, in its window that is open

    def refused(self, topic: str, code: str, sentence: str) -> None:
        """Log a refusal, or count it where many of its code were logged lately."""
        count = self._counts.get(code, 0) + 1
        self._counts[code] = count
        if count == 1:
            self._loop.call_later(WINDOW_SECONDS, self._close, code)
        if count <= LOGGED:
            log.warning("refused", topic=topic, code=code, sentence=sentence)

    def _close(self, code: str) -> None:
        if (left_out := self._counts.pop(code) - LOGGED) > 0:
            log.warning("refusals left out", code=code, left_out=left_out, within_seconds=WINDOW_SECONDS)
