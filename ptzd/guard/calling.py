"""Calling upon the daemons of this computer to stop cameras, with no broker between.

A daemon takes a stop that it did not order for something to make up for, and sends its camera on. So whoever halts
cameras beside one tells it. It listens on a socket in Linux's abstract namespace (unix(7)), which is gone with its
process whatever ends that, and which /proc/net/unix lists.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, cast

import structlog

PREFIX = "ptzd-daemon-"
LISTED = Path("/proc/net/unix")
MOST_BYTES = 1 << 16

log = structlog.get_logger()


class _Calls(asyncio.DatagramProtocol):
    def __init__(self, stop: Callable[[frozenset[str]], list[str]]) -> None:
        self._stop = stop
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: Any) -> None:
        with suppress(ValueError, TypeError, KeyError):  # who calls is no part of ptzd
            stopped = self._stop(frozenset(json.loads(data)["places"]))
            if self._transport is not None and addr:  # else to answer would end the socket
                self._transport.sendto(json.dumps(stopped).encode(), addr)


@asynccontextmanager
async def called(stop: Callable[[frozenset[str]], list[str]]) -> AsyncIterator[None]:
    """Let `stop` be called with places for as long as the context lasts; it returns the names of whom it stopped."""
    try:
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: _Calls(stop), family=socket.AF_UNIX, local_addr=f"\0{PREFIX}{os.getpid()}"
        )
    except OSError as error:
        log.warning("`ptzd halt` can't tell this daemon to stop its cameras", why=str(error))
        yield
        return
    try:
        yield
    finally:
        transport.close()


async def call(places: frozenset[str], seconds: float) -> dict[int, list[str]]:
    """Have the cameras at these places stopped; return whom each daemon stopped, by its process.

    One that does not answer in so many seconds is frozen: it finds the call as soon as it goes on.
    """
    waited_for, answers = set(_daemons()), dict[int, list[str]]()
    loop = asyncio.get_running_loop()
    if not waited_for:
        return {}
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as caller:
        caller.setblocking(False)
        caller.bind("")  # the system chooses a name, to which it is answered
        for process in list(waited_for):
            try:
                caller.sendto(json.dumps({"places": sorted(places)}).encode(), f"\0{PREFIX}{process}")
            except BlockingIOError:
                pass  # it is frozen, and was called often
            except OSError:
                waited_for.remove(process)  # it has just ended
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while waited_for - answers.keys():
                    answer, sender = await loop.sock_recvfrom(caller, MOST_BYTES)
                    answering = _process(os.fsdecode(sender or b"").lstrip("\0"))
                    with suppress(ValueError):
                        if answering in waited_for:
                            answers[answering] = [str(name) for name in json.loads(answer)]
    return answers


def _daemons() -> Iterator[int]:
    with suppress(OSError):
        for line in LISTED.read_text().splitlines():
            if (process := _process(line.rpartition(" @")[2])) is not None:
                yield process


def _process(name: str) -> int | None:
    """Return the process of the daemon that listens under a name; None where no daemon does."""
    number = name.removeprefix(PREFIX)
    return int(number) if name.startswith(PREFIX) and number.isdecimal() else None
