"""Simulated cameras where a controller reaches them: over a link in memory, or over UDP on this machine."""

from __future__ import annotations

import asyncio
import ipaddress
import random
from collections.abc import AsyncIterator, Hashable
from contextlib import asynccontextmanager
from functools import partial
from typing import Any, cast

from ptzd.links import MemoryLink

from .camera import SimulatedCamera
from .station import Station


async def serve_memory(camera: SimulatedCamera, *links: MemoryLink) -> None:
    """Answer whatever comes over `links`, each from another controller, until cancelled."""
    station = Station(camera, lambda peer, datagram: cast(MemoryLink, peer).send(datagram))

    for link in links:
        link.hear(partial(station.heard, peer=link))
    try:
        await asyncio.Event().wait()
    finally:
        for link in links:
            link.hear(lambda datagram: None)
        station.close()


def loopback(host: str) -> str:
    """Return `host` as a loopback address. Raises ValueError: a simulated camera has no place on a network."""
    try:
        address = ipaddress.ip_address("127.0.0.1" if host == "localhost" else host)
    except ValueError:
        address = None
    if address is None or not address.is_loopback:
        raise ValueError(f"a simulated camera listens on this machine alone, not on {host!r}: take 127.0.0.1")
    return str(address)


@asynccontextmanager
async def serve_udp(
    camera: SimulatedCamera, host: str, port: int, *, loss: float = 0.0, doubled: float = 0.0, rng: random.Random
) -> AsyncIterator[int]:
    """Listen on `host`:`port` for as long as the context lasts; port 0 takes a free one. Yields the port.

    A share `loss` (0..1) of the datagrams is lost, each way, and of the others a share `doubled` (0..1) arrives twice,
    as `rng` decides. Raises ValueError for an address that is not this machine's own, OSError for a port that is taken.
    """
    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        lambda: _UdpCamera(camera, loss, doubled, rng), local_addr=(loopback(host), port)
    )
    try:
        yield transport.get_extra_info("sockname")[1]
    finally:
        transport.close()
        await asyncio.sleep(0)  # the loop closes the socket on its next turn


class _UdpCamera(asyncio.DatagramProtocol):
    """Sends each reply to the address that asked."""

    def __init__(self, camera: SimulatedCamera, loss: float, doubled: float, rng: random.Random) -> None:
        self._station = Station(camera, self._send)
        self._loss = loss
        self._doubled = doubled
        self._rng = rng
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)  # in 3.11 it is one in all but name

    def connection_lost(self, exc: Exception | None) -> None:
        self._station.close()

    def datagram_received(self, data: bytes, addr: Hashable) -> None:
        for _ in range(self._copies()):
            self._station.heard(data, addr)

    def error_received(self, exc: Exception) -> None:
        """A controller that has gone away; the next one may come any time."""

    def _send(self, peer: Any, datagram: bytes) -> None:
        if self._transport is not None:
            for _ in range(self._copies()):
                self._transport.sendto(datagram, peer)

    def _copies(self) -> int:
        """As how many datagrams one arrives."""
        if self._rng.random() < self._loss:
            return 0
        return 2 if self._doubled and self._rng.random() < self._doubled else 1
