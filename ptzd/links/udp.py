"""UDP to one camera: VISCA over IP, or bare messages in datagrams."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import cast

from .link import Form, Link

RECEIVED_AT_MOST = 256


class UdpLink(asyncio.DatagramProtocol):
    """A connected UDP socket: the kernel drops whatever comes from another address or port."""

    trouble: str | None = None  # what is lost in a network, nobody here is told

    def __init__(self, form: Form) -> None:
        self.form = form
        self._received: asyncio.Queue[bytes] = asyncio.Queue(maxsize=RECEIVED_AT_MOST)
        self._transport: asyncio.DatagramTransport | None = None

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
