"""A sign of life on the terminal while something takes its time."""

from __future__ import annotations

import sys
from collections.abc import Awaitable
from typing import TypeVar

from .console import Console

T = TypeVar("T")


async def patiently(words: str, work: Awaitable[T]) -> T:
    """Await `work` with a moving sign and `words` on stderr, on a terminal only."""
    if not sys.stderr.isatty():
        return await work
    with Console(stderr=True).status(words):
        return await work
