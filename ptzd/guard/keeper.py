"""The daemon's side of the guard: it starts the process, tells it who may be moving, and notices when it is gone."""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Self

import structlog

from .words import ALIVE_EVERY_SECONDS, Lines, boot_seconds, encode

COMMAND = (sys.executable, "-P", "-m", "ptzd.guard")  # -P: what lies in the folder it is started from is no module
MISSED_SECONDS = 3 * ALIVE_EVERY_SECONDS  # unheard for so long, it does not watch
FROZEN_SECONDS = 3.0  # unheard for so long, it is ended and another begins
STARTING_SECONDS = 15.0  # before it is first heard, on a busy machine
FIRST_PAUSE_SECONDS = 0.1  # between the end of one and the start of another; doubled each time
LONGEST_PAUSE_SECONDS = 10.0
LAST_WORDS_SECONDS = 0.3
READ_BYTES = 1 << 20

OUTLIVING: list[subprocess.Popen[bytes]] = []  # kept, for a Popen that is dropped complains of its running child

log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Guarded:
    """What the guard's process must know to reach a camera. `dialect` is a known one's name or a file's path."""

    name: str
    link: str  # as it is written in the configuration
    dialect: str


class Keeper:
    """A guard in a process of its own, for as long as the context lasts; another begins where one dies."""

    def __init__(self, cameras: Iterable[Guarded], *, command: Sequence[str] = COMMAND) -> None:
        self._cameras = {camera.name: camera for camera in cameras}
        self._command = command
        self._until: dict[str, float] = {}
        self._halting: dict[str, str] = {}  # and why; what a guard was at when it died falls to the next
        self.process: subprocess.Popen[bytes] | None = None  # the one that was started last
        self._pipe: int | None = None  # to its stdin
        self._files: dict[str, int] = {}  # of connections to cameras, by link
        self._handing: socket.socket | None = None  # by which files reach it
        self.halted: Callable[[str], None] = lambda camera: None  # hears of each camera that the guard has left alone
        self._alive_at: float | None = None  # when it last said so
        self._knows = 0  # how many cameras
        self._living = asyncio.Event()
        self._told_of_death = False
        self._keeping: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._start()
        self._keeping = asyncio.create_task(self._keep())
        return self

    async def __aexit__(self, *_: object) -> None:
        """Leave the process to itself: it ends when every camera that it has to halt stands still."""
        assert self._keeping is not None
        self._keeping.cancel()  # first, or it would take the end for a death
        await asyncio.wait([self._keeping])
        self._close_pipe()
        for file in self._files.values():
            os.close(file)
        self._files.clear()
        process = self.process
        if process is not None:
            try:
                async with asyncio.timeout(LAST_WORDS_SECONDS):
                    await _end_of(process)
            except TimeoutError:
                OUTLIVING.append(process)
                if going_on := sorted({*self._until, *self._halting}):  # else it is only slow to end
                    log.warning("the guard goes on until these cameras stand still", cameras=going_on)
            if process.stdout is not None:
                process.stdout.close()

    @property
    def pid(self) -> int | None:
        """The process's id, while there is one."""
        return None if self.process is None else self.process.pid

    @property
    def watches(self) -> bool:
        """Whether the guard said a moment ago that it lives and knows every camera."""
        return (
            self._pipe is not None
            and self._alive_at is not None
            and self._knows == len(self._cameras)
            and boot_seconds() - self._alive_at <= MISSED_SECONDS
        )

    async def living(self, seconds: float) -> bool:
        """Wait at most so long for the guard to watch; return whether it does."""
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._living.wait()
        return self.watches

    def renew(self, camera: str, seconds: float) -> None:
        """Let a camera move for so many seconds from now, 2 at most; 0 says that nothing of it needs an end."""
        if seconds > 0.0:
            self._halting.pop(camera, None)
            self._until[camera] = boot_seconds() + seconds
        elif self._until.pop(camera, None) is None and camera not in self._halting:
            return  # it is known already
        self._say(_term(camera, self._until.get(camera)))

    def halt(self, camera: str, why: str) -> None:
        """Have the guard halt a camera until it stands still, even after the daemon has ended."""
        self._until.pop(camera, None)
        self._halting[camera] = why[:200]
        self._say({"halt": camera, "why": why[:200]})

    def hand_on(self, link: str, file: int) -> None:
        """Let the guard go on with this connection to a camera, which may have room for no other one."""
        before, self._files[link] = self._files.get(link), os.dup(file)
        if before is not None:
            os.close(before)
        self._hand(link)

    async def _keep(self) -> None:
        """Hear the guard, and begin another whenever one dies."""
        pause = FIRST_PAUSE_SECONDS
        while True:
            began_at = boot_seconds()
            await self._hear()
            if boot_seconds() - began_at > LONGEST_PAUSE_SECONDS:
                pause = FIRST_PAUSE_SECONDS
            if not self._told_of_death:
                log.error("the guard has died; no camera is driven until another one lives")
                self._told_of_death = True
            await asyncio.sleep(pause)
            pause = min(2 * pause, LONGEST_PAUSE_SECONDS)
            self._start()

    def _start(self) -> None:
        """Start a process, and tell it all that one before it knew."""
        self._alive_at = None
        self._living.clear()
        ours: list[int] = []
        try:
            read_end, self._pipe = os.pipe()
            ours.append(read_end)
            os.set_blocking(self._pipe, False)
            self._handing, taking = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            ours.append(taking.detach())
            self._handing.setblocking(False)
            self.process = subprocess.Popen(
                (*self._command, str(ours[-1])),
                stdin=read_end,
                stdout=subprocess.PIPE,
                start_new_session=True,
                bufsize=0,
                pass_fds=ours[1:],
            )
        except OSError as error:
            self.process = None
            self._close_pipe()
            log.error("the guard can't be started", reason=str(error))
        finally:
            for file in ours:
                os.close(file)
        for camera in self._cameras.values():
            self._say({"watch": camera.name, "link": camera.link, "dialect": camera.dialect})
        for link in self._files:
            self._hand(link)
        for name, until in self._until.items():  # over by now or not: while no guard lived, nobody acted upon it
            self._say(_term(name, until))
        for name, why in self._halting.items():
            self._say({"halt": name, "why": why})

    async def _hear(self) -> None:
        """Hear what the process says until it is dead."""
        process = self.process
        if process is None:
            return
        assert process.stdout is not None
        loop = asyncio.get_running_loop()
        lines, file = Lines(), process.stdout.fileno()
        os.set_blocking(file, False)
        readable = asyncio.Event()
        loop.add_reader(file, readable.set)
        heard_at = loop.time()
        patience = STARTING_SECONDS
        try:
            while self._pipe is not None:
                with suppress(TimeoutError):
                    async with asyncio.timeout_at(heard_at + patience):
                        await readable.wait()
                readable.clear()
                try:
                    data = os.read(file, READ_BYTES)
                except BlockingIOError:
                    if loop.time() >= heard_at + patience:
                        break  # it is frozen
                    continue
                if not data:
                    break
                heard_at, patience = loop.time(), FROZEN_SECONDS
                for message in lines.feed(data):
                    self._take(message)
        finally:
            loop.remove_reader(file)
            process.stdout.close()
        self._close_pipe()
        self._alive_at = None
        self._living.clear()
        process.kill()
        await _end_of(process)

    def _take(self, message: dict[str, Any]) -> None:
        match message:
            case {"alive": int(at) | float(at), "cameras": int(count)}:
                self._alive_at, self._knows = at, count
                if self.watches:
                    self._living.set()
                    if self._told_of_death:
                        log.warning("another guard lives")
                        self._told_of_death = False
            case {"halting": str(camera)}:
                self._halting.setdefault(camera, "nobody said in time that it may go on moving")
            case {"halted": str(camera), "still": bool()}:
                self._halting.pop(camera, None)
                self.halted(camera)

    def _hand(self, link: str) -> None:
        if self._handing is None:
            return
        try:
            socket.send_fds(self._handing, [link.encode()], [self._files[link]])
        except OSError:  # as below
            self._close_pipe()

    def _say(self, message: dict[str, Any]) -> None:
        if self._pipe is None:
            return
        try:
            os.write(self._pipe, encode(message))
        except OSError:  # it is dead, or has read nothing for so long that the pipe is full: it is not there
            self._close_pipe()

    def _close_pipe(self) -> None:
        if self._pipe is not None:
            os.close(self._pipe)
            self._pipe = None
        if self._handing is not None:
            self._handing.close()
            self._handing = None


async def _end_of(process: subprocess.Popen[bytes]) -> None:
    while process.poll() is None:  # noqa: ASYNC110 - a process that outlives this must not be tied to the loop
        await asyncio.sleep(0.01)


def _term(camera: str, until: float | None) -> dict[str, Any]:
    return {"renew": camera, "until": until if until is None else round(until, 3)}
