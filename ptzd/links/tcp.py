"""TCP to one camera: a stream of bare messages, over one connection that begins anew whenever it is lost.

Nothing is kept for a connection that is not there: what was to be said meanwhile is lost, as on a network that loses
datagrams, and whoever speaks repeats what still holds. No more than a few messages wait in the system for one that
stands still, so that a cable that is put back does not bring orders from long ago.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import socket
import struct
import sys
import termios
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

from .link import LOST, Form, Link
from .udp import RECEIVED_AT_MOST

# The system's own patience doubles with each loss, so that after a cable is put back nothing would pass for seconds:
# a connection on which nothing passes is given up early, and a new one is tried often.
CONNECT_SECONDS = 1.0
FIRST_PAUSE_SECONDS = 0.1  # before a connection that was lost, or refused, is tried again; doubled each time
LONGEST_PAUSE_SECONDS = 1.0
UNACKNOWLEDGED_SECONDS = 2.0
UNACKNOWLEDGED_BYTES = 256  # that the system keeps for the other side at most: two dozen messages
SILENT_SECONDS = 2.0  # somebody else's connection on which nothing was heard for so long is of no use to anybody
READ_BYTES = 4096


class TcpLink:
    """See the module. `keep` must run for anything to pass."""

    form: Form = "stream"

    def __init__(
        self,
        host: str,
        port: int,
        *,
        connected: Callable[[int], None] | None = None,
        first: socket.socket | None = None,
    ) -> None:
        """`connected` is told of the file of each new connection; `first` is one that stands already."""
        self.trouble: str | None = "it is not connected yet"
        self._host, self._port = host, port
        self._connected = connected
        self._first = first
        self._lent = False  # whether the connection that stands is that first one, and somebody else's
        self._socket: socket.socket | None = None
        self._since = 0.0  # when it began (loop time)
        self._heard_at: float | None = None  # anything, on the connection that stands
        self._received: asyncio.Queue[bytes] = asyncio.Queue(maxsize=RECEIVED_AT_MOST)
        self._over = asyncio.Event()
        self._loop = asyncio.get_running_loop()

    def send(self, datagram: bytes) -> None:
        if self._socket is None:
            return
        try:
            if _unacknowledged(self._socket) > UNACKNOWLEDGED_BYTES:
                return
            if self._socket.send(datagram) < len(datagram):
                self._lost("it took in a part of a message")  # which would spoil the next
        except BlockingIOError:
            return
        except OSError as error:
            self._lost(_why(error))

    def overtake(self) -> None:
        """What was sent is the system's, and can't be taken back; it is little."""

    async def receive(self) -> bytes:
        return await self._received.get()

    async def keep(self) -> None:
        """Connect, and connect anew after each loss, until cancelled."""
        pause = FIRST_PAUSE_SECONDS
        try:
            while True:
                try:
                    await self._connect()
                except OSError as error:
                    self.trouble = _why(error)
                else:
                    self._over.clear()
                    await self._over.wait()
                    if self._heard_at is not None:  # a head with no room for one more may take it and end it at once
                        pause = FIRST_PAUSE_SECONDS
                await asyncio.sleep(pause)
                pause = min(2 * pause, LONGEST_PAUSE_SECONDS)
        finally:
            self._leave()

    async def _connect(self) -> None:
        taken, self._first = self._first, None
        self._lent = taken is not None
        if taken is None:
            taken = await self._new()
        taken.setblocking(False)
        with suppress(OSError):
            taken.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            for option, value in (("TCP_KEEPIDLE", 1), ("TCP_KEEPINTVL", 1), ("TCP_KEEPCNT", 3)):
                taken.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
            taken.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(1000 * UNACKNOWLEDGED_SECONDS))
            # What the other side has not taken in by the end is not delivered after it: nobody would answer for it.
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._heard_at, self._since = None, self._loop.time()
        self._socket = taken
        self.trouble = None
        self._loop.add_reader(taken, self._read)
        if self._connected is not None:
            self._connected(taken.fileno())

    async def _new(self) -> socket.socket:
        try:
            async with asyncio.timeout(CONNECT_SECONDS):
                found = await self._loop.getaddrinfo(self._host, self._port, type=socket.SOCK_STREAM)
                family, kind, protocol, _, where = found[0]
                new = socket.socket(family, kind, protocol)
                new.setblocking(False)
                try:
                    await self._loop.sock_connect(new, where)
                except BaseException:
                    new.close()
                    raise
        except TimeoutError:
            raise OSError("nothing answers there") from None
        return new

    def _read(self) -> None:
        assert self._socket is not None
        try:
            data = self._socket.recv(READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._lost(_why(error))
            return
        if not data:
            self._lost("the camera has ended the connection")
            return
        self._heard_at = self._loop.time()
        if not self._received.full():  # a flood must not grow without end; the conversation repeats what is lost
            self._received.put_nowait(data)

    def _lost(self, reason: str) -> None:
        self.trouble = reason
        self._end()
        while not self._received.empty():  # nobody waits for it any more
            self._received.get_nowait()
        self._received.put_nowait(LOST)
        self._over.set()

    def _leave(self) -> None:
        """End what is one's own; leave what is somebody else's as it is, unless it is of no use."""
        since = self._since if self._heard_at is None else self._heard_at
        if self._socket is not None and self._lent and self._loop.time() - since < SILENT_SECONDS:
            self._loop.remove_reader(self._socket)
            self._socket.close()
        else:
            self._end()

    def _end(self) -> None:
        """End the connection, whoever else has its file."""
        if self._socket is not None:
            self._loop.remove_reader(self._socket)
            with suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
            self._socket.close()
            self._socket = None


@asynccontextmanager
async def open_tcp(host: str, port: int, *, connected: Callable[[int], None] | None = None) -> AsyncIterator[Link]:
    """Keep a connection to `host`:`port` for as long as the context lasts, and end it then. Never raises OSError."""
    async with _kept(TcpLink(host, port, connected=connected)) as link:
        yield link


@asynccontextmanager
async def go_on_with_tcp(handed: int, host: str, port: int) -> AsyncIterator[TcpLink]:
    """Go on with somebody else's connection, by a copy of its file; with one of one's own, once that has ended.

    The first byte ends a message of which somebody else has sent the beginning alone.
    """
    link = TcpLink(host, port, first=socket.socket(fileno=os.dup(handed)))
    async with _kept(link):
        link.send(b"\xff")
        yield link


@asynccontextmanager
async def _kept(link: TcpLink) -> AsyncIterator[TcpLink]:
    keeping = asyncio.create_task(link.keep())
    try:
        await asyncio.sleep(0)  # a connection that stands already is taken up
        yield link
    finally:
        keeping.cancel()
        await asyncio.wait([keeping])


def _unacknowledged(connection: socket.socket) -> int:
    """Return how many bytes the other side has not confirmed; 0 where this system does not tell."""
    if sys.platform != "linux":
        return 0
    return int(struct.unpack("i", fcntl.ioctl(connection, termios.TIOCOUTQ, b"\0" * 4))[0])  # SIOCOUTQ: tcp(7)


def _why(error: OSError) -> str:
    return (os.strerror(error.errno) if error.errno else str(error)).lower()
