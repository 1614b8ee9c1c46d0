"""A guard stops whoever's term runs out, and goes on until that camera's own readings stand still."""

from __future__ import annotations

import asyncio
import random
from contextlib import AbstractAsyncContextManager
from itertools import pairwise

import pytest
from guard.heads import watched_scene
from ptzsim import Habits, draw_habits
from ptzsim.virtual_time import run

from ptzd.guard import HaltBegan, HaltEnded, MemoryGuard, Watched, halt
from ptzd.links import Link
from ptzd.visca import PanTiltAbsolute, PanTiltDrive, PanTiltStop

pytestmark = pytest.mark.usefixtures("nothing_fails_unseen")

RESTS = [HaltBegan("gallery", "nobody said in time that it may go on moving"), HaltEnded("gallery", still=True)]


def test_a_camera_that_is_renewed_goes_on_and_no_packet_is_sent() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.drive(pan_step=8)
            for _ in range(50):
                scene.guard.renew("gallery", 0.4)
                await asyncio.sleep(0.1)
            assert scene.moving
            scene.perform(PanTiltStop())
            scene.guard.renew("gallery", 0.0)
            await asyncio.sleep(5.0)
            assert (scene.wire.opened, scene.wire.sent_at, scene.told) == (0, [], [])

    run(main())


def test_a_camera_that_is_no_longer_renewed_comes_to_rest() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.drive()
            scene.guard.renew("gallery", 0.4)
            # it brakes as it gathered speed, so that it moves for twice the term, and for the way of the first packets
            assert 0.4 < await scene.seconds_moving() < 2 * (0.4 + 0.1)
            await scene.guard.until_idle()
            assert scene.told == RESTS

    run(main())


def test_a_term_runs_out_however_often_those_of_other_cameras_are_renewed() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            names = ("gallery", "left", "right")
            async with MemoryGuard([Watched(name, scene.camera.dialect, scene.wire.open) for name in names]) as guard:
                scene.drive()
                guard.renew("gallery", 0.4)
                for _ in range(40):
                    guard.renew("left", 0.4)
                    await asyncio.sleep(0.025)
                    guard.renew("right", 2.0)
                assert not scene.moving
                await guard.until_idle()

    run(main())


def test_a_guard_that_has_ended_takes_no_camera_from_whoever_has_it_now() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            async with MemoryGuard([Watched("gallery", scene.camera.dialect, scene.wire.open)]) as guard:
                scene.drive(pan_step=8)
                guard.renew("gallery", 0.4)
            await asyncio.sleep(3.0)
            assert scene.moving and scene.wire.opened == 0

    run(main())


@pytest.mark.parametrize("loss", [0.0, 0.05, 0.1])
@pytest.mark.parametrize("slow_to_stop", [False, True])
def test_whatever_is_lost_and_however_long_a_stop_takes_the_head_rests_soon(loss: float, slow_to_stop: bool) -> None:
    async def main(seed: int) -> float:
        habits = Habits(stop_seconds=0.07) if slow_to_stop else Habits()
        async with watched_scene(loss=loss, seed=seed, habits=habits) as scene:
            scene.drive()
            await asyncio.sleep(0.3)
            scene.guard.lose_the_daemon()
            assert scene.told == []  # nothing was allowed to move open-endedly
            scene.guard.renew("gallery", 0.4)
            scene.guard.lose_the_daemon()
            took = await scene.seconds_moving()
            await scene.guard.until_idle()
            assert scene.told[-1] == HaltEnded("gallery", still=True)
            assert not scene.moving
            return took

    took = sorted(run(main(seed)) for seed in range(40))
    assert took[-1] < (0.7 if slow_to_stop else 0.6)


def test_heads_of_every_habit_come_to_rest() -> None:
    async def main(seed: int) -> None:
        async with watched_scene(loss=0.1, seed=seed, habits=draw_habits(random.Random(seed))) as scene:
            scene.drive()
            await asyncio.sleep(0.2)
            scene.guard.halt("gallery", "a test")
            async with asyncio.timeout(10):
                await scene.guard.until_idle()
            assert scene.told[-1] == HaltEnded("gallery", still=True)
            assert not scene.moving

    for seed in range(40):
        run(main(seed))


def test_a_camera_that_is_renewed_while_it_is_halted_is_left_at_once() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.drive()
            scene.guard.renew("gallery", 0.4)
            await asyncio.sleep(0.6)
            assert scene.wire.sent_at
            scene.guard.renew("gallery", 0.4)
            left_at = asyncio.get_running_loop().time()
            scene.drive()
            for _ in range(10):
                await asyncio.sleep(0.1)
                scene.guard.renew("gallery", 0.4)
            assert scene.moving
            assert scene.wire.sent_at[-1] <= left_at
            assert scene.told == [RESTS[0], HaltEnded("gallery", still=False)]

    run(main())


def test_a_halt_that_was_asked_for_goes_on_though_the_daemon_says_that_it_does_nothing() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.drive()
            scene.guard.halt("gallery", "a test")
            scene.guard.renew("gallery", 0.0)
            await scene.guard.until_idle()
            assert scene.told == [HaltBegan("gallery", "a test"), HaltEnded("gallery", still=True)]

    run(main())


def test_a_silent_camera_is_tried_every_second_and_stopped_when_it_is_heard_again() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.drive(pan_step=2)
            scene.wire.cut = True
            scene.guard.renew("gallery", 0.4)
            await asyncio.sleep(60.0)
            sent = scene.wire.sent_at
            assert max(later - earlier for earlier, later in pairwise(sent)) <= 1.0
            assert scene.moving
            assert scene.wire.opened > 10  # each time by another socket, for the way may be another by now
            scene.wire.cut = False
            assert await scene.seconds_moving() < 1.0
            await scene.guard.until_idle()
            assert scene.told == RESTS

    run(main())


def test_a_camera_that_is_never_heard_is_given_up_after_ten_minutes() -> None:
    async def main() -> float:
        async with watched_scene() as scene:
            scene.wire.cut = True
            scene.guard.renew("gallery", 0.4)
            await scene.guard.until_idle()
            await asyncio.sleep(0.5)
            began_at = asyncio.get_running_loop().time()
            await scene.guard.until_idle()
            assert scene.told == [RESTS[0], HaltEnded("gallery", still=False)]
            return asyncio.get_running_loop().time() - began_at

    assert 599.0 < run(main()) < 601.0


def test_a_term_is_two_seconds_at_the_longest() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.drive(pan_step=8)
            scene.guard.renew("gallery", 3600.0)
            assert 2.0 < await scene.seconds_moving() < 2.8

    run(main())


def test_a_machine_that_was_suspended_stops_its_camera_as_soon_as_it_wakes() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        async with watched_scene() as scene:
            scene.drive(pan_step=8)
            scene.guard.renew("gallery", 0.4)
            loop.pass_over(3.0)  # type: ignore[attr-defined]
            assert await scene.seconds_moving() < 0.5

    run(main())


def test_two_guards_that_stop_one_camera_both_see_it_at_rest() -> None:
    """One that outlived a daemon, and the one of the next."""

    async def main(seed: int) -> None:
        async with watched_scene(seed=seed) as scene, watched_scene(seed=seed) as other:
            scene.drive()
            # the other's wire leads to the same camera, under another address
            other.wire.link = scene.second_wire()
            scene.guard.halt("gallery", "a test")
            await asyncio.sleep(0.013 * seed)
            other.guard.halt("gallery", "a test")
            async with asyncio.timeout(15):
                await scene.guard.until_idle()
                await other.guard.until_idle()
            assert [each.told[-1] for each in (scene, other)] == 2 * [HaltEnded("gallery", still=True)]
            assert not scene.moving

    for seed in range(20):
        run(main(seed))


def test_a_way_to_the_camera_that_cannot_be_opened_is_tried_twice_a_second() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        async with watched_scene() as scene:
            tried_at: list[float] = []

            def opened() -> AbstractAsyncContextManager[Link]:
                tried_at.append(loop.time())
                if len(tried_at) < 4:
                    raise OSError("no route")
                return scene.wire.open()

            scene.drive(pan_step=8)
            halted = await halt(Watched("gallery", scene.camera.dialect, opened), 5.0)
            assert halted.still
            assert [later - earlier for earlier, later in pairwise(tried_at)] == pytest.approx([0.5, 0.5, 0.5])

    run(main())


def test_a_camera_that_refuses_every_stop_is_not_said_to_stand_still() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.drive(pan_step=1)
            perform = scene.camera.body.perform
            scene.camera.body.perform = lambda command, now: perform(  # type: ignore[method-assign]
                PanTiltDrive(1, 1, 1, 0) if isinstance(command, PanTiltStop) else command, now
            )
            scene.guard.halt("gallery", "a test")
            await asyncio.sleep(20.0)
            assert scene.moving
            assert scene.told == [HaltBegan("gallery", "a test")]

    run(main())


def test_a_camera_in_standby_counts_as_at_rest() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.camera.body.powered = False
            halted = await halt(Watched("gallery", scene.camera.dialect, scene.wire.open), 5.0)
            assert (halted.still, halted.standby) == (True, True)
            assert halted.seconds < 1.0

    run(main())


def test_a_guard_that_has_gone_does_nothing() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            guard: MemoryGuard = scene.guard
            guard.watches = False
            scene.drive(pan_step=8)
            guard.renew("gallery", 0.4)
            guard.halt("gallery", "a test")
            await asyncio.sleep(2.0)
            assert scene.moving
            assert scene.told == []

    run(main())


def test_an_absolute_order_is_brought_to_rest_too_where_a_halt_is_asked_for() -> None:
    async def main() -> None:
        async with watched_scene() as scene:
            scene.perform(PanTiltAbsolute(24, 20, 6000, 0))
            await asyncio.sleep(0.5)
            scene.guard.halt("gallery", "a test")
            assert await scene.seconds_moving() < 0.6
            assert scene.camera.head.pan_counts(asyncio.get_running_loop().time()) < 6000

    run(main())


@pytest.mark.parametrize(("sockets", "stop_seconds"), [(1, 0.2), (2, 0.35), (3, 0.45)])
def test_a_stop_that_takes_a_head_its_time_is_not_cancelled_by_the_next_one(sockets: int, stop_seconds: float) -> None:
    async def main() -> None:
        async with watched_scene(habits=Habits(sockets=sockets, stop_seconds=stop_seconds)) as scene:
            scene.drive()
            scene.guard.halt("gallery", "a test")
            assert await scene.seconds_moving() < 1.2  # cancelled again and again it reaches the end of its range
            await scene.guard.until_idle()

    run(main())
