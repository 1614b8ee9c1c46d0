"""Simulated cameras where a controller reaches them: over a link in memory, or over UDP or TCP on this machine."""

from __future__ import annotations

import asyncio
import ipaddress
import random
from collections.abc import AsyncIterator, Hashable
from contextlib import asynccontextmanager
from functools import partial
from typing import Any, cast

from ptzd.links import MemoryLink

from .bare import Messages, Mouth
from .camera import SimulatedCamera
from .station import Station
from .wiring import Wiring

CABLE_SECONDS = 3.0  # for which a TCP connection outlasts a pulled cable


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


async def serve_bare(
    camera: SimulatedCamera, link: MemoryLink, *, stream: bool, wiring: Wiring | None = None, rng: random.Random
) -> None:
    """Answer bare messages that come over `link`, on a `stream` or in datagrams, until cancelled."""
    mouth = Mouth(link.send, wiring or Wiring(pieces=2), rng) if stream else None
    messages = Messages()
    station = Station(
        camera, lambda peer, message: link.send(message) if mouth is None else mouth.say(message), bare=True
    )

    def hear(data: bytes) -> None:
        for message in messages.feed(data):
            station.heard(message, "wire")

    link.hear(hear)
    try:
        await asyncio.Event().wait()
    finally:
        link.hear(lambda data: None)
        station.close()
        if mouth is not None:
            mouth.close()


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
    camera: SimulatedCamera,
    host: str,
    port: int,
    *,
    loss: float = 0.0,
    doubled: float = 0.0,
    bare: bool = False,
    rng: random.Random,
) -> AsyncIterator[int]:
    """Listen on `host`:`port` for as long as the context lasts; port 0 takes a free one. Yields the port.

    A share `loss` (0..1) of the datagrams is lost, each way, and of the others a share `doubled` (0..1) arrives twice,
    as `rng` decides. Messages are `bare`, or have headers.

    Raises ValueError for an address that is not this machine's own, OSError for a port that is taken.
    """
    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        lambda: _UdpCamera(camera, loss, doubled, bare, rng), local_addr=(loopback(host), port)
    )
    try:
        yield transport.get_extra_info("sockname")[1]
    finally:
        transport.close()
        await asyncio.sleep(0)  # the loop closes the socket on its next turn


class _UdpCamera(asyncio.DatagramProtocol):
    """Sends each reply to the address that asked."""

    def __init__(self, camera: SimulatedCamera, loss: float, doubled: float, bare: bool, rng: random.Random) -> None:
        self._station = Station(camera, self._send, bare=bare)
        self._loss = loss
        self._doubled = doubled
        self._rng = rng
        self._transport: asyncio.DatagramTransport

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
        for _ in range(self._copies()):
            self._transport.sendto(datagram, peer)

    def _copies(self) -> int:
        """As how many datagrams one arrives."""
        if self._rng.random() < self._loss:
            return 0
        return 2 if self._doubled and self._rng.random() < self._doubled else 1


@asynccontextmanager
async def serve_tcp(
    camera: SimulatedCamera, host: str, port: int, *, wiring: Wiring | None = None, rng: random.Random
) -> AsyncIterator[int]:
    """Listen for bare messages on TCP connections for as long as the context lasts. Yields the port; raises as above.

    `camera.pull` pulls its cable: nothing passes either way, no connection begins, and those that stand are lost where
    it lasts.
    """
    served = _TcpCamera(camera, loopback(host), wiring or Wiring(), rng)
    await served.listen(port)
    camera.pull = served.pull
    try:
        yield served.port
    finally:
        served.close()
        await asyncio.sleep(0)


class _TcpCamera:
    """Where connections to one camera begin."""

    def __init__(self, camera: SimulatedCamera, host: str, wiring: Wiring, rng: random.Random) -> None:
        self.station = Station(camera, lambda peer, message: cast(_Connection, peer).say(message), bare=True)
        self.wiring = wiring
        self.rng = rng
        self.standing: list[_Connection] = []
        self.port = 0
        self._host = host
        self._server: asyncio.Server
        self._plug: asyncio.TimerHandle | None = None
        self._plugging: asyncio.Task[None] | None = None
        self._pulled_at = 0.0

    async def listen(self, port: int) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Connection(self), self._host, port, reuse_address=True)
        self.port = self._server.sockets[0].getsockname()[1]

    def pull(self, until: float) -> None:
        """Have no cable until then (loop time)."""
        loop = asyncio.get_running_loop()
        if self._plug is not None:
            self._plug.cancel()
        else:
            self._pulled_at = loop.time()
            self._server.close()
            for each in self.standing:
                each.pull()
        self._plug = loop.call_at(until, self._put_back)

    def _put_back(self) -> None:
        loop = asyncio.get_running_loop()
        self._plug = None
        outlasted = loop.time() - self._pulled_at <= CABLE_SECONDS
        for each in list(self.standing):
            each.put_back(outlasted)
        self._plugging = loop.create_task(self.listen(self.port))

    def close(self) -> None:
        if self._plug is not None:
            self._plug.cancel()
        if self._plugging is not None:
            self._plugging.cancel()
        self._server.close()
        for each in list(self.standing):
            each.end()
        self.station.close()


class _Connection(asyncio.Protocol):
    """One controller's."""

    def __init__(self, served: _TcpCamera) -> None:
        self._served = served
        self._messages = Messages()
        self._transport: asyncio.Transport
        self._mouth = Mouth(self._write, served.wiring, served.rng)
        self._held: list[bytes] | None = None  # what is not said while there is no cable
        self._idle: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        served = self._served
        if len(served.standing) >= served.wiring.connections:
            if served.wiring.one_more == "refused":
                self._transport.abort()
                return
            served.standing[0].end()
        served.standing.append(self)
        self._listen_on()

    def data_received(self, data: bytes) -> None:
        if self not in self._served.standing:
            return
        self._listen_on()
        for message in self._messages.feed(data):
            self._served.station.heard(message, self)

    def connection_lost(self, exc: Exception | None) -> None:
        self.end()

    def end(self) -> None:
        if self in self._served.standing:
            self._served.standing.remove(self)
            self._served.station.gone(self)
        if self._idle is not None:
            self._idle.cancel()
        self._mouth.close()
        self._transport.abort()

    def say(self, message: bytes) -> None:
        if self._held is None:
            self._mouth.say(message)
        else:
            self._held.append(message)

    def pull(self) -> None:
        self._transport.pause_reading()
        self._held = []

    def put_back(self, outlasted: bool) -> None:
        held, self._held = self._held or [], None
        if not outlasted:
            self.end()
            return
        for message in held:
            self.say(message)
        self._transport.resume_reading()

    def _listen_on(self) -> None:
        if self._idle is not None:
            self._idle.cancel()
        if (seconds := self._served.wiring.idle_seconds) is not None:
            self._idle = asyncio.get_running_loop().call_later(seconds, self.end)

    def _write(self, data: bytes) -> None:
        if not self._transport.is_closing():
            self._transport.write(data)
