"""A shaped move on a simulated camera, over a wire that loses datagrams."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
from ptzsim import virtual_time
from ptzsim.camera import SimulatedCamera
from ptzsim.mount import mount_named
from ptzsim.serving import serve_memory
from ptzsim.truth import draw_truth
from rigs import CutLink

from ptzd.cameras.shaped import run_shaped
from ptzd.line import Exchange, Framing, Line, LineDown
from ptzd.links import memory_pair
from ptzd.motion import Pose, ShapedPlan, plan_shaped, published_head
from ptzd.visca import Dialect, PanTiltStop, load_dialect

SECONDS = 6.0


class Stage:
    """A simulated camera at home, the line to it, and a plan to somewhere else."""

    def __init__(self, line: Line, simulated: SimulatedCamera, link: CutLink, focus_mode: str) -> None:
        self.line = line
        self.simulated = simulated
        self.link = link
        dialect: Dialect = simulated.dialect
        self.dialect = dialect
        self.target = Framing(dialect.pan.counts(20.0), dialect.tilt.counts(8.0), 5000, 0x5000, focus_mode)  # type: ignore[arg-type]
        head = published_head(
            dialect.pan.steps_deg_per_s, dialect.tilt.steps_deg_per_s, shared_speed=dialect.absolute == "shared-speed"
        )
        there = Pose(
            dialect.pan.degrees(self.target.pan_counts), dialect.tilt.degrees(self.target.tilt_counts), 5000.0, None
        )
        plan = plan_shaped(head, Pose(0.0, 0.0, 0.0, None), there, SECONDS)
        assert isinstance(plan, ShapedPlan)
        self.plan = plan
        self.told: list[tuple[float, int, int, int | None]] = []

    async def run(self) -> list[Exchange]:
        return await run_shaped(
            self.line, self.dialect, self.plan, self.target, told=lambda *each: self.told.append(each)
        )

    def off(self) -> tuple[int, int, int]:
        now = asyncio.get_running_loop().time()
        return (
            self.simulated.head.pan_counts(now) - self.target.pan_counts,
            self.simulated.head.tilt_counts(now) - self.target.tilt_counts,
            self.simulated.lens.zoom_counts(now) - self.target.zoom_counts,
        )


@asynccontextmanager
async def staged(
    dialect_name: str = "nibble4-51", *, seed: int = 1, loss: float = 0.0, focus_mode: str = "auto"
) -> AsyncIterator[Stage]:
    rng = random.Random(seed)
    dialect = load_dialect(dialect_name)
    simulated = SimulatedCamera(dialect, truth=draw_truth(dialect, rng), mount=mount_named("balcony-rail"), ready=True)
    ours, theirs = memory_pair(delay_seconds=0.0005, loss=loss, rng=rng)
    link = CutLink(ours)
    async with asyncio.TaskGroup() as group:
        line = Line(link, dialect, on_restart=lambda: None)
        tasks = [group.create_task(line.run()), group.create_task(serve_memory(simulated, theirs))]
        line.restart()
        await asyncio.sleep(1.0)
        try:
            yield Stage(line, simulated, link, focus_mode)
        finally:
            for task in tasks:
                task.cancel()


@pytest.mark.parametrize("dialect_name", ["nibble4-51", "nibble4-14", "shared4-51", "shared5-205"])
def test_it_lands_on_the_very_counts_when_it_was_to(dialect_name: str) -> None:
    async def scenario() -> None:
        async with staged(dialect_name) as stage:
            loop = asyncio.get_running_loop()
            began = loop.time()
            exchanges = await stage.run()
            for exchange in exchanges:
                await exchange.ended
            await asyncio.sleep(1.0)
            now = loop.time()
            assert stage.off() == (0, 0, 0)
            ends = max(stage.simulated.head.ends_at, stage.simulated.lens.zoom.ends_at) - began
            assert ends == pytest.approx(SECONDS, abs=0.15)
            assert not stage.simulated.head.moving(now)

    virtual_time.run(scenario())


@pytest.mark.parametrize("seed", range(12))
def test_losses_neither_lead_it_astray_nor_make_it_late(seed: int) -> None:
    async def scenario() -> None:
        async with staged(seed=seed, loss=0.05) as stage:
            began = asyncio.get_running_loop().time()
            exchanges = await stage.run()
            for exchange in exchanges:
                await exchange.ended
            await asyncio.sleep(1.0)
            assert stage.off() == (0, 0, 0)
            assert stage.simulated.head.ends_at - began == pytest.approx(SECONDS, abs=0.4)

    virtual_time.run(scenario())


def test_positions_are_told_about_ten_times_a_second() -> None:
    async def scenario() -> None:
        async with staged() as stage:
            await stage.run()
            assert len(stage.told) == pytest.approx(10 * SECONDS, rel=0.2)
            assert all(zoom is not None for _, _, _, zoom in stage.told[:20])

    virtual_time.run(scenario())


def test_a_focus_set_by_hand_comes_along() -> None:
    async def scenario() -> None:
        async with staged(focus_mode="manual") as stage:
            for exchange in await stage.run():
                await exchange.ended
            await asyncio.sleep(3.0)
            assert not stage.simulated.lens.autofocus
            assert stage.simulated.lens.focus_counts(asyncio.get_running_loop().time()) == stage.target.focus_counts

    virtual_time.run(scenario())


def test_cancelled_it_leaves_the_camera_to_whoever_cancelled_it() -> None:
    async def scenario() -> None:
        async with staged() as stage:
            loop = asyncio.get_running_loop()
            task = asyncio.create_task(stage.run())
            await asyncio.sleep(SECONDS / 2)
            task.cancel()
            (stop,) = stage.line.interrupt([PanTiltStop()], 2.0)
            await asyncio.wait([task])
            assert task.cancelled()
            await stop.ended
            await asyncio.sleep(0.5)
            assert not stage.simulated.head.moving(loop.time())

    virtual_time.run(scenario())


def test_a_camera_that_falls_silent_is_said_to_be_down() -> None:
    async def scenario() -> None:
        async with staged() as stage:
            asyncio.get_running_loop().call_later(SECONDS / 6, _cut(stage.link))
            with pytest.raises(LineDown):
                await stage.run()

    virtual_time.run(scenario())


def _cut(link: CutLink) -> Callable[[], None]:
    def cut() -> None:
        link.cut = True

    return cut
