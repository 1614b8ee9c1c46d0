"""A guard beside the daemon, for a clock that cannot wait for a process."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from typing import Self

from .halting import Watched
from .terms import HaltBegan, HaltEnded, Terms


class MemoryGuard:
    """What `Keeper` is, on the loop's own time and over links of its own. An async context."""

    def __init__(
        self, cameras: Iterable[Watched], *, told: Callable[[HaltBegan | HaltEnded], None] = lambda _: None
    ) -> None:
        """`told` hears of each camera that is halted."""
        self._loop = asyncio.get_running_loop()
        self._terms = Terms(cameras, now=self._loop.time, told=told)
        self.watches = True  # set it to False for a guard that has died: it hears nothing more

    async def __aenter__(self) -> Self:
        await self._terms.__aenter__()
        return self

    async def __aexit__(self, *exception: object) -> None:
        await self._terms.__aexit__(*exception)

    def renew(self, camera: str, seconds: float) -> None:
        if not self.watches:
            return
        if seconds > 0.0:
            self._terms.renew(camera, self._loop.time() + seconds)
        else:
            self._terms.release(camera)

    def halt(self, camera: str, why: str) -> None:
        if self.watches:
            self._terms.halt(camera, why)

    def lose_the_daemon(self) -> None:
        """Do what the process does when its pipe closes: halt what may be moving."""
        self._terms.halt_all("the daemon is gone")

    async def until_idle(self) -> None:
        """Wait until no camera is being halted."""
        await self._terms.until_idle()
