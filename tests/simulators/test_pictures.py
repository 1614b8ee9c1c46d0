"""What simulated cameras see: a pinhole's picture of where head and lens truly are, over HTTP.

Shifts between pictures are measured by scikit-image, and held against the pinhole's own f·tan(angle).
"""

from __future__ import annotations

import asyncio
import base64
import math
import random
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import aiohttp
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from ptzsim import SimulatedCamera
from ptzsim.picture import Eye, Glass, View, place_of
from ptzsim.picture_login import Login
from ptzsim.picture_server import look_at, serve_pictures
from ptzsim.stage import Stage
from skimage.registration import phase_cross_correlation

from ptzd.config import load_config
from ptzd.daemon import camera_settings

WALL = View(11.0, -1.0, 200.0, math.inf, 0.0)  # from the gallery: boards and a window above the choir


def grey(picture: Image.Image) -> NDArray[np.float64]:
    return np.asarray(picture.convert("L"), dtype=np.float64)


def shift_pixels(one: View, two: View) -> tuple[float, float]:
    """By how much the picture moves to the right and down from the first to the second."""
    eye = Eye(Stage(), place_of("gallery"))
    towards_the_edge = np.outer(np.hanning(360), np.hanning(640))
    first, second = (grey(eye.draw(view)) * towards_the_edge for view in (one, two))
    (down, right), _, _ = phase_cross_correlation(second, first, upsample_factor=20)  # type: ignore[no-untyped-call]
    return right, down


@pytest.mark.parametrize("pan, tilt", [(0.2, 0.0), (0.0, 0.15), (-0.1, 0.1)])
def test_a_turned_head_moves_the_picture_as_a_pinhole_does(pan: float, tilt: float) -> None:
    turned = View(WALL.pan_deg + pan, WALL.tilt_deg + tilt, WALL.focal_length_mm, WALL.focus_m, WALL.at)
    pixels = 640 * WALL.focal_length_mm / 35.9
    wanted = (-pixels * math.tan(math.radians(pan)), pixels * math.tan(math.radians(tilt)))
    assert shift_pixels(WALL, turned) == pytest.approx(wanted, abs=0.3)


def test_what_is_focused_on_is_sharper_than_what_is_not() -> None:
    eye = Eye(Stage(), place_of("gallery"))
    metres = eye.distance_m(WALL.pan_deg, WALL.tilt_deg)
    sharp, blurred = (
        np.abs(np.diff(grey(eye.draw(View(WALL.pan_deg, WALL.tilt_deg, 200.0, focus, 0.0))))).max()
        for focus in (metres, metres / 3)
    )
    assert sharp > 2 * blurred


def test_the_same_seed_has_people_on_the_same_spots_and_another_elsewhere() -> None:
    choir = View(0.0, -8.0, 114.0, 16.0, 0.0)
    one, again, other = (Eye(Stage(seed), place_of("gallery")).jpeg(choir) for seed in (1, 1, 2))
    assert one == again != other


def test_a_camera_focuses_by_itself_on_what_it_looks_at(make_camera: Callable[..., SimulatedCamera]) -> None:
    camera = make_camera()
    look_at(Stage(), {"gallery": camera})
    camera.lens.focus_by_itself(0.0, -8.0, 3.0)  # the back wall, 20.5 m behind the gallery at these angles
    metres = 20.5 / math.cos(math.radians(-8.0)) / math.cos(math.radians(3.0))
    assert camera.lens.focus_counts(60.0) == camera.dialect.focus.counts(metres)


def test_cameras_see_through_the_lenses_that_they_are_given_and_the_configuration_has(
    make_camera: Callable[..., SimulatedCamera],
) -> None:
    cameras = {name: make_camera() for name in ("left", "gallery", "right")}
    eyes = look_at(Stage(), cameras, [Glass.parse("28-135"), Glass.parse("100-400")])
    granary = load_config(Path("configs/granary.toml")).camera
    for eye, name in zip(eyes.values(), ("left", "gallery", "gallery"), strict=True):  # the last is that of all others
        optics = camera_settings(name, granary[name]).optics
        assert optics is not None
        for zoom_counts in (0, 0x1000, 0x2800, 0x4000):
            seen_mm = eye.focal_length_mm(cameras["left"].dialect, zoom_counts)
            assert seen_mm == pytest.approx(optics.lens.focal_length_mm(zoom_counts), rel=0.01)
    for wrong in ("28", "135-28", "a-b", "nan-nan"):
        with pytest.raises(ValueError):
            Glass.parse(wrong)


async def test_pictures_are_served_as_jpeg_to_who_has_the_login(make_camera: Callable[..., SimulatedCamera]) -> None:
    for kind in ("basic", "digest"):
        login = Login.parse(f"{kind}:eve:a long secret")
        camera = make_camera()
        async with serve_pictures({"left": camera}, "127.0.0.1", 0, rng=random.Random(1), login=login) as port:
            url = f"http://127.0.0.1:{port}/left.jpg"
            assert (await fetched(url, None))[0] == 401
            assert (await fetched(url, Login(login.kind, "eve", "another")))[0] == 401
            assert (await fetched(f"http://127.0.0.1:{port}/right.jpg", login))[0] == 404
            status, drawn = await fetched(url, login)
            assert status == 200
            with Image.open(BytesIO(drawn)) as picture:
                assert (picture.format, picture.size) == ("JPEG", (640, 360))
            camera.silent_until = math.inf
            assert (await fetched(url, login))[0] == 503


async def test_a_picture_shows_the_head_as_it_was_a_moment_ago(make_camera: Callable[..., SimulatedCamera]) -> None:
    camera, stage, loop = make_camera(), Stage(), asyncio.get_running_loop()
    rng = random.Random(1)
    async with (
        serve_pictures({"left": camera}, "127.0.0.1", 0, rng=rng, stage=stage, delay_seconds=0.5) as port,
        asyncio.TaskGroup() as group,
    ):
        fetching = group.create_task(fetched(f"http://127.0.0.1:{port}/left.jpg", None))
        await asyncio.sleep(0.2)
        assert not fetching.done()
        camera.head.go_to(loop.time(), 20.0, 0.0, 24, 18)
        _, drawn = await fetching
    eye = Eye(stage, place_of("left"))
    before, after = (grey(eye.draw(View(pan, 0.0, 100.0, 10.0, 0.0))) for pan in (0.0, 20.0))
    with Image.open(BytesIO(drawn)) as opened:
        picture = grey(opened)
    assert 5 * np.abs(picture - before).mean() < np.abs(picture - after).mean()


async def fetched(url: str, login: Login | None) -> tuple[int, bytes]:
    headers = {}
    middlewares = []
    if login is not None and login.kind == "basic":
        headers["Authorization"] = f"Basic {base64.b64encode(f'{login.name}:{login.password}'.encode()).decode()}"
    elif login is not None:
        middlewares.append(aiohttp.DigestAuthMiddleware(login.name, login.password))
    async with (
        aiohttp.ClientSession(headers=headers, middlewares=middlewares) as session,
        session.get(url) as response,
    ):
        return response.status, await response.read()


@pytest.mark.parametrize("wrong", ["eve:secret", "bearer:eve:secret", "basic:secret", "digest::secret"])
def test_a_wrong_login_is_told_without_its_password(wrong: str) -> None:
    with pytest.raises(ValueError, match="basic:NAME:PASSWORD") as told:
        Login.parse(wrong)
    assert "secret" not in str(told.value)
