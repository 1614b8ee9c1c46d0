"""A head whose answers take their time is seen to stand, and stays told to stop until then."""

from __future__ import annotations

import asyncio
import random
from contextlib import nullcontext

import pytest
from ptzsim import serve_memory, virtual_time
from rigs import simulated_camera

from ptzd.guard import Watched, halt
from ptzd.links import memory_pair
from ptzd.visca import PanTiltDrive, load_dialect


@pytest.mark.parametrize("there_and_back_seconds", [0.1, 0.2, 0.3])
def test_a_camera_whose_answers_come_late_is_seen_to_stand(there_and_back_seconds: float) -> None:
    async def scene() -> None:
        rng, dialect, loop = random.Random(1), load_dialect("nibble4-51"), asyncio.get_running_loop()
        camera = simulated_camera(dialect, rng)
        camera.body.perform(PanTiltDrive(10, 1, 1, 0), loop.time())
        ours, theirs = memory_pair(delay_seconds=there_and_back_seconds / 2, rng=rng)
        serving = asyncio.create_task(serve_memory(camera, theirs))
        halted = await halt(Watched("left", dialect, lambda: nullcontext(ours)), 10.0)
        assert halted.still and not camera.head.moving(loop.time())
        serving.cancel()

    virtual_time.run(scene())
