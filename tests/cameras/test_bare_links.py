"""A camera on a bare link is recalled, stopped and read as one on VISCA over IP is."""

from __future__ import annotations

import asyncio

import pytest
from ptzsim import virtual_time
from rigs import framing, rigged

from ptzd.cameras import Recall
from ptzd.links import Form


@pytest.mark.parametrize("form", ["stream", "datagrams"])
@pytest.mark.parametrize("seed", range(4))
def test_a_camera_on_a_bare_link_goes_where_it_is_sent(form: Form, seed: int) -> None:
    async def play() -> None:
        async with rigged(form=form, seed=seed) as rig:
            await rig.ready()
            ended = await rig.recall(Recall("choir-wide", framing(2048, -205, 0x2000), id="one"))
            assert ended.phase.value == "settled"
            now = asyncio.get_running_loop().time()
            assert abs(rig.simulated.head.pan_deg(now) - 40.0) < 0.06  # 2048 counts at 51.2 a degree, and a tolerance
            assert abs(rig.simulated.head.tilt_deg(now) + 4.0) < 0.06
            assert await rig.camera.read_framing() == rig.camera.state().framing

    virtual_time.run(play())


@pytest.mark.parametrize(("form", "loss"), [("stream", 0.0), ("datagrams", 0.0), ("datagrams", 0.05)])
def test_a_drive_over_a_bare_link_is_stopped(form: Form, loss: float) -> None:
    async def play() -> None:
        async with rigged(form=form, loss=loss, seed=7) as rig:
            await rig.ready()
            for _ in range(10):
                rig.camera.drive(0.5, 0.2, 0.3, 0.0)
                await asyncio.sleep(0.2)
            rig.camera.stop()
            await asyncio.sleep(0.6)
            assert rig.speed() == 0
            await rig.until(lambda: not rig.camera.moving, 10.0)

    virtual_time.run(play())
