"""A camera whose head is being learned, as one of the things that a camera does."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any

from ptzd.cameras.activity import Activity
from ptzd.cameras.reports import ActivityKind
from ptzd.motion import LearnedHead


class Learner(Activity):
    """Measures, and asks for positions itself. It drives the zoom, so that it needs a guard."""

    kind = ActivityKind.LEARNING
    reads = True

    def __init__(self, work: Coroutine[Any, Any, LearnedHead]) -> None:
        self.ended_by = "was no longer attended to"  # what became of the camera, where that was before its end
        self._work = work
        self.task: asyncio.Task[LearnedHead] | None = None

    @property
    def unended(self) -> bool:
        return True

    def begin(self, older: Activity) -> None:
        self.task = asyncio.get_running_loop().create_task(self._work)

    def end(self) -> None:
        if self.task is not None:
            self.task.cancel()
