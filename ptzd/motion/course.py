"""The course of one axis through a shaped move: which step it is driven at, from when, and where that brings it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import copysign, inf
from typing import NamedTuple

from .staircase import DWELL_SECONDS, WINDOW_SECONDS, Staircase, staircase, staircases

LANDING_GRAIN_DEG = 0.012  # how exactly it is known, in the end, where a head is
RAMP_SHARE = 0.27  # of the move is best spent on each ramp: gentle, and no faster in the middle than need be
FOUND_OUT_SECONDS = 4.0  # moves this long leave time to find out how quick the unit is, and to act upon it
TIGHT_SHARE = 0.9
SPARE_SECONDS = 0.05  # with which a dwell is long enough to make up for an order that was lost
TIGHT_STRAIN = 0.1  # a jolt larger by that share is preferred to a dwell with no time to spare
SAME_STRAIN = 1.001  # below it two are taken for equally smooth
RUNG_WORTH = 0.02  # a finer way is worth a ramp that is this much farther from the best share


class Change(NamedTuple):
    """From `at` seconds on, the axis is driven at `speed`, with its sign, and `step`; 0 for standing still."""

    at: float
    step: int
    speed: float


@dataclass(frozen=True, slots=True)
class AxisWay:
    """One axis and the way that it has to go, in its own unit.

    `spread` is the share by which the unit may be slower or quicker than its table and is to arrive in time
    nevertheless, without a larger gap.
    """

    speeds: tuple[float, ...]  # by step, from 1
    acceleration: float
    distance: float  # with its sign; 0.0 for an axis that stands
    spread: float = 0.0
    one_step: bool = False  # it is to set out and stop at the same step as another axis
    grain: float = LANDING_GRAIN_DEG  # how exactly it is known where the axis is when it is about to land, in its unit

    def staircases(self) -> tuple[Staircase, ...]:
        """Return the ways up through its table, by rising largest gap."""
        return staircases(self.speeds, widest_gap(self.acceleration), self.grain, self.one_step)


@dataclass(frozen=True)
class Course:
    """One axis from rest to rest. Times are seconds after the start of the move's travel."""

    distance: float  # with its sign; 0.0 for an axis that stands
    staircase: Staircase | None  # None for an axis that stands
    dwell: float
    starts_at: float  # above 0 for an axis whose slowest step is too fast to take all the time
    ends_at: float
    acceleration: float
    tight: bool = False  # it does not suffice by much, so that no time is lost on the way up
    spare_top: bool = False  # the topmost rung is taken only if the unit turns out to need it

    @cached_property
    def changes(self) -> list[Change]:
        """What it is driven at, in order; the last change is to 0."""
        way = self.staircase
        if way is None:
            return []
        sign = copysign(1.0, self.distance)
        last = len(way.steps) - 1
        listed = [
            Change(self.starts_at + self.dwell * begin, step, sign * speed)
            for begin, step, speed in zip(way.begins, way.steps, way.speeds, strict=True)
        ]
        for rung in range(last, 0, -1):
            at = self.ends_at - self.dwell * way.begins[rung]
            listed.append(Change(at, way.steps[rung - 1], sign * way.speeds[rung - 1]))
        # It slows down so as to be at rest at the end.
        listed.append(Change(self.ends_at - way.speeds[0] / self.acceleration, 0, 0.0))
        return listed

    def way_at(self, seconds: float) -> float:
        """Return how far it has come, with its sign; before the start 0, after the end the distance."""
        return self.at(seconds)[0]

    def at(self, seconds: float) -> tuple[float, float]:
        """Return the same, and how fast it is, with its sign."""
        if seconds >= self.ends_at or self.staircase is None:
            return (self.distance if seconds >= self.ends_at else 0.0), 0.0
        way = speed = reached = 0.0
        since = 0.0
        for change in self.changes:
            if change.at > seconds:
                break
            way += speed * (change.at - since)
            # The ramp to the new speed, as if it had been there at once, less what the ramp takes away.
            gap = change.speed - speed
            ramp = min(abs(gap) / self.acceleration, seconds - change.at)
            way -= gap * ramp - copysign(0.5 * self.acceleration * ramp * ramp, gap)
            reached = speed + copysign(self.acceleration * ramp, gap)
            speed, since = change.speed, change.at
        return way + speed * (seconds - since), reached


def along(way: Staircase, axis: AxisWay, seconds: float) -> Course:
    """Return the course of an axis that takes `seconds` up and down a staircase of more than one rung."""
    dwell = way.dwell_seconds(way_with_ramps(way, axis), seconds)
    return Course(axis.distance, way, dwell, 0.0, seconds, axis.acceleration)


def standing(seconds: float) -> Course:
    """Return the course of an axis that has no way to go."""
    return Course(0.0, None, 0.0, 0.0, seconds, 1.0)


def way_with_ramps(way: Staircase, axis: AxisWay) -> float:
    """Return the distance, and what the ramps of setting out and stopping take away."""
    return abs(axis.distance) + way.speeds[0] ** 2 / axis.acceleration


def course(axis: AxisWay, seconds: float) -> Course | None:
    """Return the smoothest course over a distance (not 0) that takes `seconds`; None where the axis is too slow.

    Of two courses the one whose largest gap is smaller is the smoother.
    """
    if late := late_course(axis, seconds):
        return late
    found = _smoothest(axis, seconds, axis.spread)
    if seconds >= FOUND_OUT_SECONDS and axis.spread:
        tight = _tight(axis, seconds)
        if tight is not None and (found is None or tight.largest_gap < found.largest_gap / 1.0001):
            return _tight_course(tight, axis, seconds)
    if found is None and axis.spread:
        found = _smoothest(axis, seconds, 0.0)
    return None if found is None else along(found, axis, seconds)


def _tight(axis: AxisWay, seconds: float) -> Staircase | None:
    """The staircase with the least largest gap that would do for a unit as quick as may be; of equals the farthest.

    Whether this unit is that quick is found out on the way, while there is still time for a step more.
    """
    best: Staircase | None = None
    farthest = 0.0
    for candidate in axis.staircases():
        if best is not None and candidate.largest_gap > best.largest_gap * 1.0001:
            break
        gets = candidate.farthest(seconds)
        enough = way_with_ramps(candidate, axis) * (1.0 - TIGHT_SHARE * axis.spread)
        if gets >= enough and gets > farthest and candidate.steps[-1] < len(axis.speeds):
            best, farthest = candidate, gets
    return best


def _tight_course(way: Staircase, axis: AxisWay, seconds: float) -> Course:
    needed = way_with_ramps(way, axis)
    short = needed - way.farthest(seconds)
    if short <= 0.0:
        dwell = way.dwell_seconds(needed, seconds)
        return Course(axis.distance, way, dwell, 0.0, seconds, axis.acceleration, tight=True)
    # By the table it takes a while on one step more, in the middle of the move.
    step = way.steps[-1] + 1
    gap = axis.speeds[step - 1] - way.top
    begin = max(way.begins[-1], (seconds - short / gap) / (2.0 * DWELL_SECONDS)) if gap else way.begins[-1]
    more = staircase(axis.speeds, (*way.steps, step), (*way.begins, begin))
    return Course(axis.distance, more, DWELL_SECONDS, 0.0, seconds, axis.acceleration, tight=True, spare_top=True)


def late_course(axis: AxisWay, seconds: float) -> Course | None:
    """Set out late, at the slowest step: it would be there too soon otherwise. None where it would not.

    A unit that is quicker than its table must not be there too soon either, for there is no slower step to wait at.
    So it sets out as late as the quickest unit would, and spends a while on the second step to make up for it.
    """
    slowest = axis.speeds[0]
    way = abs(axis.distance) + slowest**2 / axis.acceleration
    if way > slowest * (1.0 + axis.spread) * seconds:
        return None
    ways = axis.staircases()
    taken = min(seconds, way / (slowest * (1.0 + axis.spread)))
    hurry = next((each for each in ways if each.steps == (1, 2)), None)
    if hurry is not None:
        upper = (way - slowest * taken) / (axis.speeds[1] - slowest)
        lower = (taken - upper) / 2.0
        if lower >= DWELL_SECONDS and upper >= 0.5 * DWELL_SECONDS:
            return Course(axis.distance, hurry, lower / hurry.begins[1], seconds - taken, seconds, axis.acceleration)
    taken = way / slowest
    return (
        Course(axis.distance, ways[0], 0.0, seconds - taken, seconds, axis.acceleration) if taken <= seconds else None
    )


def _smoothest(axis: AxisWay, seconds: float, reserve: float) -> Staircase | None:
    """Of the staircases that will do, one with the least strain; among those, the one with the best ramps."""
    best: Staircase | None = None
    best_merit = 0.0
    least = inf
    least_top = abs(axis.distance) / seconds
    for candidate in axis.staircases():
        if candidate.top <= least_top:
            continue
        if candidate.largest_gap > least * SAME_STRAIN:
            break
        way = way_with_ramps(candidate, axis)
        if candidate.farthest(seconds) < way * (1.0 + reserve):
            continue
        merit = gentleness(candidate, axis, seconds)
        if merit is None:
            continue
        strained = candidate.largest_gap * strain(candidate.dwell_seconds(way, seconds))
        if strained < least / SAME_STRAIN or (strained < least * SAME_STRAIN and merit > best_merit):
            best, best_merit, least = candidate, merit, min(strained, least)
    return best


def gentleness(way: Staircase, axis: AxisWay, seconds: float) -> float | None:
    """Return how good the ramps of a staircase are, the more the better; None where it has no time for them.

    None, too, for a single rung, whose way nothing can be made longer or shorter.
    """
    if not way.lag:
        return None
    share = way.dwell_seconds(way_with_ramps(way, axis), seconds) * way.begins[-1] / seconds
    return RUNG_WORTH * len(way.steps) - abs(share - RAMP_SHARE) if share <= 0.5 else None


def strain(dwell: float) -> float:
    """Return by what share a larger jolt is preferred to a dwell that leaves no time to make up for what goes wrong."""
    return 1.0 + TIGHT_STRAIN * max(0.0, 1.0 - (dwell - DWELL_SECONDS) / SPARE_SECONDS)


def quickest_seconds(axis: AxisWay, largest_gap: float | None = None) -> float:
    """Return the least seconds over its distance, by any course or by those without a gap above `largest_gap`."""
    if not axis.distance:
        return 0.0
    slowest = axis.speeds[0]
    way = abs(axis.distance) + slowest**2 / axis.acceleration
    if way <= slowest * DWELL_SECONDS:
        return way / slowest
    least = inf
    for candidate in axis.staircases():
        if largest_gap is not None and candidate.largest_gap > largest_gap * 1.0001:
            break
        if candidate.lag:  # a single rung fits one time alone
            least = min(least, candidate.quickest(way_with_ramps(candidate, axis)))
    return least


def slowest_seconds(axis: AxisWay) -> float:
    """Return how long it takes at the slowest step; 0 for no way."""
    slowest = axis.speeds[0]
    return abs(axis.distance) / slowest + slowest / axis.acceleration if axis.distance else 0.0


def widest_gap(acceleration: float) -> float:
    """Return what an axis gains within the window in which changes of speed are seen as one."""
    return WINDOW_SECONDS * acceleration
