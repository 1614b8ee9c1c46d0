"""A push by hand with a grip: the picture passes as fast at 100 mm as at 400 mm.

The sums are those of a pinhole: a picture w wide at a focal length f sees 2·atan(w / 2f). Of 36 × 24 mm the picture
takes 36 × 20.25. Steps are those of the dialect's table (TLC-700-S user manual); a unit is up to 5 % off its table.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from contextlib import suppress
from dataclasses import replace
from math import atan, cos, degrees, log2, radians
from typing import Any

import pytest
from ptzsim import virtual_time
from rigs import Rig, framing, rigged

from ptzd.cameras import Optics, Recall, Window
from ptzd.motion import AxisModel, Grip, Lens, Renewal, Sensor
from ptzd.refusal import Refusal

OPTICS = Optics(Sensor(36.0, 20.25), Lens(((0x0000, 100.0), (0x2000, 200.0), (0x4000, 400.0))), 25.0)
TELE = {100: 0x0000, 200: 0x2000, 400: 0x4000}


def with_rig(scene: Callable[[Rig], Coroutine[Any, Any, None]], start: Recall, **rig: Any) -> None:
    async def play() -> None:
        async with rigged(optics=OPTICS, **rig) as made:
            await made.ready()
            for attempt in range(2):  # a slow zoom is overdue at first
                phase = (await made.recall(replace(start, id=f"start {attempt}"))).phase
                await made.until(lambda: not made.camera.moving)
            assert phase == "settled"
            await scene(made)

    virtual_time.run(play())


def at(mm: int, tilt_deg: float = 0.0, pan_deg: float = -20.0) -> Recall:
    return Recall("start", framing(round(pan_deg * 51.2), round(tilt_deg * 51.2), TELE[mm], 0x6000), id="start")


def now() -> float:
    return asyncio.get_running_loop().time()


def renewing(rig: Rig, renewal: Renewal) -> None:
    settings = rig.camera.settings
    rig.camera.settings = replace(settings, head=replace(settings.head, renewal=renewal))


async def push(rig: Rig, seconds: float, pan: float, tilt: float, zoom: float, focus: float, grip: Grip) -> None:
    """Push ten times a second, as a stick does."""
    for _ in range(round(seconds * 10)):
        rig.camera.drive(pan, tilt, zoom, focus, grip=grip)
        await asyncio.sleep(0.1)


def width_deg(mm: float) -> float:
    return 2.0 * degrees(atan(36.0 / 2.0 / mm))


@pytest.mark.parametrize(
    ("mm", "grip", "step_deg_per_s"),
    [
        (100, "fast", 9.0),  # 20.4° in 2 s would be 10.2 °/s; steps are 9 and 15
        (200, "fast", 4.5),  # 10.3° in 2 s: 5.14 °/s; steps are 4.5 and 6
        (400, "fast", 2.6),  # 5.15° in 2 s: 2.58 °/s
        (100, "fine", 3.0),  # 20.4° in 7 s: 2.91 °/s; steps are 2.8 and 3
        (200, "fine", 1.5),  # 10.3° in 7 s: 1.47 °/s
        (400, "fine", 1.0),  # 5.15° in 7 s would be 0.74 °/s: slower than the slowest step
    ],
)
@pytest.mark.parametrize("renewal", ["unknown", "smooth"])
def test_a_full_push_crosses_the_picture_in_the_set_time_as_nearly_as_the_heads_steps_allow(
    mm: int, grip: Grip, step_deg_per_s: float, renewal: Renewal
) -> None:
    async def scene(rig: Rig) -> None:
        renewing(rig, renewal)
        await push(rig, 0.6, 1.0, 0.0, 0.0, 0.0, grip=grip)
        before, began = rig.simulated.head.pan_deg(now()), now()
        await push(rig, 2.0, 1.0, 0.0, 0.0, 0.0, grip=grip)
        turned = rig.simulated.head.pan_deg(now()) - before
        seconds = width_deg(mm) / turned * (now() - began)
        assert seconds == pytest.approx(width_deg(mm) / step_deg_per_s, rel=0.06)
        assert rig.camera.seconds_across(grip) == pytest.approx(width_deg(mm) / step_deg_per_s, rel=1e-3)

    for seed in range(4):
        with_rig(scene, at(mm), seed=seed)


def learned(rig: Rig) -> None:
    """Let the daemon know of a stranger's pan what measuring it tells."""
    settings, habits, head = rig.camera.settings, rig.simulated.body._habits, rig.simulated.head
    speeds = sorted(head._pan.top_speed(step + 1) for step in range(settings.dialect.pan.fastest_step))
    pan = AxisModel(tuple(speeds), head._truth.pan_acceleration_deg_per_s2)
    free = habits.sockets > 1 and habits.overtaken != "kept"  # else the buffer is full for the order that renews it
    renewal = habits.renewal if free else "refused"
    rig.camera.settings = replace(settings, head=replace(settings.head, pan=pan, renewal=renewal))


@pytest.mark.parametrize("seed", range(24))
def test_on_any_head_that_was_learned_a_full_push_crosses_at_100_mm_and_at_400_mm_alike(seed: int) -> None:
    """Both are 2 s; two neighbouring steps are 1.67 times apart or less, and the nearer is at most 1.29 times off."""

    async def scene(rig: Rig) -> None:
        learned(rig)
        mm = OPTICS.lens.focal_length_mm(rig.camera.heading_for().zoom_counts)
        await push(rig, 1.0, -1.0, 0.0, 0.0, 0.0, grip="fast")
        before, began = rig.simulated.head.pan_deg(now()), now()
        await push(rig, 1.0, -1.0, 0.0, 0.0, 0.0, grip="fast")
        turned = before - rig.simulated.head.pan_deg(now())
        assert 2.0 / 1.32 <= width_deg(mm) / turned * (now() - began) <= 2.0 * 1.32

    for mm in (100, 400):
        with_rig(scene, at(mm, pan_deg=20.0), seed=seed, stranger=True)


def test_a_push_aslant_goes_aslant_in_the_picture() -> None:
    async def scene(rig: Rig) -> None:
        await push(rig, 0.6, 1.0, 1.0, 0.0, 0.0, grip="fast")
        head = rig.simulated.head
        # 2.58 °/s both ways; the steps of pan are 2.6 (and 2.4), those of tilt 2.6 (and 1.9)
        assert head.pan_deg_per_s(now()) == pytest.approx(2.6, rel=0.06)
        assert head.tilt_deg_per_s(now()) == pytest.approx(2.6, rel=0.06)

    with_rig(scene, at(400))


def test_a_camera_that_looks_steeply_up_pans_as_much_faster_as_its_picture_passes_slower() -> None:
    async def scene(rig: Rig) -> None:
        await push(rig, 0.6, 1.0, 0.0, 0.0, 0.0, grip="fast")
        # 5.14 °/s of the picture at 200 mm, at a tilt of 50°: 8.0 °/s, nearer to the step of 9 than to that of 6
        assert 5.14 / cos(radians(50.0)) == pytest.approx(8.0, rel=0.01)
        assert rig.simulated.head.pan_deg_per_s(now()) == pytest.approx(9.0, rel=0.06)

    with_rig(scene, at(200, tilt_deg=50.0))


def test_half_a_push_is_half_as_fast() -> None:
    async def scene(rig: Rig) -> None:
        await push(rig, 0.6, 0.5, 0.0, 0.0, 0.0, grip="fast")
        assert rig.simulated.head.pan_deg_per_s(now()) == pytest.approx(4.5, rel=0.06)  # of 5.1 wanted at 100 mm

    with_rig(scene, at(100))


@pytest.mark.parametrize(("way", "start", "end"), [(1.0, 100, 400), (-1.0, 400, 100)])
def test_a_full_push_of_the_zoom_doubles_or_halves_the_picture_in_the_set_time(
    way: float, start: int, end: int
) -> None:
    """Two doublings in four seconds; the zoom's eight speeds are up to 1.5 times apart, and of a unit a few % off."""

    async def scene(rig: Rig) -> None:
        lens, began = rig.simulated.lens, now()
        await push(rig, 3.0, 0.0, 0.0, way, 0.0, grip="fast")
        doublings = log2(OPTICS.lens.focal_length_mm(lens.zoom.position(now())) / start)
        assert way * doublings == pytest.approx((now() - began) / 2.0, rel=0.3)

    for seed in range(4):
        with_rig(scene, at(start), seed=seed)


def test_while_the_lens_closes_in_the_head_turns_ever_slower() -> None:
    async def scene(rig: Rig) -> None:
        await push(rig, 0.6, 1.0, 0.0, 1.0, 0.0, grip="fast")
        fast = rig.simulated.head.pan_deg_per_s(now())
        await push(rig, 3.5, 1.0, 0.0, 1.0, 0.0, grip="fast")
        mm = OPTICS.lens.focal_length_mm(rig.simulated.lens.zoom.position(now()))
        assert mm > 300.0
        assert fast > 7.0
        assert rig.simulated.head.pan_deg_per_s(now()) == pytest.approx(width_deg(mm) / 2.0, rel=0.2)

    with_rig(scene, at(100))


def test_a_head_is_pushed_no_harder_than_it_was_measured_to_speed_up() -> None:
    """It could do 120 °/s² and was measured, under a heavier lens, to do 10; full is 10 °/s."""

    async def scene(rig: Rig) -> None:
        settings = rig.camera.settings
        weak = replace(settings.head.pan, acceleration_deg_per_s2=10.0)
        rig.camera.settings = replace(settings, head=replace(settings.head, pan=weak))
        began, speeds = now(), []
        for _ in range(15):
            rig.camera.drive(1.0, 0.0, 0.0, 0.0, grip="fast")
            await asyncio.sleep(0.1)
            speeds.append((now() - began, rig.simulated.head.pan_deg_per_s(now())))
        assert all(speed <= max(1.0, 10.0 * (passed + 0.1)) * 1.06 for passed, speed in speeds), speeds
        assert speeds[-1][1] == pytest.approx(9.0, rel=0.06), "and comes to it all the same"

    with_rig(scene, at(100))


def test_a_head_turns_round_at_once_and_stops_at_once_whatever_it_was_measured_to_do() -> None:
    async def scene(rig: Rig) -> None:
        await push(rig, 1.0, 1.0, 0.0, 0.0, 0.0, grip="fast")
        await push(rig, 0.4, -1.0, 0.0, 0.0, 0.0, grip="fast")
        assert rig.simulated.head.pan_deg_per_s(now()) < -7.0
        rig.camera.drive(0.0, 0.0, 0.0, 0.0, grip="fast")
        await asyncio.sleep(0.3)
        assert rig.speed() == 0.0

    with_rig(scene, at(100))


@pytest.mark.parametrize("renewal", ["unknown", "smooth"])
@pytest.mark.parametrize("grip", ["fine", "fast"])
@pytest.mark.parametrize("seed", range(6))
def test_whoever_lets_go_or_is_cut_off_has_a_head_at_rest_soon_after_half_a_second(
    seed: int, grip: Grip, renewal: Renewal
) -> None:
    async def scene(rig: Rig) -> None:
        renewing(rig, renewal)
        await push(rig, 0.9, 1.0, -0.3, 0.4, 0.0, grip=grip)
        await asyncio.sleep(0.4 + 0.6)  # 0.5 s after the last message, and for the stop to be heard and braked for
        assert rig.speed() == 0.0
        zoom = rig.simulated.lens.zoom.position(now())
        await asyncio.sleep(0.5)
        assert rig.simulated.lens.zoom.position(now()) == zoom

    with_rig(scene, at(100), seed=seed)


@pytest.mark.parametrize("renewal", ["unknown", "smooth"])
def test_a_window_holds_with_a_grip_too(renewal: Renewal) -> None:
    async def scene(rig: Rig) -> None:
        renewing(rig, renewal)
        rig.camera.settings = replace(rig.camera.settings, window=Window((-40.0, 10.0), (-20.0, 30.0)))
        for _ in range(60):
            with suppress(Refusal):
                rig.camera.drive(1.0, 0.0, 0.0, 0.0, grip="fast")
            await asyncio.sleep(0.1)
            assert rig.simulated.head.pan_deg(now()) <= 10.05
        assert rig.simulated.head.pan_deg(now()) >= 9.0

    for seed in range(3):
        with_rig(scene, at(100), seed=seed, loss=0.05)


def test_where_nobody_knows_how_wide_the_picture_is_a_push_is_a_share_of_the_heads_fastest() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.settings = replace(rig.camera.settings, optics=None)
        assert rig.camera.seconds_across("fine") is None
        await push(rig, 0.6, 0.5, 0.0, 0.0, 0.0, grip="fine")
        assert rig.simulated.head.pan_deg_per_s(now()) == pytest.approx(6.0, rel=0.06)  # step 12 of 24

    with_rig(scene, at(400))


@pytest.mark.parametrize("push", [float("nan"), float("inf")])
def test_what_is_no_number_moves_nothing(push: float) -> None:
    async def scene(rig: Rig) -> None:
        with pytest.raises((ValueError, OverflowError)):
            rig.camera.drive(push, 0.0, 0.0, 0.0, grip="fast")
        await asyncio.sleep(0.2)
        assert rig.speed() == 0.0

    with_rig(scene, at(400))
