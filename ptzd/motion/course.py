"""The course of one axis through a shaped move: which step it is driven at, from when, and where that brings it."""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign, inf
from typing import NamedTuple

from .staircase import DWELL_SECONDS, Staircase, staircases

RAMP_SHARE = 0.27  # of the move is best spent on each ramp: gentle, and no faster in the middle than need be
SHORT_SECONDS = 1.0  # so short a way is over before a unit can be much quicker than its table
FOUND_OUT_SECONDS = 4.0  # moves this long leave time to find out how quick the unit is, and to act upon it
TIGHT_SHARE = 0.9
RUNG_WORTH = 0.02  # a finer way is worth a ramp that is this much farther from the best share


class Change(NamedTuple):
    """From `at` seconds on, the axis is driven at `speed`, with its sign, and `step`; 0 for standing still."""

    at: float
    step: int
    speed: float


@dataclass(frozen=True, slots=True)
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

    def changes(self) -> list[Change]:
        """Return what it is driven at, in order; the last change is to 0."""
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
        if seconds >= self.ends_at or self.staircase is None:
            return self.distance if seconds >= self.ends_at else 0.0
        way = speed = 0.0
        since = 0.0
        for change in self.changes():
            if change.at > seconds:
                break
            way += speed * (change.at - since)
            # The ramp to the new speed, as if it had been there at once, less what the ramp takes away.
            gap = change.speed - speed
            ramp = min(abs(gap) / self.acceleration, seconds - change.at)
            way -= gap * ramp - copysign(0.5 * self.acceleration * ramp * ramp, gap)
            speed, since = change.speed, change.at
        return way + speed * (seconds - since)


def standing(seconds: float) -> Course:
    """Return the course of an axis that has no way to go."""
    return Course(0.0, None, 0.0, 0.0, seconds, 1.0)


def course(
    speeds: tuple[float, ...], acceleration: float, distance: float, seconds: float, slower: float, quicker: float
) -> Course | None:
    """Return the smoothest course over `distance` (not 0) that takes `seconds`; None where the axis is too slow.

    Of two courses the one whose largest gap is smaller is the smoother. `slower` and `quicker` are the shares by which
    the unit may differ from its table and still arrive in time without a larger gap.
    """
    way = abs(distance) + speeds[0] ** 2 / acceleration
    if way <= speeds[0] * (1.0 + quicker) * seconds and (
        late := _late(speeds, acceleration, distance, seconds, quicker)
    ):
        return late
    found = _smoothest(speeds, acceleration, way, seconds, slower)
    if seconds >= FOUND_OUT_SECONDS and slower:
        tight = _tight(speeds, acceleration, way, seconds, slower)
        if tight is not None and (found is None or tight.largest_gap < found.largest_gap / 1.0001):
            return _tight_course(tight, speeds, acceleration, distance, seconds)
    if found is None and slower:
        found = _smoothest(speeds, acceleration, way, seconds, 0.0)
    if found is None:
        return None
    return Course(distance, found, found.dwell_seconds(way, seconds), 0.0, seconds, acceleration)


def _tight(
    speeds: tuple[float, ...], acceleration: float, way: float, seconds: float, share: float
) -> Staircase | None:
    """The staircase with the least largest gap that would do for a unit quicker by a share; of equals the farthest.

    Whether this unit is that quick is found out on the way, while there is still time for a step more.
    """
    best: Staircase | None = None
    farthest = 0.0
    for candidate in staircases(speeds, widest_gap(acceleration)):
        if best is not None and candidate.largest_gap > best.largest_gap * 1.0001:
            break
        gets = candidate.farthest(seconds)
        if gets >= way * (1.0 - TIGHT_SHARE * share) and gets > farthest and candidate.steps[-1] < len(speeds):
            best, farthest = candidate, gets
    return best


def _tight_course(
    way: Staircase, speeds: tuple[float, ...], acceleration: float, distance: float, seconds: float
) -> Course:
    needed = abs(distance) + speeds[0] ** 2 / acceleration
    short = needed - way.farthest(seconds)
    if short <= 0.0:
        return Course(distance, way, way.dwell_seconds(needed, seconds), 0.0, seconds, acceleration, tight=True)
    # By the table it takes a while on one step more, in the middle of the move.
    step = way.steps[-1] + 1
    gap = speeds[step - 1] - way.top
    begin = max(way.begins[-1], (seconds - short / gap) / (2.0 * DWELL_SECONDS)) if gap else way.begins[-1]
    more = Staircase(
        (*way.steps, step),
        (*way.speeds, speeds[step - 1]),
        (*way.begins, begin),
        way.lag + gap * begin,
        max(way.largest_gap, gap),
        speeds[step - 1],
    )
    return Course(distance, more, DWELL_SECONDS, 0.0, seconds, acceleration, tight=True, spare_top=True)


def _late(
    speeds: tuple[float, ...], acceleration: float, distance: float, seconds: float, quicker: float
) -> Course | None:
    """Set out late, at the slowest step: it would be there too soon otherwise.

    A unit that is quicker than its table must not be there too soon either, for there is no slower step to wait at.
    So it sets out as late as the quickest unit would, and spends a while on the second step to make up for it. None
    where its slowest step is too slow after all.
    """
    way = abs(distance) + speeds[0] ** 2 / acceleration
    ways = staircases(speeds, widest_gap(acceleration))
    taken = min(seconds, way / (speeds[0] * (1.0 + quicker)))
    hurry = next((each for each in ways if each.steps == (1, 2)), None)
    if hurry is not None and taken > SHORT_SECONDS:
        upper = (way - speeds[0] * taken) / (speeds[1] - speeds[0])
        lower = (taken - upper) / 2.0
        if lower >= DWELL_SECONDS:
            return Course(distance, hurry, lower / hurry.begins[1], seconds - taken, seconds, acceleration)
    taken = way / speeds[0]
    return Course(distance, ways[0], 0.0, seconds - taken, seconds, acceleration) if taken <= seconds else None


def _smoothest(
    speeds: tuple[float, ...], acceleration: float, way: float, seconds: float, reserve: float
) -> Staircase | None:
    """Of the staircases that will do, one with the least largest gap; among those, the one with the best ramps."""
    best: Staircase | None = None
    best_merit = 0.0
    least_gap = inf
    least_top = way / seconds
    for candidate in staircases(speeds, widest_gap(acceleration)):
        if candidate.top <= least_top:
            continue
        if candidate.largest_gap > least_gap:
            break
        if candidate.farthest(seconds) < way * (1.0 + reserve):
            continue
        share = (candidate.top * seconds - way) / (2.0 * candidate.lag) * candidate.begins[-1] / seconds
        if share > 0.5:
            continue
        merit = RUNG_WORTH * len(candidate.steps) - abs(share - RAMP_SHARE)
        if best is None or merit > best_merit:
            best, best_merit, least_gap = candidate, merit, candidate.largest_gap * 1.0001
    return best


def quickest_seconds(
    speeds: tuple[float, ...], acceleration: float, distance: float, largest_gap: float | None = None
) -> float:
    """Return the least seconds over `distance`, by any course or by those without a gap above `largest_gap`."""
    if not distance:
        return 0.0
    way = abs(distance) + speeds[0] ** 2 / acceleration
    if way <= speeds[0] * DWELL_SECONDS:
        return way / speeds[0]
    least = inf
    for candidate in staircases(speeds, widest_gap(acceleration)):
        if largest_gap is not None and candidate.largest_gap > largest_gap * 1.0001:
            break
        least = min(least, candidate.quickest(way))
    return least


def slowest_seconds(speeds: tuple[float, ...], acceleration: float, distance: float) -> float:
    """Return how long it takes at the slowest step; 0 for no way."""
    return abs(distance) / speeds[0] + speeds[0] / acceleration if distance else 0.0


def widest_gap(acceleration: float) -> float:
    """Return what an axis gains within the window in which changes of speed are seen as one."""
    return 0.2 * acceleration
