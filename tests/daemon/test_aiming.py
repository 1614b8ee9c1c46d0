"""Nudges and framing by the picture, on a simulated camera: where its head truly points afterwards."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from math import atan, degrees
from typing import Any

import pytest
from ptzsim import virtual_time
from rigs import Rig, framing, rigged

from ptzd.bus import Asked
from ptzd.bus.commands import FrameCommand, NudgeCommand
from ptzd.cameras import Lock, Optics, Recall
from ptzd.daemon.aiming import Aiming
from ptzd.motion import Lens, Sensor

# From 20 to 200 mm, and so that the picture is 36 mm wide: at 100 mm it sees 2·atan(18 / 100) = 20.4°.
OPTICS = Optics(Sensor(36.0, 20.25), Lens(((0, 20.0), (0x2000, 100.0), (0x4000, 200.0))), 25.0)
AT_100_MM = 0x2000
A_COUNT_DEG = 1.0 / 51.2  # of the dialect

Scene = Callable[[Rig, Aiming], Awaitable[None]]


def play(scene: Scene, optics: Optics | None = OPTICS) -> None:
    async def played() -> None:
        async with rigged(optics=optics) as rig:
            await rig.ready()
            await rig.recall(Recall("start", framing(0, 0, AT_100_MM), id="start"))
            await scene(rig, Aiming())

    virtual_time.run(played())


def asked(kind: type[Any], **fields: Any) -> Any:
    return Asked("topic", kind(id="aim", **fields), "gallery", "aim")


async def ended(rig: Rig) -> str:
    return (await rig.end_of("aim")).phase.value


def pan_tilt_deg(rig: Rig) -> tuple[float, float]:
    now = asyncio.get_running_loop().time()
    return rig.simulated.head.pan_deg(now), rig.simulated.head.tilt_deg(now)


def test_a_point_of_the_picture_comes_to_its_middle() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        aiming.frame(asked(FrameCommand, point=(1.0, 0.5)), rig.camera)
        assert await ended(rig) == "settled"
        assert pan_tilt_deg(rig) == pytest.approx((degrees(atan(0.18)), 0.0), abs=1.5 * A_COUNT_DEG)

    play(scene)


def test_the_middle_half_of_the_picture_fills_it_at_twice_the_focal_length() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        aiming.frame(asked(FrameCommand, box=(0.25, 0.25, 0.75, 0.75)), rig.camera)
        assert await ended(rig) == "settled"
        assert rig.camera.heading_for().zoom_counts == pytest.approx(0x4000, abs=1)

    play(scene)


def test_a_part_too_small_for_the_lens_is_filled_as_far_as_that_goes_and_it_says_so() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        aiming.frame(asked(FrameCommand, box=(0.45, 0.45, 0.55, 0.55)), rig.camera)
        warning = (await rig.end_of("aim")).warning
        assert warning == "the lens ends at 200 mm: the part fills 20% of the picture"  # of 1000 mm that it would need

    play(scene)


def test_a_picture_that_passes_is_not_aimed_in() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        rig.camera.recall(Recall("solo", framing(1024, 0, AT_100_MM), id="solo"))
        await asyncio.sleep(0.3)
        aiming.frame(asked(FrameCommand, point=(1.0, 0.5)), rig.camera)
        refused = await rig.end_of("aim")
        assert (refused.phase, refused.code) == ("refused", "moving")
        assert (await rig.end_of("solo")).phase == "settled"

    play(scene)


def test_nudges_while_it_moves_add_up_to_the_count() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        for _ in range(10):
            aiming.nudge(asked(NudgeCommand, pan_deg=0.33), rig.camera)
            await asyncio.sleep(0.05)
        await rig.until(lambda: not rig.camera.moving)
        assert rig.camera.heading_for().pan_counts == pytest.approx(round(3.3 * 51.2), abs=1)
        assert rig.moves[-1].phase == "settled"

    play(scene)


def test_ten_tenths_of_a_count_are_a_count() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        wanted = []
        for _ in range(10):
            aiming.nudge(asked(NudgeCommand, tilt_deg=A_COUNT_DEG / 10.0), rig.camera)
            wanted.append(rig.camera.heading_for().tilt_counts)
            await rig.until(lambda: not rig.camera.moving)
        assert wanted == [0, 0, 0, 0, 0, 1, 1, 1, 1, 1] or wanted == [0, 0, 0, 0, 1, 1, 1, 1, 1, 1]

    play(scene)


@pytest.mark.parametrize(
    ("by", "pan_deg", "tilt_deg"),
    [
        ({"right": 0.5}, degrees(atan(18.0 / 100.0)), 0.0),
        ({"up": -0.5}, 0.0, -degrees(atan(10.125 / 100.0))),
    ],
)
def test_half_a_picture_is_half_its_angle_of_view(by: dict[str, float], pan_deg: float, tilt_deg: float) -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        aiming.nudge(asked(NudgeCommand, **by), rig.camera)
        assert await ended(rig) == "settled"
        assert pan_tilt_deg(rig) == pytest.approx((pan_deg, tilt_deg), abs=1.5 * A_COUNT_DEG)

    play(scene)


def test_a_fifth_tighter_is_a_focal_length_a_quarter_longer() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        aiming.nudge(asked(NudgeCommand, tighter=0.2), rig.camera)
        assert await ended(rig) == "settled"
        zoom = rig.camera.heading_for().zoom_counts
        assert OPTICS.lens.focal_length_mm(zoom) == pytest.approx(125.0, rel=0.001)

    play(scene)


def test_a_nudge_goes_from_where_somebody_else_has_brought_the_camera() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        aiming.nudge(asked(NudgeCommand, pan_deg=5.0), rig.camera)
        await ended(rig)
        await rig.recall(Recall("there", framing(-512, 0, AT_100_MM), id="there"))
        aiming.nudge(asked(NudgeCommand, pan_deg=1.0), rig.camera)
        assert rig.camera.heading_for().pan_counts == pytest.approx(-512 + 51, abs=2)

    play(scene)


@pytest.mark.parametrize(
    ("make", "phrase"),
    [
        (lambda rig: rig.camera.set_tally("program"), "on air"),
        (lambda rig: rig.camera.lock(Lock("the rigger", "", rig.camera.state().as_of)), "locked by the rigger"),
    ],
)
def test_a_camera_on_air_or_locked_is_not_nudged(make: Callable[[Rig], None], phrase: str) -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        make(rig)
        await rig.until(lambda: not rig.camera.moving)
        before = pan_tilt_deg(rig)
        aiming.nudge(asked(NudgeCommand, pan_deg=5.0), rig.camera)
        assert phrase in str((await rig.end_of("aim")).sentence)
        await asyncio.sleep(5.0)
        assert pan_tilt_deg(rig) == before

    play(scene)


def test_what_was_refused_does_not_add_up() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        before = rig.camera.heading_for().pan_counts
        rig.camera.set_tally("program")
        for _ in range(5):
            aiming.nudge(asked(NudgeCommand, pan_deg=0.9 * A_COUNT_DEG), rig.camera)
        rig.camera.set_tally("off")
        aiming.nudge(asked(NudgeCommand, pan_deg=A_COUNT_DEG), rig.camera)
        assert rig.camera.heading_for().pan_counts == before + 1

    play(scene)


def test_without_a_lens_in_the_configuration_shares_of_the_picture_are_refused_and_degrees_are_not() -> None:
    async def scene(rig: Rig, aiming: Aiming) -> None:
        for kind, fields in ((NudgeCommand, {"right": 0.1}), (FrameCommand, {"point": (0.1, 0.1)})):
            rig.forget()
            getattr(aiming, kind.__name__.removesuffix("Command").lower())(asked(kind, **fields), rig.camera)
            assert (await rig.end_of("aim")).code == "no-optics"
        rig.forget()
        aiming.nudge(asked(NudgeCommand, pan_deg=1.0), rig.camera)
        assert await ended(rig) == "settled"

    play(scene, optics=None)
