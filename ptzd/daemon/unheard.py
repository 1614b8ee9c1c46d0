"""What moves a head by itself for minutes goes on only while somebody can end it: a stop comes over the broker."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import structlog

from ptzd.bus import Bus
from ptzd.cameras import Camera

LOOK_SECONDS = 0.1

log = structlog.get_logger()


@asynccontextmanager
async def stopped_when_unheard(camera: Camera, bus: Bus) -> AsyncIterator[None]:
    """Stop a camera once the broker is lost. What began without one was asked for on the page, which can end it."""

    async def look() -> None:
        while bus.connected:  # noqa: ASYNC110 - a loss wakes nobody
            await asyncio.sleep(LOOK_SECONDS)
        log.warning("the broker is lost, over which this could be ended, so it is stopped", camera=camera.name)
        camera.stop()

    looking = asyncio.create_task(look()) if bus.connected else None
    try:
        yield
    finally:
        if looking is not None:
            looking.cancel()
