"""An event loop on a clock of its own: an hour of show passes in a moment, and every run passes alike.

Whenever nothing is ready to run, the selector does not sleep: it sets the clock forward to the next timer.
Code that takes its time from the loop alone (`loop.time()`, `asyncio.sleep`) can't tell the difference. What
takes real time (sockets that wait for an answer, threads, child processes) has no place on this loop.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class StuckError(RuntimeError):
    """Every task waits, and no timer is left that could wake one: on a real clock this would hang for ever."""


LOOK_EVERY = 64  # turns of the loop: to look costs as much as a turn


class _JumpingSelector(selectors.DefaultSelector):
    """Advances its clock by as long as it was to wait, and looks now and then for what is ready, without waiting."""

    def __init__(self) -> None:
        super().__init__()
        self.now = 0.0
        self._turns = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        self._turns += 1
        if timeout is None or self._turns % LOOK_EVERY == 0:
            ready = super().select(0)  # the loop's own wake-up, such as Ctrl-C
            if ready:
                return ready
        if timeout is None:
            raise StuckError("every task on the virtual clock waits for something that no timer will bring about")
        self.now += max(0.0, timeout)
        return []


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """An event loop whose `time()` begins at 0.0 seconds and only passes while everything waits."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.now

    def pass_over(self, seconds: float) -> None:
        """Let `seconds` (0 or more) be gone. What was due in them happens at their end, in its order, and late."""
        self._jumping.now += seconds


def run(main: Coroutine[Any, Any, T]) -> T:
    """Run `main` on a virtual clock and return its result, like `asyncio.run`. Raises `StuckError`."""
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main)
