"""Where the store's disk work runs: beside the event loop, or, on a virtual clock, in it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol, TypeVar

T = TypeVar("T")

# One thread, so that work is done one at a time and in the order it was asked for. It starts with the first work.
_THREAD = ThreadPoolExecutor(max_workers=1, thread_name_prefix="ptzd-disk")


class RunDisk(Protocol):
    """Runs one piece of disk work after another, never two at once."""

    async def __call__(self, work: Callable[[], T], /) -> T:
        """Run `work` and return what it returns or raise what it raises.

        When the caller is cancelled, work that has begun is carried to its end, and work that has not is dropped.
        """


async def in_thread(work: Callable[[], T], /) -> T:
    """Run in the process's one disk thread: a slow disk holds up nobody but those who wait for it."""
    return await asyncio.get_running_loop().run_in_executor(_THREAD, work)


async def inline(work: Callable[[], T], /) -> T:
    """Run at once, in the event loop: for a virtual clock, which can't wait for a thread."""
    return work()
