"""What simulated cameras see, over HTTP on this machine: `GET /NAME.jpg` is the picture of this moment."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager

from aiohttp import web

from ptzd.visca import Dialect

from .camera import SimulatedCamera
from .lens import Scene
from .picture import Eye, Glass, place_of
from .picture_login import Door, Login
from .serving import loopback
from .stage import Stage

DELAY_SECONDS = 0.1  # between what a camera sees and what can be fetched of it; common practice


def look_at(stage: Stage, cameras: Mapping[str, SimulatedCamera], glasses: Sequence[Glass] = ()) -> dict[str, Eye]:
    """Stand each camera before a stage: it has a picture, and what it focuses on by itself is what it looks at.

    The last of the lenses is that of all further cameras.
    """
    eyes = {}
    for index, (name, camera) in enumerate(cameras.items()):
        eye = eyes[name] = Eye(
            stage, place_of(name, index), glasses[min(index, len(glasses) - 1)] if glasses else Glass()
        )
        camera.lens.scene = _focused(eye, camera.dialect)
    return eyes


@asynccontextmanager
async def serve_pictures(
    cameras: Mapping[str, SimulatedCamera],
    host: str,
    port: int,
    *,
    rng: random.Random,
    stage: Stage | None = None,
    login: Login | None = None,
    delay_seconds: float = DELAY_SECONDS,
    glasses: Sequence[Glass] = (),
) -> AsyncIterator[int]:
    """Serve pictures for as long as the context lasts; port 0 takes a free one. Yields the port.

    Each shows the camera as it was `delay_seconds` before. Raises ValueError for an address that is not this machine's
    own, OSError for a port that is taken.
    """
    loop = asyncio.get_running_loop()
    eyes = look_at(stage or Stage(), cameras, glasses)
    door = None if login is None else Door(login, rng)

    async def picture(request: web.Request) -> web.Response:
        if door is not None and not door.lets_in(request.method, request.headers.get("Authorization")):
            return web.Response(status=401, headers={"WWW-Authenticate": door.asks}, text="a login is needed\n")
        name = request.match_info["name"]
        if name not in cameras:
            return web.Response(status=404, text=f"there is no camera {name}: there are {', '.join(cameras)}\n")
        now = loop.time()
        if now < cameras[name].silent_until or not cameras[name].body.powered:
            return web.Response(status=503, text=f"camera {name} shows nothing\n")
        view = eyes[name].sees(cameras[name], now)
        drawn = await asyncio.to_thread(eyes[name].jpeg, view)
        await asyncio.sleep(now + delay_seconds - loop.time())
        return web.Response(body=drawn, content_type="image/jpeg", headers={"Cache-Control": "no-store"})

    application = web.Application()
    application.router.add_get("/{name}.jpg", picture)
    runner = web.AppRunner(application, access_log=None, shutdown_timeout=0.5)
    await runner.setup()
    try:
        await web.TCPSite(runner, loopback(host), port).start()
        yield runner.addresses[0][1]
    finally:
        await runner.cleanup()


def _focused(eye: Eye, dialect: Dialect) -> Scene:
    return lambda pan_deg, tilt_deg, zoom_counts: dialect.focus.counts(eye.distance_m(pan_deg, tilt_deg))
