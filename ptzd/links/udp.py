"""UDP to one camera: VISCA over IP, or bare messages in datagrams."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import cast

from .link import Form, Link

RECEIVED_AT_MOST = 256
FIRST_SECONDS = 1.0  # that a start waits for the host to be found; then it is looked up beside all else
FIRST_PAUSE_SECONDS = 0.5  # before it is looked up again; doubled each time
LONGEST_PAUSE_SECONDS = 5.0


class UdpLink(asyncio.DatagramProtocol):
    """A connected UDP socket: the kernel drops whatever comes from another address or port."""

    def __init__(self, form: Form) -> None:
        self.form = form
        self.trouble: str | None = None  # what is lost in a network, nobody here is told
        self._received: asyncio.Queue[bytes] = asyncio.Queue(maxsize=RECEIVED_AT_MOST)
        self._transport: asyncio.DatagramTransport | None = None

    async def keep(self, host: str, port: int, opened: asyncio.Event) -> None:
        """Look the host up until it is found."""
        pause = FIRST_PAUSE_SECONDS
        while not opened.is_set():
            try:
                await asyncio.get_running_loop().create_datagram_endpoint(lambda: self, remote_addr=(host, port))
                self.trouble = None
                opened.set()
            except OSError as error:
                self.trouble = why(error)
                await asyncio.sleep(pause)
                pause = min(2 * pause, LONGEST_PAUSE_SECONDS)

    def close(self) -> None:
        """Nothing passes any more."""
        if self._transport is not None:
            self._transport.close()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)  # asyncio's own is one in all but name

    def datagram_received(self, data: bytes, addr: object) -> None:
        # A flood must not grow without end; the conversation repeats what is lost. An empty one would mean LOST.
        if data and not self._received.full():
            self._received.put_nowait(data)

    def error_received(self, exc: Exception) -> None:
        """Nobody listens there at the moment; the conversation's own deadlines notice."""

    def send(self, datagram: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.sendto(datagram)

    def overtake(self) -> None:
        """Whatever was sent has left."""

    async def receive(self) -> bytes:
        return await self._received.get()


@asynccontextmanager
async def open_udp(host: str, port: int, form: Form = "numbered") -> AsyncIterator[Link]:
    """Open a link to `host`:`port` for as long as the context lasts. Raises OSError for a name that is unknown."""
    transport, link = await asyncio.get_running_loop().create_datagram_endpoint(
        lambda: UdpLink(form), remote_addr=(host, port)
    )
    try:
        yield link
    finally:
        transport.close()


@asynccontextmanager
async def keep_udp(host: str, port: int, form: Form = "numbered") -> AsyncIterator[Link]:
    """Open a link as `open_udp` does, but look a name that is unknown up again and again: it never raises OSError."""
    link, opened = UdpLink(form), asyncio.Event()
    link.trouble = f"its host {host} is being looked up"
    keeping = asyncio.create_task(link.keep(host, port, opened))
    try:
        with suppress(TimeoutError):
            async with asyncio.timeout(FIRST_SECONDS):
                await opened.wait()
        yield link
    finally:
        keeping.cancel()
        await asyncio.wait([keeping])
        link.close()


def why(error: OSError) -> str:
    """Return why a camera can't be reached, in words."""
    if isinstance(error, socket.gaierror):  # whose numbers are no others'
        return f"its host is not found: {(error.strerror or 'unknown name').lower()}"
    return (os.strerror(error.errno) if error.errno else str(error)).lower()
