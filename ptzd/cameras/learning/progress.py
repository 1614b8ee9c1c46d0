"""How far a learning has come, told before each trial."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from .trials import Plan

LOOK_SECONDS = 12.0


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the learning has come."""

    done: int
    of: int
    doing: str
    seconds_left: float
    promised_seconds: float | None = None  # in all, from the beginning; None before the first look is over


class Stages:
    """The trials of a plan, ticked off one by one; at first those of a plan from before the first look."""

    def __init__(
        self, plan: Plan, tell: Callable[[Progress], None], look_whether_on: Callable[[], Awaitable[None]]
    ) -> None:
        self._stages = (("a first look", LOOK_SECONDS), *plan.stages)
        self._promised: float | None = None
        self._tell = tell
        self._look_whether_on = look_whether_on
        self._loop = asyncio.get_running_loop()
        self._began_at = self._loop.time()
        self._done = 0

    def promise(self, plan: Plan) -> None:
        """Go by a plan from after the first look."""
        looked = self._loop.time() - self._began_at
        self._stages = (("a first look", looked), *plan.stages)
        self._promised = looked + plan.seconds

    async def begin(self) -> None:
        """Tell that the next trial begins, once the camera was asked whether it is still on."""
        await self._look_whether_on()
        stages = self._stages
        planned = sum(seconds for _, seconds in stages[: self._done])
        left = sum(seconds for _, seconds in stages[self._done :])
        if planned > 10.0:
            left *= min(1.5, max(0.7, (self._loop.time() - self._began_at) / planned))
        doing = stages[self._done][0] if self._done < len(stages) else "done"
        self._tell(Progress(self._done, len(stages), doing, round(left, 1), self._promised))
        self._done = min(self._done + 1, len(stages))
