"""What open pages are told: all that the daemon says, and first what it has said and still holds."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import contextmanager

MOST_WAITING = 2000  # messages for a page that does not take them; then it is cut off, and begins anew


class Listener:
    """What waits for one page. Of what is retained only the newest waits: a slow page hears less often, never late."""

    def __init__(self, retained: dict[str, str]) -> None:
        self._waiting: dict[object, str] = {}
        self._waiting.update(retained)
        self._more = asyncio.Event()
        self._more.set()
        self.overwhelmed = False

    def hear(self, topic: str, words: str, *, retain: bool) -> None:
        """Let a message wait."""
        if retain:
            self._waiting.pop(topic, None)  # or it would be told ahead of what was said before it
            self._waiting[topic] = words
        else:
            self._waiting[object()] = words
        self.overwhelmed = len(self._waiting) > MOST_WAITING
        self._more.set()

    async def wait(self) -> None:
        """Return once something waits."""
        await self._more.wait()

    def take(self) -> list[str]:
        """Return all that waits, the oldest first."""
        taken = list(self._waiting.values())
        self._waiting.clear()
        self._more.clear()
        return taken


class Hub:
    """Passes on what the daemon says to all pages that are open. Each message is a JSON array, `[topic, payload]`."""

    def __init__(self, broker_up: Callable[[], bool] = lambda: True) -> None:
        """`broker_up` tells whether what others say, tallies above all, comes to the daemon now."""
        self.broker_up = broker_up
        self._retained: dict[str, str] = {}
        self._listeners: set[Listener] = set()

    def say(self, topic: str, payload: str, *, retain: bool) -> None:
        """Say something on a topic below the base; `payload` is JSON, or empty to take back what was retained."""
        if not payload:
            self._retained.pop(topic, None)
            return
        words = f'["{topic}",{payload}]'
        if retain:
            self._retained[topic] = words
        for listener in self._listeners:
            listener.hear(topic, words, retain=retain)

    @contextmanager
    def listening(self) -> Iterator[Listener]:
        """Hear what is said, for as long as the context lasts."""
        listener = Listener(self._retained)
        self._listeners.add(listener)
        try:
            yield listener
        finally:
            self._listeners.discard(listener)
