"""Fetching a camera's picture over real HTTP on 127.0.0.1: what comes is a whole JPEG, or a sentence on why not."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from io import BytesIO
from typing import Literal

import pytest
from aiohttp import web
from PIL import Image
from ptzsim.picture_login import Door, Login

from ptzd.pictures import PictureAddress, Pictures
from ptzd.pictures import fetching as fetching_file
from ptzd.refusal import Refusal

Answer = Callable[[web.Request], web.StreamResponse]


def jpeg(shade: int = 0) -> bytes:
    out = BytesIO()
    Image.new("RGB", (64, 36), (shade, shade, shade)).save(out, "JPEG")
    return out.getvalue()


class Camera:
    """A camera's own web server: it counts what it is asked, and answers as it is told."""

    def __init__(self) -> None:
        self.asked_at: list[float] = []
        self.authorizations: list[str | None] = []
        self.seconds = 0.0
        self.answer: Answer = lambda request: web.Response(body=jpeg(len(self.asked_at)), content_type="image/jpeg")
        self.port = 0

    async def handle(self, request: web.Request) -> web.StreamResponse:
        self.asked_at.append(asyncio.get_running_loop().time())
        self.authorizations.append(request.headers.get("Authorization"))
        await asyncio.sleep(self.seconds)
        return self.answer(request)

    def address(self, username: str | None = None, password: str | None = None) -> PictureAddress:
        return PictureAddress(f"http://127.0.0.1:{self.port}/now.jpg", username, password)


@pytest.fixture
async def camera() -> AsyncIterator[Camera]:
    async with serving() as one:
        yield one


@asynccontextmanager
async def serving() -> AsyncIterator[Camera]:
    camera = Camera()
    application = web.Application()
    application.router.add_get("/{path:.*}", camera.handle)
    runner = web.AppRunner(application, access_log=None, shutdown_timeout=0.1)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    camera.port = runner.addresses[0][1]
    yield camera
    await runner.cleanup()


async def why_not(address: PictureAddress) -> str:
    async with Pictures.open({"left": address}) as pictures:
        with pytest.raises(Refusal) as refused:
            await pictures.now("left")
    assert refused.value.code == "no-picture"
    return refused.value.sentence


async def test_one_fetch_serves_all_who_ask_meanwhile(camera: Camera) -> None:
    camera.seconds = 0.2
    async with Pictures.open({"left": camera.address()}) as pictures:
        brought = await asyncio.gather(*(pictures.now("left") for _ in range(20)))
        assert len(camera.asked_at) == 1
        assert {picture.jpeg for picture in brought} == {jpeg(1)}


async def test_a_camera_is_asked_ten_times_a_second_at_most(camera: Camera) -> None:
    loop = asyncio.get_running_loop()
    async with Pictures.open({"left": camera.address()}) as pictures:
        ends_at = loop.time() + 1.0
        while loop.time() < ends_at:
            await pictures.now("left")
            await asyncio.sleep(0.005)
    pauses = [later - earlier for earlier, later in zip(camera.asked_at, camera.asked_at[1:], strict=False)]
    assert len(camera.asked_at) > 3
    assert min(pauses) > 0.09


async def test_who_wants_a_picture_of_from_now_on_gets_no_earlier_one(camera: Camera) -> None:
    async with Pictures.open({"left": camera.address()}) as pictures:
        await pictures.now("left")
        since = asyncio.get_running_loop().time()
        picture = await pictures.now("left", since)
        assert picture.asked_at >= since
        assert picture.jpeg == jpeg(2)


@pytest.mark.parametrize("kind", ["basic", "digest"])
async def test_a_login_is_given_in_the_way_that_the_camera_asks_for(
    camera: Camera, kind: Literal["basic", "digest"]
) -> None:
    door = Door(Login(kind, "eve", "a long secret"), random.Random(1))

    def answer(request: web.Request) -> web.StreamResponse:
        if door.lets_in("GET", request.headers.get("Authorization")):
            return web.Response(body=jpeg(), content_type="image/jpeg")
        return web.Response(status=401, headers={"WWW-Authenticate": door.asks})

    camera.answer = answer
    async with Pictures.open({"left": camera.address("eve", "a long secret")}) as pictures:
        for _ in range(2):
            assert (await pictures.now("left", asyncio.get_running_loop().time())).jpeg == jpeg()
    assert camera.authorizations[0] is None  # nothing is told before somebody asks
    assert len(camera.asked_at) == 3  # and then it is known
    wrong = await why_not(camera.address("eve", "another secret"))
    assert "picture_password_file" in wrong and "secret" not in wrong
    assert "picture_username" in await why_not(camera.address())
    assert "secret" not in repr(camera.address("eve", "a long secret"))


def redirected(request: web.Request) -> web.StreamResponse:
    return web.Response(status=302, headers={"Location": "/elsewhere.jpg"})


@pytest.mark.parametrize(
    "answer, words",
    [
        (lambda request: web.Response(text="<html>"), "no whole JPEG"),
        (lambda request: web.Response(body=jpeg()[:-40]), "no whole JPEG"),
        (lambda request: web.Response(body=b"\xff\xd8\xff" + bytes(5_000_000)), "more than 4 MB"),
        (lambda request: web.Response(status=404), "answers 404"),
        (redirected, "answers 302"),
    ],
)
async def test_what_is_no_picture_is_told_in_a_sentence(camera: Camera, answer: Answer, words: str) -> None:
    camera.answer = answer
    assert words in await why_not(camera.address())
    assert len(camera.asked_at) == 1


async def test_a_slow_camera_is_given_up(camera: Camera, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fetching_file, "PATIENCE_SECONDS", 0.2)
    camera.seconds = 5.0
    began = asyncio.get_running_loop().time()
    assert "did not come within 0.2 s" in await why_not(camera.address())
    assert asyncio.get_running_loop().time() - began < 2.0


async def test_a_failure_is_told_to_all_who_wait_and_not_tried_again_at_once(camera: Camera) -> None:
    camera.answer = lambda request: web.Response(status=503)
    camera.seconds = 0.1
    async with Pictures.open({"left": camera.address()}) as pictures:
        told = await asyncio.gather(*(pictures.now("left") for _ in range(5)), return_exceptions=True)
        told += await asyncio.gather(pictures.now("left"), return_exceptions=True)
    assert len(camera.asked_at) == 1
    assert len({str(each) for each in told}) == 1
    assert all(isinstance(each, Refusal) for each in told)


async def test_who_gives_up_asking_leaves_the_fetch_to_the_others(camera: Camera) -> None:
    camera.seconds = 0.2
    async with Pictures.open({"left": camera.address()}) as pictures:
        async with asyncio.TaskGroup() as group:
            first = group.create_task(pictures.now("left"))
            await asyncio.sleep(0.1)
            second = group.create_task(pictures.now("left"))
            await asyncio.sleep(0.01)
            first.cancel()
        assert second.result().jpeg


async def test_a_camera_that_is_not_there_and_one_without_an_address_are_told() -> None:
    async with serving() as gone:
        address = gone.address()
    assert "can't be reached" in await why_not(address)
    async with Pictures.open({}) as pictures:
        with pytest.raises(Refusal, match="picture = "):
            await pictures.now("left")
