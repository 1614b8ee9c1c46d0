"""A head that differs from its table, and a plan carried out on it: a few lines that share no code with what steers."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import repeat
from math import copysign

from ptzd.motion import DriveHead, DriveZoom, HeadModel, LandHead, LandZoom, Pose, ShapedPlan, Steering

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

    def __init__(
        self, plan: ShapedPlan, unit: Unit, *, reports: bool = True, lags: Iterator[float] | None = None
    ) -> None:
        """`lags` are the seconds from each order to its effect, `LAG_SECONDS` where none are given."""
        lags = lags or repeat(LAG_SECONDS)
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
                    due.append((now + next(lags), order))
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
                steps = (order.pan_step, order.tilt_step)
                if plan.head.shared_speed:  # it takes the faster of both
                    steps = (max(steps), max(steps))
                unit.wanted[0], unit.wanted[1] = unit.tables[0][steps[0]], unit.tables[1][steps[1]]
            case LandZoom():
                unit.targets[2] = plan.to.zoom_counts
                unit.wanted[2] = unit.tables[2][8]

    def jolt(self, axis: int) -> float:
        speeds = [each[axis] for each in self.speeds]
        return max(abs(later - speed) for i, speed in enumerate(speeds) for later in speeds[i + 1 : i + 20])
