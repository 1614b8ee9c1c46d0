"""Links carry datagrams, from the camera's own address alone."""

from __future__ import annotations

import asyncio
import random
import socket

import pytest
from ptzsim import virtual_time

from ptzd import links
from ptzd.links import LinkAddress, memory_pair


async def test_a_reply_from_a_stranger_is_not_taken() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as camera, socket.socket(type=socket.SOCK_DGRAM) as stranger:
        camera.bind(("127.0.0.1", 0))
        camera.settimeout(2)
        async with links.open(LinkAddress(*camera.getsockname())) as link:
            link.send(b"question")
            _, ours = camera.recvfrom(64)
            stranger.sendto(b"a lie", ours)
            camera.sendto(b"answer", ours)
            async with asyncio.timeout(2):
                assert await link.receive() == b"answer"


async def test_a_camera_that_is_not_there_is_no_error_of_the_link() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as nobody:
        nobody.bind(("127.0.0.1", 0))
        address = nobody.getsockname()
    async with links.open(LinkAddress(*address)) as link:
        for _ in range(3):
            link.send(b"anybody?")
            await asyncio.sleep(0.01)


async def test_of_a_flood_no_more_is_kept_than_the_link_has_room_for_and_it_lives_on() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as camera:
        camera.bind(("127.0.0.1", 0))
        async with links.open(LinkAddress(*camera.getsockname())) as link:
            mistakes: list[object] = []
            asyncio.get_running_loop().set_exception_handler(lambda _, told: mistakes.append(told))
            link.send(b"question")
            _, ours = camera.recvfrom(64)
            for _ in range(2000):
                camera.sendto(b"flood", ours)
                await asyncio.sleep(0)
            await asyncio.sleep(0.05)  # until the link has taken what the system kept for it
            taken = 0
            while True:
                try:
                    async with asyncio.timeout(0.05):
                        await link.receive()
                except TimeoutError:
                    break
                taken += 1
            assert 0 < taken <= 256
            assert not mistakes, "what is dropped is dropped in silence"
            camera.sendto(b"answer", ours)
            async with asyncio.timeout(2):
                assert await link.receive() == b"answer"


def test_a_wire_in_memory_delays_and_loses_as_it_is_told() -> None:
    async def play() -> int:
        here, there = memory_pair(delay_seconds=0.25, loss=0.3, rng=random.Random(5))
        loop = asyncio.get_running_loop()
        began = loop.time()
        here.send(b"x")
        for _ in range(999):
            here.send(b"x")
        came = 0
        await there.receive()
        assert loop.time() - began == pytest.approx(0.25)
        came += 1
        while True:
            try:
                async with asyncio.timeout(1):
                    await there.receive()
            except TimeoutError:
                return came
            came += 1

    # 1000 draws at 0.7: five standard deviations are 72
    assert virtual_time.run(play()) == pytest.approx(700, abs=72)


def test_a_wire_in_memory_brings_some_datagrams_twice_in_their_order() -> None:
    async def play() -> list[int]:
        here, there = memory_pair(doubled=0.3, rng=random.Random(5))
        for number in range(1000):
            here.send(number.to_bytes(2, "big"))
            await asyncio.sleep(0.01)
        came = []
        while True:
            try:
                async with asyncio.timeout(1):
                    came.append(int.from_bytes(await there.receive(), "big"))
            except TimeoutError:
                return came

    came = virtual_time.run(play())
    assert sorted(set(came)) == list(range(1000)), "none is lost"
    assert came == sorted(came)
    assert max(came.count(number) for number in came) == 2
    # 1000 draws at 0.3: five standard deviations are 72
    assert len(came) - 1000 == pytest.approx(300, abs=72)
