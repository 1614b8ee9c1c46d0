"""A head that has room for one connection is halted over that of a daemon that still holds it."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import socket
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial

from ptzsim import SimulatedCamera, Wiring, serve_tcp
from rigs import simulated_camera

from ptzd import links
from ptzd.guard import Guarded, Keeper
from ptzd.links import Link, LinkAddress
from ptzd.visca import PanTiltDrive, load_dialect

DIALECT = load_dialect("nibble4-51")
POWER, ON = bytes.fromhex("81 09 04 00 FF"), bytes.fromhex("90 50 02 FF")  # SRG-300H, command list


class OneConnection:
    """A head with room for one connection."""

    def __init__(self, camera: SimulatedCamera, port: int) -> None:
        self.camera = camera
        self.address = LinkAddress("127.0.0.1", port, "tcp")
        self.guarded = Guarded("gallery", str(self.address), DIALECT.name)

    def drive(self) -> None:
        self.camera.body.perform(PanTiltDrive(13, 1, 1, 0), asyncio.get_running_loop().time())

    @property
    def moving(self) -> bool:
        return self.camera.head.moving(asyncio.get_running_loop().time())

    async def rests(self, within: float) -> None:
        began_at = time.monotonic()
        while self.moving:
            assert time.monotonic() - began_at < within, f"it still moves after {within} s"
            await asyncio.sleep(0.01)

    @asynccontextmanager
    async def held_by(self, keeper: Keeper) -> AsyncIterator[Link]:
        """Hold its connection, and let the guard have it, as a daemon does."""
        async with links.open(self.address, connected=partial(keeper.hand_on, str(self.address))) as link:
            await answer(link)
            yield link


@asynccontextmanager
async def one_connection() -> AsyncIterator[OneConnection]:
    camera = simulated_camera(DIALECT, random.Random(1))
    async with serve_tcp(camera, "127.0.0.1", 0, wiring=Wiring(connections=1), rng=random.Random(1)) as port:
        yield OneConnection(camera, port)


async def answer(link: Link) -> None:
    async with asyncio.timeout(3):
        while True:
            link.send(POWER)
            try:
                async with asyncio.timeout(0.3):
                    while await link.receive() != ON:
                        pass
                return
            except TimeoutError:
                pass


async def test_the_guard_goes_on_with_the_connection_that_it_was_handed_and_leaves_it_open() -> None:
    async with one_connection() as head, Keeper([head.guarded]) as keeper:
        left: list[str] = []
        keeper.halted = left.append
        assert await keeper.living(20)
        loop = asyncio.get_running_loop()
        with socket.create_connection((head.address.host, head.address.port)) as ours:  # a daemon that reads nothing
            ours.setblocking(False)
            keeper.hand_on(str(head.address), ours.fileno())
            for _ in range(2):
                head.drive()
                keeper.renew("gallery", 0.2)
                await head.rests(within=1.0)
                async with asyncio.timeout(2):
                    while not left:
                        await asyncio.sleep(0.01)
                    assert left.pop() == "gallery"
                    await loop.sock_sendall(ours, POWER)
                    assert (await loop.sock_recv(ours, 100)).endswith(ON)


async def test_a_guard_without_a_daemon_lets_go_of_a_head_that_rests_though_it_still_halts_another() -> None:
    silent = Guarded("left", "udp://127.0.0.1:9", DIALECT.name)
    async with one_connection() as head:
        async with Keeper([head.guarded, silent]) as keeper:
            assert await keeper.living(20)
            with socket.create_connection((head.address.host, head.address.port)) as ours:
                keeper.hand_on(str(head.address), ours.fileno())
            head.drive()
            keeper.renew("gallery", 0.4)
            keeper.renew("left", 0.4)
            guard = keeper.process
        assert guard is not None
        try:
            await head.rests(within=1.0)
            async with links.open(head.address) as another:  # of the next daemon
                await answer(another)
            assert guard.poll() is None, "it still halts the other"
        finally:
            guard.kill()
            guard.wait()


async def test_a_guard_that_follows_another_has_the_connections_that_were_handed_to_that_one() -> None:
    async with one_connection() as head, Keeper([head.guarded]) as keeper:
        assert await keeper.living(20)
        async with head.held_by(keeper):
            assert keeper.pid is not None
            os.kill(keeper.pid, signal.SIGKILL)
            while keeper.watches:
                await asyncio.sleep(0.01)
            assert await keeper.living(20)
            head.drive()
            keeper.renew("gallery", 0.2)
            await head.rests(within=1.0)


async def test_a_connection_that_begins_while_no_guard_lives_is_handed_to_the_next() -> None:
    async with one_connection() as head, Keeper([head.guarded]) as keeper:
        assert await keeper.living(20)
        assert keeper.pid is not None
        os.kill(keeper.pid, signal.SIGKILL)
        while keeper.watches:
            await asyncio.sleep(0.005)
        async with head.held_by(keeper):
            assert await keeper.living(20)
            head.drive()
            keeper.renew("gallery", 0.2)
            await head.rests(within=1.0)


async def test_where_the_connection_that_it_was_handed_has_ended_the_guard_makes_one_of_its_own() -> None:
    async with one_connection() as head, Keeper([head.guarded]) as keeper:
        assert await keeper.living(20)
        with socket.create_connection((head.address.host, head.address.port)) as lost:
            keeper.hand_on(str(head.address), lost.fileno())
            lost.shutdown(socket.SHUT_RDWR)
        head.drive()
        keeper.renew("gallery", 0.2)
        await head.rests(within=1.2)


async def test_the_first_that_a_head_hears_of_its_guard_ends_what_was_half_said_and_is_a_stop() -> None:
    loop = asyncio.get_running_loop()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)
        address = LinkAddress("127.0.0.1", server.getsockname()[1], "tcp")
        async with Keeper([Guarded("gallery", str(address), DIALECT.name)]) as keeper:
            assert await keeper.living(20)
            with socket.create_connection((address.host, address.port)) as ours:
                keeper.hand_on(str(address), ours.fileno())
                ours.send(bytes.fromhex("81 01 06 01 18"))  # the beginning of a drive
                connection, _ = await loop.sock_accept(server)
                with connection:
                    heard = b""
                    keeper.renew("gallery", 0.2)
                    async with asyncio.timeout(3):
                        while len(heard) < 20:
                            heard += await loop.sock_recv(connection, 100)
                    keeper.renew("gallery", 2.0)
                    keeper.renew("gallery", 0.0)
    # SRG-300H, command list (4/4); IF_Clear follows
    assert heard[:20] == bytes.fromhex("81 01 06 01 18 FF 81 01 06 01 01 01 03 03 FF 81 01 00 01 FF")
