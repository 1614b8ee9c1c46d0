"""The guard as a process of its own: it hears on stdin until when each camera may be moving, and outlives who says so.

When stdin closes, the daemon is gone, however it went: what may be moving then is halted, and the process ends after
that. Whatever ends the daemon from a terminal or by a signal does not end this.
"""

from __future__ import annotations

import asyncio
import json
import logging
import math
import os
import signal
import socket
import sys
from contextlib import AbstractAsyncContextManager, suppress
from typing import Any

import structlog

from ptzd import links
from ptzd.links import Address, Link, parse_link, resolved
from ptzd.logs import log_from
from ptzd.visca import dialect_named

from .halting import Watched
from .terms import HaltBegan, HaltEnded, Terms
from .words import ALIVE_EVERY_SECONDS, LONGEST_LINE_BYTES, Lines, boot_seconds, encode

STDIN, STDOUT = 0, 1
READ_BYTES = 1 << 20  # all that a pipe holds: what it says last counts

log = structlog.get_logger()


def main() -> None:
    """Guard the cameras that stdin tells of, until it is closed and they stand still."""
    log_from(logging.WARNING, unhindered=True)
    asyncio.run(Process(int(sys.argv[1]) if len(sys.argv) > 1 else None).run())


class Process:
    """One guard, from its first line on stdin to its end."""

    def __init__(self, taking: int | None = None) -> None:
        """`taking` is a socket on which the daemon hands over the files of its connections."""
        self._lines = Lines()
        self._taking = None if taking is None else socket.socket(fileno=taking)
        self._files: dict[str, int] = {}  # by the link as the daemon writes it
        self._links: dict[str, str] = {}  # so written, by camera
        self._closed = asyncio.Event()  # stdin, or somebody told this to end while it had nothing to do
        self._addresses: dict[str, Address] = {}
        self._resolving: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        """Serve until stdin closes and every camera to be halted stands still."""
        loop = asyncio.get_running_loop()
        os.set_blocking(STDIN, False)
        os.set_blocking(STDOUT, False)
        async with Terms((), now=boot_seconds, told=self._tell) as self._terms:
            loop.add_signal_handler(signal.SIGTERM, self._told_to_end)
            loop.add_reader(STDIN, self._read)
            if self._taking is not None:
                self._taking.setblocking(False)
                loop.add_reader(self._taking, self._take_file)
            living = asyncio.create_task(self._say_alive())
            try:
                await self._closed.wait()
                await self._terms.until_idle()
            finally:
                loop.remove_reader(STDIN)
                for task in (living, *self._resolving):
                    task.cancel()

    def _told_to_end(self) -> None:
        if self._terms.idle:
            self._closed.set()

    def _read(self) -> None:
        try:
            data = os.read(STDIN, READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            asyncio.get_running_loop().remove_reader(STDIN)
            self._terms.halt_all("the daemon is gone")
            self._closed.set()
            for camera, link in self._links.items():
                if camera not in self._terms.halting:  # another daemon may want what a camera has one of
                    self._drop(link)
            return
        for message in self._lines.feed(data):
            try:
                self._take(message)
            except (ValueError, TypeError) as reason:
                log.error("the guard can't read what the daemon says", reason=str(reason))

    def _take(self, message: dict[str, Any]) -> None:
        """Do what a message says. Raises ValueError or TypeError for one that can't be read."""
        match message:
            case {"watch": str(name), "link": str(link), "dialect": str(dialect)}:
                self._addresses[name] = parse_link(link)
                self._links[name] = link
                self._terms.add(Watched(name, dialect_named(dialect), lambda: self._open(name)))
                task = asyncio.create_task(self._resolve(name))
                self._resolving.add(task)
                task.add_done_callback(self._resolving.discard)
            case {"renew": str(name), "until": None}:
                self._terms.release(name)
            case {"renew": str(name), "until": int(until) | float(until)} if math.isfinite(until):
                self._terms.renew(name, until)
            case {"halt": str(name), "why": str(why)}:
                self._terms.halt(name, why)
            case _:
                raise ValueError(f"it is no message of a daemon: {json.dumps(message)[:200]}")

    def _take_file(self) -> None:
        assert self._taking is not None
        try:
            link, files, _, _ = socket.recv_fds(self._taking, LONGEST_LINE_BYTES, 1)
        except BlockingIOError:
            return
        except OSError:
            link, files = b"", []
        if files:
            self._drop(link.decode())
            self._files[link.decode()] = files[0]
        else:
            asyncio.get_running_loop().remove_reader(self._taking)

    def _drop(self, link: str) -> None:
        if link in self._files:
            os.close(self._files.pop(link))

    async def _resolve(self, camera: str) -> None:
        """Find out now what a name stands for: who answers that may be gone when it is needed."""
        with suppress(OSError):
            self._addresses[camera] = await resolved(self._addresses[camera])

    def _open(self, camera: str) -> AbstractAsyncContextManager[Link]:
        return links.go_on(self._addresses[camera], self._files.get(self._links[camera]))

    async def _say_alive(self) -> None:
        while True:
            self._write({"alive": round(boot_seconds(), 3), "cameras": len(self._terms.cameras)})
            await asyncio.sleep(ALIVE_EVERY_SECONDS)

    def _tell(self, event: HaltBegan | HaltEnded) -> None:
        match event:
            case HaltBegan(camera=camera):
                self._write({"halting": camera})
            case HaltEnded(camera=camera, still=still):
                self._write({"halted": camera, "still": still})
                if self._closed.is_set():
                    self._drop(self._links[camera])

    def _write(self, message: dict[str, Any]) -> None:
        with suppress(OSError):  # a daemon that is gone or stands still reads nothing
            os.write(STDOUT, encode(message))
