"""A sign of life on the terminal while something takes its time."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Awaitable
from contextlib import asynccontextmanager
from typing import TypeVar

from rich.progress import BarColumn, Progress, ProgressColumn, TaskID, TextColumn

from .console import Console

T = TypeVar("T")


def progress_of(*columns: ProgressColumn) -> Progress:
    """Return what draws such columns on stderr for as long as its context lasts, on a terminal only."""
    return Progress(
        *columns,
        console=Console(stderr=True),
        transient=True,
        redirect_stdout=sys.stdout.isatty(),  # else what is said would not go down the pipe
        disable=not sys.stderr.isatty(),
    )


async def patiently(words: str, work: Awaitable[T], seconds: float | None = None) -> T:
    """Await `work` with `words` and a moving sign on stderr, on a terminal only.

    Where it is known how many `seconds` it takes at least, the sign is a bar.
    """
    if seconds is None and sys.stderr.isatty():
        with Console(stderr=True).status(words):
            return await work
    with progress_of(TextColumn(words), BarColumn()) as progress:
        async with advancing(progress, progress.add_task("", total=seconds)):
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
