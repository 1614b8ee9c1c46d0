"""Waiting in a test until something is so."""

from __future__ import annotations

import asyncio
from collections.abc import Callable


async def until(condition: Callable[[], bool], seconds: float = 3.0) -> None:
    """Look again and again; raise TimeoutError where it is not so in time."""
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.005)
