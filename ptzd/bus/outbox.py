"""What waits to be sent: put in without waiting, taken out in order.

Two rules keep it bounded. A retained topic waits once, with its latest payload, in the place where it first
waited. Of all else the oldest is dropped beyond a number or an age: news of long ago would only confuse.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

MOST_EVENTS = 1024
KEEP_SECONDS = 30.0


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to be sent."""

    topic: str
    payload: bytes
    retain: bool = False
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class _Waiting:
    message: Outgoing
    put_at: float


class Outbox:
    """Messages on their way out, and the last of each retained topic."""

    def __init__(
        self, clock: Callable[[], float], *, most_events: int = MOST_EVENTS, keep_seconds: float = KEEP_SECONDS
    ) -> None:
        """`clock` is the event loop's time; what isn't retained is dropped `keep_seconds` after it was put in."""
        self._clock = clock
        self._most_events = most_events
        self._keep_seconds = keep_seconds
        self._number = 0
        self._waiting: dict[int, _Waiting] = {}
        self._places: dict[str, int] = {}  # where a retained topic waits
        self._in_flight: dict[int, _Waiting] = {}
        self._retained: dict[str, Outgoing] = {}
        self._filled = asyncio.Event()
        self._empty = asyncio.Event()
        self._empty.set()

    def put(self, message: Outgoing) -> None:
        """Let a message wait to be sent."""
        if message.retain:
            self._retained[message.topic] = message
        elif len(self._waiting) - len(self._places) >= self._most_events:
            del self._waiting[next(n for n, one in self._waiting.items() if not one.message.retain)]
        self._append(_Waiting(message, self._clock()))

    def kept(self, topic: str) -> Outgoing | None:
        """Return what was last put in of a retained topic."""
        return self._retained.get(topic)

    async def take(self) -> tuple[int, Outgoing]:
        """Wait for the next message; return it with its number, for `sent`."""
        while (taken := self.take_now()) is None:
            self._filled.clear()
            await self._filled.wait()
        return taken

    def take_now(self) -> tuple[int, Outgoing] | None:
        """Return the next message with its number, for `sent`, or None where none waits."""
        while self._waiting:
            number = next(iter(self._waiting))
            one = self._waiting.pop(number)
            if one.message.retain:
                del self._places[one.message.topic]
            if one.message.retain or self._clock() - one.put_at <= self._keep_seconds:
                self._in_flight[number] = one
                return number, one.message
        self._look_whether_empty()
        return None

    def sent(self, number: int) -> None:
        """Say that the broker has confirmed a message."""
        self._in_flight.pop(number, None)
        self._look_whether_empty()

    def begin_again(self) -> None:
        """Prepare for a new connection: all that is retained waits anew, then what was not confirmed, then all else."""
        events = [one for one in (*self._in_flight.values(), *self._waiting.values()) if not one.message.retain]
        for kept in (self._waiting, self._places, self._in_flight):
            kept.clear()
        for one in (*(_Waiting(message, self._clock()) for message in self._retained.values()), *events):
            self._append(one)
        self._look_whether_empty()

    async def emptied(self) -> None:
        """Wait until nothing waits any more and all that was sent has been confirmed."""
        await self._empty.wait()

    def _append(self, one: _Waiting) -> None:
        topic = one.message.topic
        if one.message.retain and topic in self._places:
            number = self._places[topic]
        else:
            self._number = number = self._number + 1
        if one.message.retain:
            self._places[topic] = number
        self._waiting[number] = one
        self._filled.set()
        self._empty.clear()

    def _look_whether_empty(self) -> None:
        if not self._waiting and not self._in_flight:
            self._empty.set()
