"""A drive by hand goes the way that it is pushed, on the axis that it is pushed, as fast as it is pushed.

What counts is where the simulated head and lens truly are.
"""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from functools import partial

import pytest
import rigs
from rigs import Rig, framing

from ptzd.cameras import Lock, Recall
from ptzd.refusal import Refusal

LOCK = Lock("the rigger", "hands at the head", datetime(2026, 6, 20, tzinfo=UTC))
MIDDLE = framing(500, 1000, 0x2000, 0x6000)  # from which there is room on either side


with_rig = partial(rigs.with_rig, first=MIDDLE)


def stands(rig: Rig) -> dict[str, float]:
    """Where it is: right, up, tele and far are positive."""
    now, head, lens = asyncio.get_running_loop().time(), rig.simulated.head, rig.simulated.lens
    return {
        "pan": head.pan_deg(now),
        "tilt": head.tilt_deg(now),
        "zoom": lens.zoom.position(now),
        # Published scales grow from infinity towards the lens (FCB-EX1010 technical manual, "Lens control").
        "focus": -lens.focus.position(now),
    }


@pytest.mark.parametrize("dialect", ["nibble4-51", "shared5-205"])
@pytest.mark.parametrize("deflection", [0.6, -0.6])
@pytest.mark.parametrize("axis", ["pan", "tilt", "zoom", "focus"])
def test_an_axis_goes_the_way_that_it_is_pushed_and_no_other_moves(axis: str, deflection: float, dialect: str) -> None:
    async def scene(rig: Rig) -> None:
        before = stands(rig)
        pushed = {"pan": 0.0, "tilt": 0.0, "zoom": 0.0, "focus": 0.0, axis: deflection}
        rig.camera.drive(*pushed.values())
        await asyncio.sleep(0.4)
        moved = {each: place - before[each] for each, place in stands(rig).items()}
        assert moved.pop(axis) * deflection > 0
        assert moved == dict.fromkeys(moved, 0.0)

    with_rig(scene, dialect_name=dialect)


@pytest.mark.parametrize("deflection", [0.6, -0.6])
def test_all_axes_at_once_go_the_ways_that_they_are_pushed(deflection: float) -> None:
    async def scene(rig: Rig) -> None:
        before = stands(rig)
        rig.camera.drive(deflection, -deflection, deflection, -deflection)
        await asyncio.sleep(0.4)
        after = stands(rig)
        ways = {axis: (after[axis] - before[axis]) * deflection > 0 for axis in after}
        assert ways == {"pan": True, "tilt": False, "zoom": True, "focus": False}

    with_rig(scene)


def test_each_axis_is_as_fast_as_it_is_pushed_itself() -> None:
    """Half the way is step 12 of 24 for pan and of 23 for tilt: 6 and 13.5 degrees/s in this dialect's tables."""

    async def scene(rig: Rig) -> None:
        now, head = asyncio.get_running_loop().time, rig.simulated.head
        for pan, tilt, pan_deg_per_s, tilt_deg_per_s in ((0.5, 0.02, 6.0, 1.0), (0.02, 0.5, 1.0, 13.5)):
            rig.camera.drive(pan, tilt, 0, 0)
            await asyncio.sleep(0.4)
            # A unit is up to 5 % off its table.
            assert head.pan_deg_per_s(now()) == pytest.approx(pan_deg_per_s, rel=0.06)
            assert head.tilt_deg_per_s(now()) == pytest.approx(tilt_deg_per_s, rel=0.06)

    with_rig(scene)


def test_a_drive_by_hand_takes_the_place_of_a_move_and_what_was_left_of_that_does_not_come() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.recall(Recall("far", framing(-6000, 1000, 0x2000, 0x6000), step=18, id="1"))
        await asyncio.sleep(1.0)
        rig.camera.drive(0, 0.1, 0, 0)
        assert [each.phase.value for each in rig.moves if each.id == "1"][-1] == "superseded"
        await asyncio.sleep(2.5)
        assert rig.speed() == 0
        assert rig.camera.state().phase == "idle"
        assert [each.phase.ended for each in rig.moves if each.id == "1"].count(True) == 1, "a move has one end"

    with_rig(scene)


async def push(rig: Rig, seconds: float) -> set[str]:
    """Push to the right, and return by which codes that was refused."""
    refused = set()
    for _ in range(round(seconds / 0.1)):
        try:
            rig.camera.drive(1.0, 0.0, 0.0, 0.0)
        except Refusal as refusal:
            refused.add(refusal.code)
        await asyncio.sleep(0.1)
    return refused


def test_a_push_that_a_stop_has_ended_moves_nothing_until_it_was_let_go() -> None:
    async def scene(rig: Rig) -> None:
        for told in (True, False):  # that it was let go, or no more of it came for half a second
            assert await push(rig, 0.5) == set()
            assert rig.speed() > 0.0
            rig.camera.stop()
            assert await push(rig, 3.0) == {"held-on"}
            assert rig.speed() == 0.0 and rig.camera.activity.kind == "at-rest"
            if told:
                rig.camera.drive(0.0, 0.0, 0.0, 0.0)
            await asyncio.sleep(0.3 if told else 1.3)
            assert await push(rig, 0.5) == {"held-on"}, "a network may have held it up, and somebody else have let go"
            if told:
                rig.camera.drive(0.0, 0.0, 0.0, 0.0)
            await asyncio.sleep(0.5 if told else 1.5)
            assert await push(rig, 0.3) == set()
            assert rig.speed() > 0.0
            rig.camera.drive(0.0, 0.0, 0.0, 0.0)
            await rig.until(lambda: not rig.camera.moving)

    with_rig(scene)


@pytest.mark.parametrize("stopped", ["stop", "lock", "stall"])
def test_who_lets_go_beside_a_push_that_was_stopped_lets_go_of_nothing_but_his_own(stopped: str) -> None:
    async def scene(rig: Rig) -> None:
        assert await push(rig, 0.5) == set()
        if stopped == "stop":
            rig.camera.stop()
        elif stopped == "lock":
            rig.camera.lock(LOCK)
            rig.camera.unlock(LOCK)
        else:
            rig.camera.stalled(0.8)
        for _ in range(4):
            assert await push(rig, 0.5) == {"held-on"}
            rig.camera.drive(0.0, 0.0, 0.0, 0.0)
        assert rig.speed() == 0.0

    with_rig(scene)


def test_a_push_whose_words_were_held_up_at_a_stop_is_still_the_same() -> None:
    async def scene(rig: Rig) -> None:
        assert await push(rig, 0.5) == set()
        await asyncio.sleep(0.6)  # nothing comes, and it is let go
        rig.camera.stop()
        await asyncio.sleep(0.8)
        assert await push(rig, 1.0) == {"held-on"}
        rig.camera.drive(0.0, 0.0, 0.0, 0.0)
        await asyncio.sleep(0.5)
        assert await push(rig, 0.5) == set()
        rig.camera.drive(0.0, 0.0, 0.0, 0.0)
        await asyncio.sleep(0.5)
        rig.camera.stop()
        assert await push(rig, 0.1) == {"held-on"}, "somebody else may have let go"
        await asyncio.sleep(1.5)
        assert await push(rig, 0.5) == set()
        rig.camera.stop()
        await asyncio.sleep(2.0)
        rig.camera.stalled(2.0)  # nobody listened in that time
        assert await push(rig, 1.0) == {"held-on"}

    with_rig(scene)


@pytest.mark.parametrize("locked_first", [False, True])
def test_a_push_that_goes_on_under_a_lock_moves_nothing_when_the_lock_comes_off(locked_first: bool) -> None:
    async def scene(rig: Rig) -> None:
        if not locked_first:
            assert await push(rig, 0.5) == set()
        rig.camera.lock(LOCK)
        assert await push(rig, 2.0) == {"locked"}
        rig.camera.unlock(LOCK)
        assert await push(rig, 2.0) == {"held-on"}
        assert rig.speed() == 0.0 and rig.camera.activity.kind == "at-rest"
        rig.camera.drive(0.0, 0.0, 0.0, 0.0)
        await asyncio.sleep(0.5)
        assert await push(rig, 0.3) == set()
        assert rig.speed() > 0.0

    with_rig(scene)


def test_a_push_that_goes_on_while_the_cable_is_out_moves_nothing_when_it_is_back() -> None:
    async def scene(rig: Rig) -> None:
        assert await push(rig, 0.5) == set()
        rig.link.cut = True
        refused = await push(rig, 8.0)
        assert refused and "held-on" not in refused, "the reason is told for as long as it holds"
        rig.link.cut = False
        rig.forget()
        assert "held-on" in await push(rig, 8.0)
        assert rig.speed() == 0.0 and rig.camera.activity.kind == "at-rest"
        rig.camera.drive(0.0, 0.0, 0.0, 0.0)
        await asyncio.sleep(0.5)
        rig.camera.drive(-1.0, 0.0, 0.0, 0.0)  # it is at its right end, since nobody could stop it
        await asyncio.sleep(0.3)
        assert rig.speed() > 0.0

    with_rig(scene)
