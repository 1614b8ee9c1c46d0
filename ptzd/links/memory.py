"""A link in memory, for a clock that cannot wait for a socket."""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import Callable

from .link import Form


class MemoryLink:
    """One end of a wire in memory. Made in pairs by `memory_pair`."""

    form: Form = "numbered"
    trouble: str | None = None

    def __init__(
        self, delay_seconds: float, loss: float, doubled: float, late_seconds: float, rng: random.Random
    ) -> None:
        self._delay_seconds = delay_seconds
        self._late_seconds = late_seconds
        self._loss = loss
        self._doubled = doubled
        self._rng = rng
        self._under_way: deque[bytes] = deque()  # timers of one moment ring in any order, and a wire keeps it
        self._received: asyncio.Queue[bytes] = asyncio.Queue()
        self._take: Callable[[bytes], None] = self._received.put_nowait
        self._peer: MemoryLink = self

    def send(self, datagram: bytes) -> None:
        if self._rng.random() < self._loss:
            return
        loop = asyncio.get_running_loop()
        twice = self._doubled and self._rng.random() < self._doubled
        for _ in range(2 if twice else 1):
            if self._late_seconds:
                late = self._rng.uniform(0.0, self._late_seconds)
                loop.call_later(self._delay_seconds + late, self._peer._take, bytes(datagram))
            else:
                self._under_way.append(bytes(datagram))
                loop.call_later(self._delay_seconds, self._arrive)

    def overtake(self) -> None:
        """Whatever was sent has left."""

    def _arrive(self) -> None:
        self._peer._take(self._under_way.popleft())

    def hear(self, take: Callable[[bytes], None]) -> None:
        """Hand each datagram to `take` in the moment in which it arrives; `receive` gets none from now on."""
        self._take = take

    async def receive(self) -> bytes:
        return await self._received.get()


def memory_pair(
    *,
    delay_seconds: float = 0.001,
    loss: float = 0.0,
    doubled: float = 0.0,
    late_seconds: float = 0.0,
    rng: random.Random,
) -> tuple[MemoryLink, MemoryLink]:
    """Return two ends; what one sends the other receives after `delay_seconds`, but for a share `loss` (0..1).

    Of what is not lost, a share `doubled` (0..1) arrives twice. Each datagram is up to `late_seconds` later than that,
    so that what was sent later may arrive sooner.
    """
    here, there = (MemoryLink(delay_seconds, loss, doubled, late_seconds, rng) for _ in range(2))
    here._peer, there._peer = there, here
    return here, there
