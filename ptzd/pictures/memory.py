"""Pictures in memory: what stands for cameras' web servers on a virtual clock, which can't wait for a network."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from .fetching import Picture, Pictures, T
from .similarity import Similarity


class MemoryPictures(Pictures):
    """Each camera's picture is what its function returns, or its Refusal; work on it is done inline."""

    def __init__(self, shown: Mapping[str, Callable[[], bytes]], seconds: float = 0.0) -> None:
        """A picture takes so many `seconds` to come."""
        super().__init__({})
        self._shown = shown
        self._seconds = seconds

    def has(self, camera: str) -> bool:
        return camera in self._shown

    async def now(self, camera: str, since: float | None = None) -> Picture:
        asked_at = asyncio.get_running_loop().time()
        jpeg = self._shown[camera]()
        await asyncio.sleep(self._seconds)
        return Picture(jpeg, asked_at)

    async def beside(self, work: Callable[[], T]) -> T:
        return work()

    async def compared(self, still: bytes, picture: bytes) -> Similarity | None:
        from .drift import compared

        return compared(still, picture)
