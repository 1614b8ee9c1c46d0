"""Until when each camera may be moving, and who is halted because nobody said so any longer.

This is the whole of the guard but for its process: it runs on the event loop's time wherever it is put, in a process of
its own or, on a virtual clock, beside the daemon.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Self

import structlog

from .halting import Halt, Watched, halt

LONGEST_TERM_SECONDS = 2.0  # whatever is asked for: who is in control says so again before that
HALTING_SECONDS = 600.0  # of a camera that is not seen to stand still
LOOK_EVERY_SECONDS = 0.1  # at least, while a camera may be moving: a suspended machine's timers are late
RETRY_SECONDS = 0.5

log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class HaltBegan:
    """A camera is being halted."""

    camera: str
    why: str


@dataclass(frozen=True, slots=True)
class HaltEnded:
    """A camera is no longer being halted: it stands `still`, it was left to the daemon, or it was given up."""

    camera: str
    still: bool


class Terms:
    """Halts every camera whose term runs out. An async context; all else returns at once and never raises."""

    def __init__(
        self,
        cameras: Iterable[Watched],
        *,
        now: Callable[[], float],
        told: Callable[[HaltBegan | HaltEnded], None],
    ) -> None:
        """`now` is the clock that terms are told in; `told` hears of what is done, and must return at once."""
        self._cameras = {camera.name: camera for camera in cameras}
        self._now = now
        self._told = told
        self._until: dict[str, float] = {}
        self._halting: dict[str, asyncio.Task[None]] = {}
        self._asked: set[str] = set()  # which of them are halted because somebody asked for it
        self._loop = asyncio.get_running_loop()
        self._group = asyncio.TaskGroup()
        self._timer: asyncio.TimerHandle | None = None

    async def __aenter__(self) -> Self:
        await self._group.__aenter__()
        return self

    async def __aexit__(self, *exception: object) -> None:
        if self._timer is not None:
            self._timer.cancel()
        for task in self._halting.values():
            task.cancel()
        await self._group.__aexit__(None, None, None)

    @property
    def cameras(self) -> Mapping[str, Watched]:
        return MappingProxyType(self._cameras)

    @property
    def halting(self) -> Collection[str]:
        """The cameras that are being halted."""
        return self._halting.keys()

    @property
    def idle(self) -> bool:
        """Whether no camera may be moving, and none is being halted."""
        return not self._until and not self._halting

    def add(self, camera: Watched) -> None:
        """Take a camera on."""
        self._cameras[camera.name] = camera

    def renew(self, camera: str, until: float) -> None:
        """Let a camera move until then, by the clock of `now`; a time that is not ahead ends its term at once.

        A camera that is being halted is left to whoever says so.
        """
        if camera not in self._cameras:
            log.error("the guard was told of a camera that it does not know", camera=camera)
            return
        if until > self._now():
            self._leave(camera)
        elif camera in self._halting:
            return
        self._until[camera] = min(until, self._now() + LONGEST_TERM_SECONDS)
        self._look_in(max(0.0, until - self._now()))

    def release(self, camera: str) -> None:
        """Take note that a camera does nothing any more that needs an end.

        It is then left to the daemon, but not where the daemon itself asked for the halt.
        """
        if camera not in self._asked:
            self._leave(camera)
        self._until.pop(camera, None)

    def halt(self, camera: str, why: str) -> None:
        """Halt a camera now, until it stands still or `renew` is called; `why` is for the log."""
        self._asked.add(camera)
        self._begin(camera, why)

    def halt_all(self, why: str) -> None:
        """Halt every camera that may be moving now."""
        for camera in list(self._until):
            self._begin(camera, why)

    async def until_idle(self) -> None:
        """Wait until no camera is being halted."""
        while self._halting:
            await asyncio.wait(list(self._halting.values()))

    def _look_in(self, seconds: float) -> None:
        at = self._loop.time() + min(seconds, LOOK_EVERY_SECONDS)
        if self._timer is None or at < self._timer.when():
            if self._timer is not None:
                self._timer.cancel()
            self._timer = self._loop.call_at(at, self._look)

    def _look(self) -> None:
        self._timer = None
        now = self._now()
        for camera, until in list(self._until.items()):
            if until <= now:
                self._begin(camera, "nobody said in time that it may go on moving")
        if self._until:
            self._look_in(min(self._until.values()) - now)

    def _begin(self, camera: str, why: str) -> None:
        self._until.pop(camera, None)
        if camera in self._cameras and camera not in self._halting:
            self._halting[camera] = self._group.create_task(self._halt(self._cameras[camera], why))

    def _leave(self, camera: str) -> None:
        self._asked.discard(camera)
        task = self._halting.pop(camera, None)
        if task is not None:
            task.cancel()
            log.warning("the guard leaves a camera to the daemon, which speaks again", camera=camera)
            self._told(HaltEnded(camera, still=False))

    async def _halt(self, camera: Watched, why: str) -> None:
        log.warning("the guard stops a camera", camera=camera.name, why=why)
        self._told(HaltBegan(camera.name, why))
        halted = Halt(self._loop.time())
        end = halted.began_at + HALTING_SECONDS
        while self._loop.time() < end:
            try:
                await halt(camera, HALTING_SECONDS, halted)
                break
            except Exception:
                log.exception("the guard failed at a camera, and tries again", camera=camera.name)
                await asyncio.sleep(RETRY_SECONDS)
        self._halting.pop(camera.name, None)
        self._asked.discard(camera.name)
        say = log.warning if halted.still else log.error
        say(
            "the guard has brought a camera to rest"
            if halted.still
            else "the guard gives a camera up, not seen at rest",
            camera=camera.name,
            why=why,
            seconds=round(halted.seconds, 2),
            where="in standby" if halted.standby else halted.place(),
        )
        self._told(HaltEnded(camera.name, halted.still))
