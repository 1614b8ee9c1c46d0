"""An event loop on a clock of its own: an hour of show passes in a moment, and every run passes alike.

Whenever nothing is ready to run, the loop does not sleep: it sets its clock to the next timer. Timers of one moment
ring in the order in which they were set. Code that takes its time from the loop alone (`loop.time()`,
`asyncio.sleep`) can't tell the difference. What takes real time (sockets, threads, child processes) has no place on
this loop.
"""

from __future__ import annotations

import asyncio
import itertools
from collections import deque
from collections.abc import Callable, Coroutine
from contextvars import Context, copy_context
from heapq import heappop, heappush
from typing import Any, TypeVar, TypeVarTuple

T = TypeVar("T")
Ts = TypeVarTuple("Ts")


class StuckError(RuntimeError):
    """Every task waits, and no timer is left that could wake one: on a real clock this would hang for ever."""


class _Handle(asyncio.Handle):
    """Made with every wake of a task, a dozen times for each datagram: without a look for the loop's debug mode."""

    __slots__ = ()

    def __init__(
        self, callback: Callable[..., object], args: tuple[Any, ...], loop: VirtualTimeLoop, context: Context | None
    ) -> None:
        self._context = copy_context() if context is None else context
        self._loop = loop
        self._callback = callback
        self._args = args
        self._cancelled = False
        self._repr = None
        self._source_traceback = None


class _Timer(asyncio.TimerHandle):
    """The same, at a time."""

    __slots__ = ()

    def __init__(
        self,
        when: float,
        callback: Callable[..., object],
        args: tuple[Any, ...],
        loop: VirtualTimeLoop,
        context: Context | None,
    ) -> None:
        self._context = copy_context() if context is None else context
        self._loop = loop
        self._callback = callback
        self._args = args
        self._cancelled = False
        self._repr = None
        self._source_traceback = None
        self._when = when
        self._scheduled = False


class VirtualTimeLoop(asyncio.BaseEventLoop):
    """An event loop whose `time()` begins at 0.0 seconds and only passes while everything waits."""

    _ready: deque[asyncio.Handle]

    def __init__(self) -> None:
        super().__init__()
        self._now = 0.0
        self._timers: list[tuple[float, int, asyncio.TimerHandle]] = []  # compared without a call into Python
        self._number = itertools.count()

    def time(self) -> float:
        return self._now

    def pass_over(self, seconds: float) -> None:
        """Let `seconds` (0 or more) be gone. What was due in them happens at their end, in its order, and late."""
        self._now += seconds

    def call_soon(
        self, callback: Callable[[*Ts], object], *args: *Ts, context: Context | None = None
    ) -> asyncio.Handle:
        handle = _Handle(callback, args, self, context)
        self._ready.append(handle)
        return handle

    def call_later(
        self, delay: float, callback: Callable[[*Ts], object], *args: *Ts, context: Context | None = None
    ) -> asyncio.TimerHandle:
        when = self._now + delay
        timer = _Timer(when, callback, args, self, context)
        heappush(self._timers, (when, next(self._number), timer))
        return timer

    def call_at(
        self, when: float, callback: Callable[[*Ts], object], *args: *Ts, context: Context | None = None
    ) -> asyncio.TimerHandle:
        timer = _Timer(when, callback, args, self, context)
        heappush(self._timers, (when, next(self._number), timer))
        return timer

    def _run_once(self) -> None:
        """One turn, as in the loop below: what is ready now, and nothing that becomes ready by it."""
        ready, timers = self._ready, self._timers
        while timers and (timers[0][2]._cancelled or timers[0][0] <= self._now or not ready):
            when, _, timer = heappop(timers)
            if not timer._cancelled:
                self._now = max(self._now, when)
                ready.append(timer)
        if not ready:
            raise StuckError("every task on the virtual clock waits for something that no timer will bring about")
        for _ in range(len(ready)):
            handle = ready.popleft()
            if not handle._cancelled:
                handle._run()

    def _write_to_self(self) -> None:
        """A loop that never sleeps need not be woken: a signal is heard between two turns."""


def run(main: Coroutine[Any, Any, T]) -> T:
    """Run `main` on a virtual clock and return its result, like `asyncio.run`. Raises `StuckError`."""
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main)
