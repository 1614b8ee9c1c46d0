"""A recalled picture is the stored one, as near as a head's counts and the play of its gear allow.

A hand leaves a head between two counts; what is stored is a count, so what comes back is up to half a count beside it
on each axis, and as far as the gear gives when it comes from the other side. How wide that is in pixels, the pinhole
tells.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from math import atan, degrees

import pytest
from ptzsim import virtual_time
from ptzsim.picture import Eye
from ptzsim.picture_server import look_at
from ptzsim.stage import Stage
from rigs import Rig, framing, rigged

from ptzd.cameras import Recall
from ptzd.pictures.drift import compared

WIDTH, HEIGHT = 640, 360  # pixels
NOISE = 0.25  # of a pixel: what JPEG and the comparison leave (its own tests hold it against scikit-image)
ZOOM_COUNTS = 0x2400
PLAY_COUNTS = 0.6  # of the gear of a simulated head, at most (ptzsim/truth.py)


async def hand_framed(rig: Rig, seconds: float) -> None:
    """Leave the head somewhere near the choir, between two counts."""
    tilt_counts = rig.camera.settings.dialect.tilt.counts(-8.0)
    await rig.recall(Recall("near", framing(0, tilt_counts, ZOOM_COUNTS), id=f"near {seconds}"))
    rig.camera.drive(0.2, 0.2, 0.0, 0.0)
    await asyncio.sleep(seconds)
    rig.camera.drive(0.0, 0.0, 0.0, 0.0)
    await rig.ready()
    await asyncio.sleep(2.0)


def seen(eye: Eye, rig: Rig) -> bytes:
    """What it shows now, with everybody where they stood at first."""
    return eye.jpeg(replace(eye.sees(rig.simulated, asyncio.get_running_loop().time()), at=0.0))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("dialect_name", ["nibble4-51", "nibble4-14"])  # with 51.2 and 14.4 counts a degree
def test_a_recalled_picture_is_the_stored_one(dialect_name: str, seed: int) -> None:
    async def scene() -> tuple[list[float], float]:
        """How far off each came back, and how wide a count is, in pixels."""
        off = []
        async with rigged(dialect_name=dialect_name, seed=seed) as rig:
            await rig.ready()
            eye, dialect = look_at(Stage(), {"gallery": rig.simulated})["gallery"], rig.camera.settings.dialect
            for seconds in (0.31, 0.47, 0.6):
                await hand_framed(rig, seconds)
                stored, still = await rig.camera.read_framing(), seen(eye, rig)
                away = framing(300, dialect.tilt.counts(-4.0), 0x1000)
                await rig.recall(Recall("away", away, id=f"away {seconds}"))
                assert (await rig.recall(Recall("back", stored, id=f"back {seconds}"))).phase == "settled"
                await asyncio.sleep(2.0)
                if (found := compared(still, seen(eye, rig))) is not None:
                    off += [abs(found.right) * WIDTH, abs(found.up) * HEIGHT]
            across_deg = 2 * degrees(atan(35.9 / 2 / eye.focal_length_mm(dialect, ZOOM_COUNTS)))
            return off, WIDTH / (across_deg * dialect.pan.counts_per_degree)

    off, a_count = virtual_time.run(scene())
    assert off
    assert max(off) <= (0.5 + PLAY_COUNTS) * a_count + NOISE
    if dialect_name == "nibble4-51":
        assert max(off) <= 1.0
