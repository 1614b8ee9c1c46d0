"""Calling upon the daemons of this computer to stop cameras, with no broker between.

A daemon takes a stop that it did not order for something to make up for, and sends its camera on. So whoever halts
cameras beside one tells it, and may ask it whether they stand: two that read one serial port take each other's bytes,
so only one of them can look. It listens on a socket in Linux's abstract namespace (unix(7)), which is gone with its
process whatever ends that, and which /proc/net/unix lists.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import structlog

from .halting import Halt

PREFIX = "ptzd-daemon-"
LISTED = Path("/proc/net/unix")
MOST_BYTES = 1 << 16

log = structlog.get_logger()


Stop = Callable[[frozenset[str]], list[str]]
Tell = Callable[[frozenset[str]], list[dict[str, Any]]]


@dataclass(slots=True)
class Seen(Halt):
    """What a daemon has seen of a camera that it was called upon to stop."""

    process: int = 0


class _Calls(asyncio.DatagramProtocol):
    def __init__(self, stop: Stop, tell: Tell) -> None:
        self._stop, self._tell = stop, tell
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: Any) -> None:
        with suppress(ValueError, TypeError, KeyError):  # who calls is no part of ptzd
            asked = json.loads(data)
            places = frozenset(asked["places"])
            answer = self._tell(places) if asked.get("tell") else self._stop(places)
            if self._transport is not None and addr:  # else to answer would end the socket
                self._transport.sendto(json.dumps(answer).encode(), addr)


@asynccontextmanager
async def called(stop: Stop, tell: Tell) -> AsyncIterator[None]:
    """Let `stop` be called with places for as long as the context lasts; it returns the names of whom it stopped.

    `tell` returns what was seen since then of each camera at the places, by the fields of `Halt`.
    """
    try:
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: _Calls(stop, tell), family=socket.AF_UNIX, local_addr=f"\0{PREFIX}{os.getpid()}"
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
    answers = await _ask(_daemons(), {"places": sorted(places)}, seconds)
    return {process: [str(name) for name in answer] for process, answer in answers.items()}


async def seen(process: int, places: frozenset[str], seconds: float) -> Seen | None:
    """Return what a daemon has seen of the camera at these places since it was stopped; None where it can't tell."""
    answer = (await _ask([process], {"places": sorted(places), "tell": True}, seconds)).get(process, [])
    with suppress(TypeError, ValueError):  # it tells of no camera, or is older and tells whom it stopped once more
        (told,) = answer
        return Seen(asyncio.get_running_loop().time(), process=process, **told)
    return None


async def _ask(processes: Iterable[int], words: dict[str, Any], seconds: float) -> dict[int, list[Any]]:
    waited_for, answers = set(processes), dict[int, list[Any]]()
    loop = asyncio.get_running_loop()
    if not waited_for:
        return {}
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as caller:
        caller.setblocking(False)
        caller.bind("")  # the system chooses a name, to which it is answered
        for process in list(waited_for):
            try:
                caller.sendto(json.dumps(words).encode(), f"\0{PREFIX}{process}")
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
                            answers[answering] = list(json.loads(answer))
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
