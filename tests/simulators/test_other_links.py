"""Simulated cameras over TCP, in bare datagrams and on serial wires, and what units do unlike each other there."""

from __future__ import annotations

import asyncio
import random
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from ptzsim import SimulatedCamera, Wiring, draw_wiring, serve_tcp, virtual_time
from ptzsim.serial_line import SerialChain
from ptzsim.serving import serve_bare
from rigs import simulated_camera

from ptzd import links
from ptzd.links import LOST, memory_pair, parse_link
from ptzd.visca import load_dialect

POWER, ON = bytes.fromhex("81 09 04 00 FF"), bytes.fromhex("90 50 02 FF")  # LUMiO 12x VISCA command list


def make_camera() -> SimulatedCamera:
    dialect = load_dialect("nibble4-51")
    return simulated_camera(dialect, random.Random(1))


@asynccontextmanager
async def connections(
    wiring: Wiring, count: int
) -> AsyncIterator[list[tuple[asyncio.StreamReader, asyncio.StreamWriter]]]:
    async with serve_tcp(make_camera(), "127.0.0.1", 0, wiring=wiring, rng=random.Random(1)) as port:
        opened = []
        for _ in range(count):
            opened.append(await asyncio.open_connection("127.0.0.1", port))
            await asyncio.sleep(0.05)
        try:
            yield opened
        finally:
            for _, writer in opened:
                writer.close()


async def answers(connection: tuple[asyncio.StreamReader, asyncio.StreamWriter]) -> bool:
    reader, writer = connection
    try:
        writer.write(POWER)
        async with asyncio.timeout(2):
            return await reader.readuntil(b"\xff") == ON
    except (ConnectionError, asyncio.IncompleteReadError):
        return False


@pytest.mark.parametrize(
    ("wiring", "which"),
    [
        (Wiring(connections=2), [True, True]),
        (Wiring(connections=1, one_more="refused"), [True, False]),
        (Wiring(connections=1, one_more="drops-older"), [False, True]),
    ],
)
async def test_a_unit_has_room_for_so_many_connections(wiring: Wiring, which: list[bool]) -> None:
    async with connections(wiring, 2) as opened:
        assert [await answers(each) for each in opened] == which


async def test_a_unit_may_end_a_connection_on_which_nothing_comes() -> None:
    async with connections(Wiring(idle_seconds=0.3), 1) as (connection,):
        for _ in range(4):
            await asyncio.sleep(0.15)
            assert await answers(connection)
        await asyncio.sleep(0.4)
        assert not await answers(connection)


async def test_a_unit_may_chop_what_it_says_and_say_two_things_at_once() -> None:
    async with connections(Wiring(pieces=4, gathers=True), 1) as ((reader, writer),):
        writer.write(POWER * 2)
        pieces: list[bytes] = []
        async with asyncio.timeout(3):
            while b"".join(pieces) != ON * 2:
                pieces.append(await reader.read(100))
        assert len(pieces) > 2


def test_units_are_drawn_unlike_each_other() -> None:
    drawn = [draw_wiring(random.Random(seed)) for seed in range(60)]
    for name in ("connections", "one_more", "pieces", "gathers", "answers_broadcast"):
        assert len({getattr(each, name) for each in drawn}) > 1, name
    assert {each.idle_seconds is None for each in drawn} == {True, False}


def test_a_serial_wire_carries_960_bytes_a_second_each_way() -> None:
    async def play() -> None:
        loop = asyncio.get_running_loop()
        came: list[float] = []
        chain = SerialChain([make_camera()], lambda data: came.append(loop.time()), rng=random.Random(1))
        began_at = loop.time()
        chain.heard(POWER * 192)  # one second's worth
        await asyncio.sleep(3.0)
        assert len(came) == 192
        assert 1.0 < came[-1] - began_at < 1.2  # and the camera's own time for the last

    virtual_time.run(play())


def test_a_camera_that_restarts_has_forgotten_its_address_and_says_so() -> None:
    async def play() -> None:
        said: list[str] = []
        cameras = [make_camera(), make_camera()]
        chain = SerialChain(cameras, lambda data: said.append(data.hex(" ").upper()), rng=random.Random(1))

        async def after(wire: str) -> list[str]:
            said.clear()
            chain.heard(bytes.fromhex(wire))
            await asyncio.sleep(0.3)
            return said

        assert await after("82 09 04 00 FF") == []  # nobody has an address yet
        assert await after("88 30 01 FF") == ["88 30 03 FF"]
        assert await after("82 09 04 00 FF") == ["A0 50 02 FF"]
        said.clear()
        cameras[1].power_cut(asyncio.get_running_loop().time())
        await asyncio.sleep(0.3)
        assert said == ["A0 38 FF"]
        assert await after("82 09 04 00 FF") == []
        assert await after("81 09 04 00 FF") == ["90 50 02 FF"]

    virtual_time.run(play())


@pytest.mark.parametrize("kind", ["tcp", "bare-udp", "serial"])
async def test_the_command_serves_each_kind_and_its_cable_can_be_pulled(kind: str, tmp_path: Path) -> None:
    with socket.socket(type=socket.SOCK_STREAM if kind == "tcp" else socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        where = str(tmp_path / "port") if kind == "serial" else f"127.0.0.1:{free.getsockname()[1]}"
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", "from ptzsim.cli import main; main()"),
        *("--link", kind, "--listen", where, "--dialect", "nibble4-51", "--ready"),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        async with asyncio.timeout(20):
            line = (await process.stdout.readline()).decode()
        address = parse_link(line.split()[3])
        async with links.open(address) as link, asyncio.timeout(10):

            async def answered() -> bool:
                link.send(POWER)
                try:
                    async with asyncio.timeout(0.4):
                        while await link.receive() in (LOST, bytes.fromhex("90 60 02 FF")):
                            pass
                        return True
                except TimeoutError:
                    return False

            while not await answered():
                pass
            process.stdin.write(b"camera-1 unplugged 1.5\n")
            assert await process.stdout.readline() == b"camera-1 has no cable for 1.5 s\n"
            assert not await answered()
            while not await answered():
                pass
    finally:
        process.terminate()
        await process.communicate()
    assert process.returncode == 0
    assert not (tmp_path / "port").exists()


def test_a_stream_in_memory_brings_what_is_said_in_pieces_too() -> None:
    async def play() -> None:
        ours, theirs = memory_pair(rng=random.Random(1))
        serving = asyncio.create_task(serve_bare(make_camera(), theirs, stream=True, rng=random.Random(1)))
        pieces: list[bytes] = []
        ours.hear(pieces.append)
        for count in range(1, 11):
            ours.send(POWER)
            while b"".join(pieces) != ON * count:
                await asyncio.sleep(0.01)
        assert len(pieces) > 10
        serving.cancel()

    virtual_time.run(play())
