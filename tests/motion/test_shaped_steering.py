"""Steering brings units home that differ from their table, by nothing but when they change step.

The unit here is a motor of a few lines that shares no code with what steers it. [D] TLC-700-S user manual, "VISCA speed
value": degrees per second by step.
"""

from __future__ import annotations

from itertools import pairwise
from math import copysign

import pytest

from ptzd.motion import (
    DriveHead,
    DriveZoom,
    HeadModel,
    LandHead,
    LandZoom,
    Pose,
    ShapedPlan,
    Steering,
    plan_shaped,
)

TICK = 0.002
LAG_SECONDS = 0.012
HERE = Pose(0.0, 0.0, 1000.0, None)


class Unit:
    """A head whose axes run at shares of their table, LAG_SECONDS after they are told to."""

    def __init__(self, head: HeadModel, pan_share: float, tilt_share: float, zoom_share: float) -> None:
        self.tables = [
            (0.0, *(pan_share * speed for speed in head.pan.steps_deg_per_s)),
            (0.0, *(tilt_share * speed for speed in head.tilt.steps_deg_per_s)),
            (0.0, *(zoom_share * speed for speed in head.zoom.drive_counts_per_s)),
        ]
        self.accelerations = (115.0, 126.0, 50000.0)
        self.places = [0.0, 0.0, HERE.zoom_counts]
        self.speeds = [0.0, 0.0, 0.0]
        self.wanted = [0.0, 0.0, 0.0]
        self.targets: list[float | None] = [None, None, None]

    def tick(self) -> None:
        for axis in range(3):
            wanted = self.wanted[axis]
            if (target := self.targets[axis]) is not None:
                rest = target - self.places[axis]
                brake = (2.0 * self.accelerations[axis] * abs(rest)) ** 0.5
                wanted = copysign(min(abs(wanted), brake), rest)
                if abs(rest) < abs(self.speeds[axis]) * TICK:
                    self.places[axis], self.speeds[axis] = target, 0.0
                    continue
            most = self.accelerations[axis] * TICK
            self.speeds[axis] += min(most, max(-most, wanted - self.speeds[axis]))
            self.places[axis] += self.speeds[axis] * TICK


class Run:
    """A plan carried out on a unit: the speeds every 10 ms, the orders, and when each axis came to rest."""

    def __init__(self, plan: ShapedPlan, unit: Unit, *, reports: bool = True) -> None:
        steering = Steering(plan, 0.0)
        self.orders: list[DriveHead | DriveZoom | LandHead | LandZoom] = []
        self.speeds: list[tuple[float, float, float]] = []
        self.wanted: list[tuple[float, float]] = []  # what pan and tilt were driven at, every 10 ms
        self.rests = [0.0, 0.0, 0.0]
        due: list[tuple[float, DriveHead | DriveZoom | LandHead | LandZoom]] = []
        for tick in range(int((plan.seconds + 1.5) / TICK)):
            now = tick * TICK
            while due and due[0][0] <= now:
                self._perform(unit, due.pop(0)[1], plan, steering, now)
            unit.tick()
            if tick % 5 == 0:
                self.wanted.append((unit.wanted[0], unit.wanted[1]))
            for axis in range(3):
                if unit.speeds[axis]:
                    self.rests[axis] = now
            if tick % 5 == 0:
                self.speeds.append((unit.speeds[0], unit.speeds[1], unit.speeds[2]))
                for order in [] if steering.done else steering.orders(now):
                    assert isinstance(order, DriveHead | DriveZoom | LandHead | LandZoom)
                    self.orders.append(order)
                    due.append((now + LAG_SECONDS, order))
            if reports and tick % 50 == 25:
                steering.head_reported(now, round(unit.places[0] * 51.2) / 51.2, round(unit.places[1] * 51.2) / 51.2)
                steering.zoom_reported(now, round(unit.places[2]))

    def _perform(
        self,
        unit: Unit,
        order: DriveHead | DriveZoom | LandHead | LandZoom,
        plan: ShapedPlan,
        steering: Steering,
        now: float,
    ) -> None:
        match order:
            case DriveHead():
                unit.wanted[0] = order.pan_way * unit.tables[0][order.pan_step]
                unit.wanted[1] = order.tilt_way * unit.tables[1][order.tilt_step]
                steering.head_performed(now)
            case DriveZoom():
                unit.wanted[2] = order.way * unit.tables[2][order.speed + 1]
                steering.zoom_performed(now)
            case LandHead():
                unit.targets[:2] = [plan.to.pan_deg, plan.to.tilt_deg]
                unit.wanted[0], unit.wanted[1] = unit.tables[0][order.pan_step], unit.tables[1][order.tilt_step]
            case LandZoom():
                unit.targets[2] = plan.to.zoom_counts
                unit.wanted[2] = unit.tables[2][8]

    def jolt(self, axis: int) -> float:
        speeds = [each[axis] for each in self.speeds]
        return max(abs(later - speed) for i, speed in enumerate(speeds) for later in speeds[i + 1 : i + 20])


def planned(head: HeadModel, pan: float, tilt: float, zoom: float, seconds: float) -> ShapedPlan:
    plan = plan_shaped(head, HERE, Pose(pan, tilt, HERE.zoom_counts + zoom, None), seconds)
    assert isinstance(plan, ShapedPlan), plan.sentence
    return plan


@pytest.mark.parametrize("pan_share", [0.95, 1.0, 1.05])
@pytest.mark.parametrize("tilt_share", [0.95, 1.05])
def test_a_unit_quicker_or_slower_than_its_table_arrives_on_time_and_together(
    head: HeadModel, pan_share: float, tilt_share: float
) -> None:
    plan = planned(head, 30.0, -12.0, 9000.0, 8.0)
    unit = Unit(head, pan_share, tilt_share, 1.1)
    run = Run(plan, unit)
    assert max(run.rests) == pytest.approx(8.0, abs=0.15)
    assert max(run.rests) - min(run.rests) <= 0.15
    assert unit.places == pytest.approx([30.0, -12.0, 10000.0])


def test_without_a_single_report_the_same_unit_is_late(head: HeadModel) -> None:
    # What the reports are for: 5 % of 8 s, and the way that is left is gone at the slowest step.
    run = Run(planned(head, 30.0, -12.0, 9000.0, 8.0), Unit(head, 0.95, 1.0, 1.0), reports=False)
    assert max(run.rests) > 8.3


@pytest.mark.parametrize("share", [0.95, 1.05])
def test_correcting_adds_no_jolt(head: HeadModel, share: float) -> None:
    # Up to 4.5°/s by [D] the largest gap is that from rest to step 1, 1°/s.
    run = Run(planned(head, 30.0, 0.0, 0.0, 10.0), Unit(head, share, 1.0, 1.0))
    assert run.jolt(0) <= 1.0 * share * 1.01


def test_only_what_changes_is_ordered_and_no_faster_than_one_order_a_frame(head: HeadModel) -> None:
    run = Run(planned(head, 30.0, 12.0, 0.0, 8.0), Unit(head, 1.0, 1.0, 1.0))
    drives = [order for order in run.orders if isinstance(order, DriveHead)]
    assert all(one != other for one, other in pairwise(drives))
    assert len(drives) < 8.0 / 0.2


def test_the_head_lands_from_its_slowest_step(head: HeadModel) -> None:
    run = Run(planned(head, 40.0, 8.0, 0.0, 8.0), Unit(head, 1.03, 0.97, 1.0))
    landings = [order for order in run.orders if isinstance(order, LandHead)]
    assert landings == [LandHead(1, 1)]


def test_a_camera_that_stands_there_already_is_only_landed(head: HeadModel) -> None:
    run = Run(planned(head, 0.0, 0.0, 0.0, 3.0), Unit(head, 1.0, 1.0, 1.0))
    assert run.orders == [LandHead(1, 1), LandZoom()] or run.orders == [LandZoom(), LandHead(1, 1)]


@pytest.mark.parametrize("shares", [(1.0, 1.0), (0.97, 1.02), (1.02, 0.97)])
def test_what_pan_and_tilt_are_to_change_together_is_ordered_at_once(
    head: HeadModel, shares: tuple[float, float]
) -> None:
    # A second order within the window would take from the time that is left for the last rung.
    run = Run(planned(head, 22.0, 20.0, 0.0, 5.0), Unit(head, *shares, 1.0))
    changed = [
        index
        for index, (before, after) in enumerate(pairwise(run.wanted))
        if any(abs(one - other) > 1e-9 for one, other in zip(before, after, strict=True))
    ]
    assert min(later - earlier for earlier, later in pairwise(changed)) >= 6  # of 10 ms
