"""The figures of a drive by hand: what leaves, how long it lasts, how fast it goes on and how soon it slows down.

Steps and lens speeds are those of the manuals: zoom and focus at speed p = 0..7 (LUMiO 12x VISCA command list), degrees
per second by step as the dialect's table has them. A unit is up to 5 % off its table.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import replace
from functools import partial
from itertools import pairwise

import pytest
import rigs
from rigs import Rig, framing

from ptzd.cameras import Recall, Window
from ptzd.motion import Renewal
from ptzd.refusal import Refusal

MIDDLE = framing(0, 500, 0x2000, 0x6000)


with_rig = partial(rigs.with_rig, first=MIDDLE)


def now() -> float:
    return asyncio.get_running_loop().time()


def renewing(rig: Rig, renewal: Renewal) -> None:
    settings = rig.camera.settings
    rig.camera.settings = replace(settings, head=replace(settings.head, renewal=renewal))


async def drive(rig: Rig, seconds: float, *deflection: float) -> list[float]:
    """Push for some seconds, ten times a second, as a stick does; return the pan speed every 10 ms."""
    speeds = []
    for tick in range(round(seconds * 100)):
        if tick % 10 == 0:
            rig.camera.drive(*deflection)
        await asyncio.sleep(0.01)
        speeds.append(rig.simulated.head.pan_deg_per_s(now()))
    return speeds


@pytest.mark.parametrize(
    ("push", "zoom", "focus"),
    [
        (1.0, "8101040727ff", "8101040827ff"),  # speed 7 of 0..7, tele and far
        (-1.0, "8101040737ff", "8101040837ff"),  # and wide and near
        (0.57, "8101040724ff", "8101040824ff"),  # 4 of 7
        (-0.05, "8101040730ff", "8101040830ff"),  # the slowest
        (0.0, "8101040700ff", "8101040800ff"),  # stop
    ],
)
def test_a_lens_is_driven_at_the_share_of_its_speeds_that_it_is_pushed(push: float, zoom: str, focus: str) -> None:
    async def scene(rig: Rig) -> None:
        sent: list[str] = []
        passed_on = rig.link.send

        def send(datagram: bytes) -> None:
            sent.append(datagram[8:].hex())  # after the header
            passed_on(datagram)

        rig.link.send = send  # type: ignore[method-assign]
        rig.camera.drive(0.5, 0.0, push, push)
        await asyncio.sleep(0.3)
        assert zoom in sent
        assert focus in sent

    with_rig(scene)


@pytest.mark.parametrize("renewal", ["unknown", "smooth"])
def test_a_drive_lasts_half_a_second_from_its_last_message(renewal: Renewal) -> None:
    async def scene(rig: Rig) -> None:
        renewing(rig, renewal)
        for _ in range(4):
            rig.camera.drive(0.3, 0, 0, 0)
            await asyncio.sleep(0.45)
            assert rig.speed() > 2.0, "the next message comes in time"
        await asyncio.sleep(0.3)
        assert rig.speed() == 0.0

    with_rig(scene)


@pytest.mark.parametrize("renewal", ["unknown", "smooth"])
@pytest.mark.parametrize(("push", "deg_per_s"), [(0.5, 6.0), (-0.75, 38.0)])
@pytest.mark.parametrize("loss", [0.0, 0.1])
def test_a_head_that_is_pushed_all_the_time_keeps_its_speed(
    push: float, deg_per_s: float, renewal: Renewal, loss: float
) -> None:
    """Steps 12 and 18 of 24 (TLC-700-S user manual)."""

    async def scene(rig: Rig) -> None:
        renewing(rig, renewal)
        speeds = [abs(speed) for speed in (await drive(rig, 2.0, push, 0, 0, 0))[60:]]
        assert min(speeds) >= 0.94 * deg_per_s, "it never brakes for a place on its way"

    for seed in range(2):
        with_rig(scene, seed=seed, loss=loss)


def test_a_head_that_takes_new_orders_smoothly_is_told_anew_no_oftener_than_seven_times_a_second() -> None:
    async def scene(rig: Rig) -> None:
        renewing(rig, "smooth")
        sent: list[float] = []
        passed_on = rig.link.send

        def send(datagram: bytes) -> None:
            if datagram[8:12].hex() == "81010602":  # an absolute order
                sent.append(now())
            passed_on(datagram)

        rig.link.send = send  # type: ignore[method-assign]
        await drive(rig, 3.0, 0.5, 0, 0, 0)
        assert 3.0 * 2 <= len(sent) <= 3.0 * 7
        gaps = [later - earlier for earlier, later in pairwise(sent)]
        assert max(gaps) <= 0.5, "left alone it would come to rest before the next one"

    with_rig(scene)


@pytest.mark.parametrize("renewal", ["unknown", "smooth"])
@pytest.mark.parametrize("push", [1.0, -0.8])
def test_a_head_that_brakes_half_as_hard_as_is_known_of_it_stays_in_its_window(push: float, renewal: Renewal) -> None:
    """A head may brake at half of what it starts with, and what is known of it is how it starts."""

    async def scene(rig: Rig) -> None:
        renewing(rig, renewal)
        settings = rig.camera.settings
        known = settings.head.pan
        pan = replace(known, acceleration_deg_per_s2=2.0 * known.acceleration_deg_per_s2)
        rig.camera.settings = replace(
            settings, window=Window((-40.0, 40.0), (-20.0, 30.0)), head=replace(settings.head, pan=pan)
        )
        for _ in range(80):
            rig.camera.drive(push, 0, 0, 0)
            await asyncio.sleep(0.1)
            assert abs(rig.simulated.head.pan_deg(now())) <= 40.05
        assert abs(rig.simulated.head.pan_deg(now())) >= 38.0, "and comes near its edge"

    for seed in range(2):
        with_rig(scene, seed=seed)


@pytest.mark.parametrize("renewal", ["unknown", "smooth"])
@pytest.mark.parametrize("seed", range(8))
def test_a_drive_stays_in_its_window_though_a_tenth_of_the_packets_is_lost_each_way(
    seed: int, renewal: Renewal
) -> None:
    async def scene(rig: Rig) -> None:
        renewing(rig, renewal)
        rig.camera.settings = replace(rig.camera.settings, window=Window((-40.0, 40.0), (-20.0, 30.0)))
        for _ in range(80):
            with suppress(Refusal):  # one that seems to be silent
                rig.camera.drive(1.0, 0, 0, 0)
            await asyncio.sleep(0.1)
            assert rig.simulated.head.pan_deg(now()) <= 40.05

    with_rig(scene, seed=seed, loss=0.1)


@pytest.mark.parametrize("form", ["numbered", "stream"])
def test_cameras_that_answer_late_stay_in_it_but_for_a_swing(form: str) -> None:
    """Strange units take up to 0.17 s for an answer, and brake as gently as they like."""

    async def scene(rig: Rig) -> None:
        rig.camera.settings = replace(rig.camera.settings, window=Window((-20.0, 20.0), (-10.0, 40.0)))
        for push in (1.0, -1.0, 0.5):
            for _ in range(40):
                rig.camera.drive(push, 0, 0, 0)
                await asyncio.sleep(0.1)
                assert abs(rig.simulated.head.pan_deg(now())) < 21.0

    for seed in range(12):
        with_rig(scene, seed=seed, stranger=True, form=form)


@pytest.mark.parametrize("form", ["numbered", "stream"])
def test_a_hand_that_is_seldom_heard_keeps_late_cameras_in_it_too(form: str) -> None:
    """A drive holds for 0.5 s, and so may go on into the edge after its message."""

    async def scene(rig: Rig) -> None:
        rig.camera.settings = replace(rig.camera.settings, window=Window((-20.0, 20.0), (-10.0, 40.0)))
        for push in (1.0, -1.0, 0.5):
            for tick in range(600):
                if tick % 40 == 0 and tick < 300:
                    rig.camera.drive(push, 0.3 * push, 0, 0)
                await asyncio.sleep(0.01)
                assert abs(rig.simulated.head.pan_deg(now())) < 21.0

    for seed in range(12):
        with_rig(scene, seed=seed, stranger=True, form=form)


def test_a_stick_that_is_moved_to_and_fro_before_the_edge_does_not_let_a_late_head_through_it() -> None:
    """Between two readings it goes back for a moment only, and forth for the rest."""

    async def scene(rig: Rig) -> None:
        rig.camera.settings = replace(rig.camera.settings, window=Window((-20.0, 20.0), (-10.0, 40.0)))
        for tick in range(80):
            rig.camera.drive(-1.0 if tick % 8 == 7 else 1.0, 0, 0, 0)
            await asyncio.sleep(0.1)
            assert rig.simulated.head.pan_deg(now()) < 21.0

    for seed in range(12):
        with_rig(scene, seed=seed, stranger=True)


@pytest.mark.parametrize("seed", range(8))
def test_no_head_runs_away_on_a_network_that_changes_the_order_and_what_it_passes_its_window_by_is_told(
    seed: int,
) -> None:
    """No head can be held to the edge where its orders come in any order; without rules for that it goes on by 40°."""

    async def scene(rig: Rig) -> None:
        rig.camera.settings = replace(rig.camera.settings, window=Window((-20.0, 20.0), (-10.0, 40.0)))
        beyond_deg = 0.0
        for push in (1.0, -1.0, 0.5):
            for tick in range(800):
                if tick % 10 == 0 and tick < 300:
                    with suppress(Refusal):  # one that seems to be silent
                        rig.camera.drive(push, 0.3 * push, 0, 0)
                await asyncio.sleep(0.01)
                beyond_deg = max(beyond_deg, abs(rig.simulated.head.pan_deg(now())) - 20.0)
            assert rig.speed() < 0.01
            told = [fault for fault in rig.camera.state().faults if "outside this camera's window" in fault]
            assert bool(told) is (abs(rig.simulated.head.pan_deg(now())) > 20.5)
        assert beyond_deg < 6.0

    with_rig(scene, seed=seed, stranger=True, late_seconds=0.06)


@pytest.mark.parametrize("renewal", ["unknown", "smooth"])
def test_a_head_at_its_fastest_does_not_brake_for_a_place_on_its_way(renewal: Renewal) -> None:
    """Step 24 is 120 degrees/s, from which it needs 60 degrees to brake."""

    async def scene(rig: Rig) -> None:
        renewing(rig, renewal)
        assert (await rig.recall(Recall("far left", framing(-8000, 500, 0x2000, 0x6000), id="far"))).phase == "settled"
        speeds = await drive(rig, 1.9, 1.0, 0, 0, 0)
        assert min(speeds[130:]) >= 0.94 * 120.0

    with_rig(scene)


@pytest.mark.parametrize("let_go", ["pan", "tilt"])
def test_an_axis_that_is_let_go_while_the_other_goes_on_comes_to_rest_and_not_back(let_go: str) -> None:
    async def scene(rig: Rig) -> None:
        renewing(rig, "smooth")
        head = rig.simulated.head
        place = head.pan_deg if let_go == "pan" else head.tilt_deg
        fast = (0.85, 0.3) if let_go == "pan" else (0.3, 0.85)
        rest = (0.0, 0.3) if let_go == "pan" else (0.3, 0.0)
        await drive(rig, 0.8, *fast, 0, 0)
        places = []
        for _ in range(15):
            await drive(rig, 0.1, *rest, 0, 0)
            places.append(place(now()))
        assert max(places) - places[-1] <= 0.05, "it is not sent back to where it was seen last"
        assert places[-1] - places[8] <= 0.05, "it rests within 0.9 s"
        assert rig.speed() > 2.0, "the other one goes on"

    for seed in range(3):
        with_rig(scene, seed=seed)


@pytest.mark.parametrize(("then", "order"), [(0.25, "810106010601"), (0.0, "81010601")])
def test_a_stick_that_is_moved_is_obeyed_at_once_and_not_with_the_next_reading(then: float, order: str) -> None:
    """A quarter is step 6 of 24; no time passes between the message and its packet."""

    async def scene(rig: Rig) -> None:
        await drive(rig, 1.0, 0.75, 0, 0, 0)
        sent: list[str] = []
        passed_on = rig.link.send

        def send(datagram: bytes) -> None:
            sent.append(datagram[8:].hex())
            passed_on(datagram)

        rig.link.send = send  # type: ignore[method-assign]
        rig.camera.drive(then, 0, 0, 0)
        assert any(each.startswith(order) for each in sent), sent

    with_rig(scene)
