"""Moves carried out on simulated heads, and what a viewer would have seen of them.

The simulated head draws its own truth; what plans and steers knows a published table, or what it has learned over the
protocol.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from ptzsim import virtual_time
from ptzsim.camera import SimulatedCamera
from ptzsim.mount import mount_named
from ptzsim.serving import serve_memory
from ptzsim.truth import draw_truth
from rigs import rigged

from ptzd.cameras import LearnLimits
from ptzd.cameras.shaped import run_shaped
from ptzd.cameras.slowmode import SlowModeSwitch
from ptzd.line import Framing, Line
from ptzd.links import memory_pair
from ptzd.motion import DirectPlan, HeadModel, Lens, Pose, ShapedPlan, published_head
from ptzd.visca import Dialect, PanTiltAbsolute, ZoomDirect

SAMPLE_SECONDS = 0.005
WINDOW_SAMPLES = 40  # 0.2 s
SENSOR_WIDTH_MM = 35.9
LANDED_SECONDS = 1.5
LEARNED_RANGE = LearnLimits((-160.0, 160.0), (-15.0, 85.0))

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Task:
    """One move to make: which head, hung where, behind which lens, from where to where."""

    dialect: Dialect
    mount: str
    lens: Lens
    unit: int  # draws the truth of the head
    chance: int  # draws what is lost on the way
    head: HeadModel  # all that plans and steers know of the unit
    start: Framing
    target: Framing
    seconds: float

    def pose(self, framing: Framing) -> Pose:
        dialect = self.dialect
        return Pose(
            dialect.pan.degrees(framing.pan_counts),
            dialect.tilt.degrees(framing.tilt_counts),
            framing.zoom_counts,
            None,
        )


@dataclass(frozen=True)
class Seen:
    """What came of a move. `speeds` are rows of pan and tilt in °/s, zoom in counts/s; times from the first order."""

    times: Floats
    speeds: Floats
    zoom_counts: Floats
    off_counts: tuple[int, int, int]  # reported minus wanted, when all was over
    lens: Lens

    def ends(self) -> tuple[float, float, float]:
        """When pan, tilt and zoom moved last; 0 where one never did."""
        moving = np.abs(self.speeds) > 1e-6
        pan, tilt, zoom = (float(self.times[row].max()) if row.any() else 0.0 for row in moving)
        return pan, tilt, zoom

    def picture_speeds(self) -> Floats:
        """The vector of picture speed in widths per second."""
        focal = np.array([self.lens.focal_length_mm(counts) for counts in self.zoom_counts])
        width_deg = np.degrees(2.0 * np.arctan(SENSOR_WIDTH_MM / (2.0 * focal)))
        growth = np.gradient(np.log(focal), SAMPLE_SECONDS) if np.ptp(focal) > 0.0 else np.zeros_like(focal)
        return np.stack((self.speeds[0] / width_deg, self.speeds[1] / width_deg, 0.5 * growth))

    def jolt(self) -> float:
        """The largest change of picture speed within 0.2 s, in widths per second."""
        return largest_change(self.picture_speeds())

    def jolt_deg(self) -> float:
        """The same of pan and tilt alone, in degrees per second."""
        return largest_change(self.speeds[:2])


def published(dialect: Dialect) -> HeadModel:
    """What is known of a head that nobody has measured."""
    return published_head(
        dialect.pan.steps_deg_per_s, dialect.tilt.steps_deg_per_s, shared_speed=dialect.absolute == "shared-speed"
    )


def learned(dialect_name: str, mount: str, unit: int) -> HeadModel:
    """What `learn` finds out of a unit, over the protocol, while 1 % of all datagrams is lost."""
    return virtual_time.run(_learn(dialect_name, mount, unit))


async def _learn(dialect_name: str, mount: str, unit: int) -> HeadModel:
    async with rigged(dialect_name=dialect_name, mount=mount, loss=0.01, seed=unit) as rig:
        await rig.ready()
        found = await rig.camera.learn(LEARNED_RANGE, lambda progress: None, random.Random(unit))
        return found.model


def largest_change(speeds: Floats) -> float:
    """The largest change of a vector of speeds between samples up to 0.2 s apart."""
    return max(
        float(np.sqrt(np.sum((speeds[:, apart:] - speeds[:, :-apart]) ** 2, axis=0)).max())
        for apart in range(1, WINDOW_SAMPLES + 1)
    )


def carried_out(task: Task, plan: ShapedPlan | DirectPlan, *, loss: float = 0.01, renewed: bool = False) -> Seen:
    """Make the move on a simulated head, on a virtual clock."""
    return virtual_time.run(_carry_out(task, plan, loss, renewed))


async def _carry_out(task: Task, plan: ShapedPlan | DirectPlan, loss: float, renewed: bool) -> Seen:
    loop = asyncio.get_running_loop()
    dialect = task.dialect
    truth = draw_truth(dialect, random.Random(task.unit))
    simulated = SimulatedCamera(dialect, truth=truth, mount=mount_named(task.mount), started_at=loop.time(), ready=True)
    ours, theirs = memory_pair(delay_seconds=0.0005, loss=loss, rng=random.Random(task.chance))
    async with asyncio.TaskGroup() as group:
        line = Line(ours, dialect, on_restart=lambda: None)
        background = [group.create_task(line.run()), group.create_task(serve_memory(simulated, theirs))]
        line.restart()
        await asyncio.sleep(2.0)
        start, target = task.start, task.target
        simulated.head.go_to(
            loop.time(), dialect.pan.degrees(start.pan_counts), dialect.tilt.degrees(start.tilt_counts), 24, 24
        )
        simulated.lens.zoom_to(loop.time(), start.zoom_counts)
        await asyncio.sleep(12.0)
        slow = SlowModeSwitch(line, dialect)
        await slow.off()
        began = loop.time()
        samples: list[tuple[float, float, float, float, float]] = []
        watching = group.create_task(_watch(simulated, samples))
        if isinstance(plan, ShapedPlan):
            renewed = renewed and dialect.absolute == "two-speed"
            exchanges = await run_shaped(line, dialect, plan, target, slow=slow, renewed=renewed)
        else:
            orders = [
                PanTiltAbsolute(target.pan_counts, target.tilt_counts, plan.pan_step, plan.tilt_step),
                ZoomDirect(target.zoom_counts),
            ]
            exchanges = [line.perform(order, 60.0) for order in orders]
        for exchange in exchanges:
            await exchange.ended
        await asyncio.sleep(LANDED_SECONDS)
        watching.cancel()
        now = loop.time()
        off = (
            simulated.head.pan_counts(now) - target.pan_counts,
            simulated.head.tilt_counts(now) - target.tilt_counts,
            simulated.lens.zoom_counts(now) - target.zoom_counts,
        )
        for each in background:
            each.cancel()
    table = np.array(samples).T
    return Seen(table[0] - began, table[1:4], table[4], off, task.lens)


async def _watch(simulated: SimulatedCamera, samples: list[tuple[float, float, float, float, float]]) -> None:
    loop = asyncio.get_running_loop()
    head, zoom = simulated.head, simulated.lens.zoom
    while True:
        now = loop.time()
        samples.append((now, head.pan_deg_per_s(now), head.tilt_deg_per_s(now), zoom.velocity(now), zoom.position(now)))
        await asyncio.sleep(SAMPLE_SECONDS)
