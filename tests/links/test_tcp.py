"""A connection that is lost begins anew by itself, brings nothing from before, and holds nobody up meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from waiting import until

from ptzd import links
from ptzd.links import LOST, Link, LinkAddress

pytestmark = pytest.mark.usefixtures("nothing_fails_unseen")


class Head:
    """The other side of connections, and what came on each."""

    def __init__(self) -> None:
        self.port = 0
        self.heard: list[bytes] = []  # by connection
        self.writers: list[asyncio.StreamWriter] = []
        self.hangs_up = False
        self.reads = True
        self._server: asyncio.Server | None = None

    async def listen(self) -> None:
        own = socket.socket()
        own.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        own.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)  # the system keeps little for whom does not read
        own.bind(("127.0.0.1", self.port))
        self._server = await asyncio.start_server(self._met, sock=own, limit=1024)
        self.port = self._server.sockets[0].getsockname()[1]

    def deafen(self) -> None:
        """Let no new connection begin."""
        assert self._server is not None
        self._server.close()

    async def _met(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        number = len(self.heard)
        self.heard.append(b"")
        self.writers.append(writer)
        if self.hangs_up:
            writer.close()
            return
        if not self.reads:
            writer.transport.pause_reading()  # type: ignore[attr-defined]
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(100):
                self.heard[number] += data

    def drop(self) -> None:
        self.writers[-1].transport.abort()

    def close(self) -> None:
        for writer in self.writers:
            writer.transport.abort()
        self.deafen()


@asynccontextmanager
async def connected(*, hangs_up: bool = False, reads: bool = True) -> AsyncIterator[tuple[Head, Link]]:
    head = Head()
    head.hangs_up, head.reads = hangs_up, reads
    await head.listen()
    async with links.open(LinkAddress("127.0.0.1", head.port, "tcp")) as link:
        try:
            await until(lambda: bool(head.writers))
            yield head, link
        finally:
            head.close()


async def test_what_is_sent_arrives_and_what_comes_back_is_received() -> None:
    async with connected() as (head, link), asyncio.timeout(3):
        link.send(b"question")
        await until(lambda: head.heard == [b"question"])
        head.writers[0].write(b"answer")
        assert await link.receive() == b"answer"
        assert link.trouble is None


async def test_after_a_loss_the_connection_begins_anew_and_brings_nothing_from_before() -> None:
    async with connected() as (head, link), asyncio.timeout(5):
        link.send(b"before")
        await until(lambda: head.heard[0] == b"before")
        head.writers[0].write(b"half an ans")
        await asyncio.sleep(0.05)
        head.deafen()
        head.drop()
        await until(lambda: link.trouble is not None)
        link.send(b"meanwhile")
        assert await link.receive() == LOST  # and not the half
        await head.listen()
        await until(lambda: len(head.heard) == 2)
        await until(lambda: link.trouble is None)
        link.send(b"after")
        await until(lambda: head.heard[1] != b"")
        assert head.heard[1] == b"after"


async def test_a_head_that_is_not_there_yet_is_connected_to_once_it_is() -> None:
    head = Head()
    await head.listen()
    head.close()
    async with links.open(LinkAddress("127.0.0.1", head.port, "tcp")) as link:
        await until(lambda: link.trouble == "connection refused")
        link.send(b"anybody?")
        await head.listen()
        await until(lambda: link.trouble is None)
        head.close()


async def test_a_head_with_no_room_that_hangs_up_at_once_is_asked_more_and_more_rarely() -> None:
    async with connected(hangs_up=True) as (head, _):
        await asyncio.sleep(2.0)
        assert 4 <= len(head.writers) <= 6  # at once, and after 0.1, 0.3, 0.7 and 1.5 s


async def test_a_head_that_takes_nothing_in_is_given_up_and_connected_to_anew() -> None:
    async with connected(reads=False) as (head, link):
        for _ in range(100):
            link.send(bytes(1000))  # more than its system keeps for it
            await asyncio.sleep(0.01)
        assert len(head.heard) == 1
        for _ in range(600):
            link.send(bytes(15) + b"\xff")
            await asyncio.sleep(0.01)
            if len(head.heard) > 1:
                return
        pytest.fail("the connection on which nothing passes stands for ever")


async def test_of_a_flood_no_more_is_kept_than_the_link_has_room_for_and_it_lives_on() -> None:
    async with connected() as (head, link):
        for _ in range(1000):
            head.writers[0].write(b"flood " * 700)
            await asyncio.sleep(0)
        await asyncio.sleep(0.1)
        taken = 0
        with contextlib.suppress(TimeoutError):
            while True:
                async with asyncio.timeout(0.05):
                    taken += len(await link.receive())
        assert 0 < taken <= 256 * 4096
        link.send(b"question")
        await until(lambda: head.heard[0] == b"question")


async def test_a_loss_is_told_however_much_has_come_that_nobody_has_taken() -> None:
    async with connected() as (head, link):
        for _ in range(600):
            head.writers[0].write(b"one of a flood")
            await asyncio.sleep(0.001)
        head.drop()
        async with asyncio.timeout(3):
            while await link.receive() != LOST:
                pass


async def test_a_head_that_is_left_sees_the_connection_end() -> None:
    async with connected() as (head, _):
        pass
    await until(lambda: head.writers[0].is_closing())
