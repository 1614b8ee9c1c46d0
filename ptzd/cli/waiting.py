"""A sign of life on the terminal while something takes its time."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Awaitable
from contextlib import asynccontextmanager
from typing import TypeVar

from rich.progress import BarColumn, Progress, TaskID, TextColumn

from .console import Console

T = TypeVar("T")


async def patiently(words: str, work: Awaitable[T], seconds: float | None = None) -> T:
    """Await `work` with `words` and a moving sign on stderr, on a terminal only.

    Where it is known how many `seconds` it takes at least, the sign is a bar.
    """
    if not sys.stderr.isatty():
        return await work
    if seconds is None:
        with Console(stderr=True).status(words):
            return await work
    with Progress(TextColumn(words), BarColumn(), console=Console(stderr=True), transient=True) as progress:
        bar = progress.add_task("", total=seconds)

        async with advancing(progress, bar):
            return await work


@asynccontextmanager
async def advancing(progress: Progress, bar: TaskID) -> AsyncIterator[None]:
    """Let a bar go on by the seconds that have passed, for as long as the context lasts."""

    async def advance() -> None:
        loop = asyncio.get_running_loop()
        began = loop.time()
        while True:
            progress.update(bar, completed=loop.time() - began)
            await asyncio.sleep(0.1)

    going_on = asyncio.create_task(advance())
    try:
        yield
    finally:
        going_on.cancel()
