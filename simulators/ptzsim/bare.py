"""Bare messages on a stream, as a unit takes them in and says them: in whatever pieces."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable

from .wiring import Wiring

END = b"\xff"
LONGEST_BYTES = 16
PIECE_SECONDS = (0.0005, 0.004)  # from one piece to the next
GATHER_SECONDS = 0.006


class Messages:
    """Bytes in, whole messages out."""

    def __init__(self) -> None:
        self._begun = b""

    def feed(self, data: bytes) -> list[bytes]:
        *messages, rest = (self._begun + data).split(END)
        self._begun = rest[-LONGEST_BYTES:]
        return [message + END for message in messages]


class Mouth:
    """Says messages on a stream as the unit's wiring has it, in their order."""

    def __init__(self, write: Callable[[bytes], None], wiring: Wiring, rng: random.Random) -> None:
        self._write = write
        self._wiring = wiring
        self._rng = rng
        self._loop = asyncio.get_running_loop()
        self._waiting = b""
        self._timer: asyncio.TimerHandle | None = None

    def say(self, message: bytes) -> None:
        if self._wiring.pieces == 1 and not self._wiring.gathers:
            self._write(message)
            return
        self._waiting += message
        if self._timer is None:
            self._timer = self._loop.call_later(GATHER_SECONDS if self._wiring.gathers else 0.0, self._utter)

    def close(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._waiting = b""

    def _utter(self) -> None:
        pieces = self._wiring.pieces
        size = len(self._waiting) if pieces == 1 else self._rng.randint(1, max(1, 2 * len(self._waiting) // pieces))
        piece, self._waiting = self._waiting[:size], self._waiting[size:]
        self._timer = self._loop.call_later(self._rng.uniform(*PIECE_SECONDS), self._utter) if self._waiting else None
        self._write(piece)
