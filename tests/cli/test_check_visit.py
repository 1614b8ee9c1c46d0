"""Every position is gone to, through the daemon: the picture tells what counts do not; who may not move does not."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from commands import Ptzd, StartPtzd
from ptzsim import serve_udp
from ptzsim.camera import SimulatedCamera
from ptzsim.fleet import CameraPlan
from ptzsim.picture_server import serve_pictures
from ptzsim.stage import Stage

PLACES = {"left": ("one", "two", "three"), "right": ("one",), "gallery": ("one",), "balcony": ("one",)}
POSITION = (
    "[positions.{}.{}]\npan_counts = {}\ntilt_counts = 0\nzoom_counts = 8000\nfocus_counts = 8192\n"
    'focus_mode = "auto"\ndialect = "nibble4-51"\n'
)
DRAGGED_DEG = 0.4


@pytest.fixture
async def cameras(tmp_path: Path, broker: str) -> AsyncIterator[dict[str, SimulatedCamera]]:
    """Four cameras with pictures, of a configuration `granary.toml`; a tally is kept of each."""
    loop = asyncio.get_running_loop()
    made: dict[str, SimulatedCamera] = {}
    ports: dict[str, int] = {}
    async with AsyncExitStack() as stack:
        for seed, name in enumerate(PLACES):
            plan = CameraPlan(name, "127.0.0.1", 1, "nibble4-51", "tripod", seed, ready=True, loss=0.0)
            made[name] = plan.build(loop.time())
            ports[name] = await stack.enter_async_context(
                serve_udp(made[name], "127.0.0.1", 0, rng=random.Random(seed))
            )
        pictures = await stack.enter_async_context(
            serve_pictures(made, "127.0.0.1", 0, rng=random.Random(1), stage=Stage(1))
        )
        host, mqtt = broker.split(":")
        text = f'[broker]\nport = {mqtt}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n'
        for name, port in ports.items():
            text += f'[camera.{name}]\nlink = "udp://127.0.0.1:{port}"\ndialect = "nibble4-51"\n'
            text += (
                f'sensor = [35.9, 24.0]\nfocal_length = [28, 135]\npicture = "http://127.0.0.1:{pictures}/{name}.jpg"\n'
            )
        (tmp_path / "granary.toml").write_text(text)
        async with aiomqtt.Client(host, int(mqtt)) as mixer:
            for name in PLACES:
                tally = "program" if name == "balcony" else "off"
                await mixer.publish(f"ptzd/camera/{name}/tally", tally, retain=True, qos=1)
        yield made


async def drag(camera: SimulatedCamera) -> None:
    """Let a cable turn a camera on its mount whenever it goes to the left."""
    loop = asyncio.get_running_loop()
    before = camera.head.pan_counts(loop.time())
    while True:
        await asyncio.sleep(0.02)
        now = camera.head.pan_counts(loop.time())
        if abs(now - before) > 2:
            camera.knocked_deg = DRAGGED_DEG if now < before else 0.0
            before = now


async def test_a_visit_shows_what_slips_and_drags_and_moves_nobody_who_is_locked_or_on_air(
    ptzd: Ptzd, start_ptzd: StartPtzd, cameras: dict[str, SimulatedCamera], tmp_path: Path, broker: str
) -> None:
    await start_ptzd("run", "--config", str(tmp_path / "granary.toml"))
    host, mqtt = broker.split(":")
    async with asyncio.timeout(30), aiomqtt.Client(host, int(mqtt)) as client:
        await client.subscribe("ptzd/camera/+/state")
        up: set[str] = set()
        async for message in client.messages:
            if b'"at-rest"' in bytes(message.payload):
                up.add(str(message.topic))
            if len(up) == len(PLACES):
                break
    stored = "".join(
        POSITION.format(name, place, -200 + 200 * at)
        for name, places in PLACES.items()
        for at, place in enumerate(places)
    )
    assert (await ptzd("positions", "import", "-", "--broker", broker, stdin=stored)).code == 0
    assert (await ptzd("lock", "gallery", "--by", "rigger", "--broker", broker)).code == 0

    visit = ("check", "--config", str(tmp_path / "granary.toml"), "--seconds", "0.1", "--visit", "--speed", "24")
    began = {name: cameras[name].head.pan_counts(asyncio.get_running_loop().time()) for name in PLACES}
    declined = await ptzd(*visit, stdin="n\n")
    assert (declined.code, "CAUTION" in declined.err) == (1, True)
    assert began == {name: cameras[name].head.pan_counts(asyncio.get_running_loop().time()) for name in PLACES}

    async def visited() -> dict[str, list[dict[str, Any]]]:
        ended = await ptzd(*visit, "--yes", "--json", seconds=120)
        findings = [each for each in ended.json()["findings"] if each["what"] == "visit"]
        return {name: [each for each in findings if each["subject"] == f"camera {name}"] for name in PLACES}

    first = await visited()
    assert [each["state"] for each in first["left"]] == ["ok", "ok", "ok", "unseen"], first["left"]
    assert "from the left" in first["left"][1]["sentence"] and "from the right" in first["left"][1]["sentence"]
    assert "one, two, three" in first["left"][3]["sentence"], "there were no stills yet, so nothing was compared"
    for name, reason in (("gallery", "it is locked"), ("balcony", "its tally is program")):
        assert [each["state"] for each in first[name]] == ["unseen"]
        assert reason in first[name][0]["sentence"]
        assert cameras[name].head.pan_counts(asyncio.get_running_loop().time()) == began[name]

    cameras["right"].zoom_slipped = 0.05
    dragging = asyncio.create_task(drag(cameras["left"]))
    second = await visited()
    dragging.cancel()
    [slipped] = [each for each in second["right"] if each["state"] == "failed"]
    assert "tighter: the zoom ring may have slipped" in slipped["sentence"]
    assert "exactly there" in slipped["sentence"] or "off by" in slipped["sentence"]
    dragged = {each["sentence"].partition(":")[0]: each for each in second["left"]}
    assert dragged["two"]["state"] == "failed"
    assert "a cable drags" in dragged["two"]["sentence"], dragged
