"""The courses of pan and tilt through one move: two axes that one order changes at once.

What a viewer sees is the change of both axes together. So both climb in one ladder: its rungs lie along the straight
line from standing still to both cruising speeds, each as far as the jolt allows, counted across both axes, and no more
than one is taken within the window in which changes are seen as one. Where a gap of one axis's table takes all of
that by itself, the rung belongs to this axis alone. Each axis then stretches the ladder in time so as to cover its own
way, see `staircase`.

Of all ladders that get far enough in time, the one with the least jolt is taken; of equals the one with the gentlest
ramps, in which both axes keep step with each other.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from math import hypot, inf, log

from .course import (
    RAMP_SHARE,
    SAME_STRAIN,
    AxisWay,
    Course,
    along,
    course,
    gentleness,
    late_course,
    strain,
    way_with_ramps,
    widest_gap,
)
from .staircase import DWELL_SECONDS, Staircase, gaps_to_try, held, staircase

APART = 1.12  # between two cruising speeds that are tried
HIGHEST_SHARE = 2.1  # of the mean speed, beyond which no cruising speed is tried
STEP_WORTH = 0.1  # what it is worth that both axes keep step


@dataclass(frozen=True, slots=True)
class Ladder:
    """The staircases of pan and tilt, and the largest change of both together, in degrees per second."""

    pan: Staircase
    tilt: Staircase
    jolt: float


def head_courses(pan: AxisWay, tilt: AxisWay, seconds: float) -> tuple[Course, Course, float] | None:
    """Return the courses of two axes that both have a way to go, and their jolt in degrees per second.

    None where one of them is too slow.
    """
    late = late_course(pan, seconds), late_course(tilt, seconds)
    if late[0] is None and late[1] is None:
        reserve = max(pan.spread, tilt.spread)
        found = _climb(pan, tilt, seconds, reserve) or (_climb(pan, tilt, seconds, 0.0) if reserve else None)
        if found is not None:
            return found
    courses = late[0] or course(pan, seconds), late[1] or course(tilt, seconds)
    if courses[0] is None or courses[1] is None:
        return None
    return courses[0], courses[1], budget_of(courses[0], courses[1])


def budget_of(pan: Course, tilt: Course) -> float:
    """Return the least jolt of pan and tilt together where they change apart from each other, but arrive together."""
    ways = [each.staircase for each in (pan, tilt) if each.staircase is not None]
    return max((hypot(*(way.speeds[0] for way in ways)), *(way.largest_gap for way in ways)), default=0.0)


def _climb(pan: AxisWay, tilt: AxisWay, seconds: float, reserve: float) -> tuple[Course, Course, float] | None:
    """Try the ladders up to all pairs of cruising speeds; a coarser ladder gets farther, and jolts more."""
    best: Ladder | None = None
    best_merit, least = -inf, inf
    reaches = gaps_to_try(
        min(pan.speeds[0], tilt.speeds[0]), min(widest_gap(pan.acceleration), widest_gap(tilt.acceleration))
    )
    for pan_top, tilt_top in _tops(pan, tilt, seconds):
        ladders = partial(ladder_up, pan.speeds[:pan_top], tilt.speeds[:tilt_top], pan.one_step)
        judged = partial(_judged, pan, tilt, seconds, reserve, ladders)
        # The coarsest that can be better than the best so far, then the finest that gets far enough.
        coarsest = min(bisect_left(reaches, least), len(reaches) - 1)
        if _is_too_far(pan, tilt, pan_top, tilt_top, seconds, reaches[coarsest]) or judged(reaches[coarsest]) is None:
            continue
        finest = bisect_left(reaches, True, 0, coarsest, key=lambda reach: judged(reach) is not None)
        for reach in reaches[finest : coarsest + 1]:
            found = judged(reach)
            if found is None:
                continue
            ladder, strained, merit = found
            if ladder.jolt > least * SAME_STRAIN:
                break
            if strained < least / SAME_STRAIN or (strained < least * SAME_STRAIN and merit > best_merit):
                best, best_merit, least = ladder, merit, min(strained, least)
    if best is None:
        return None
    return along(best.pan, pan, seconds), along(best.tilt, tilt, seconds), best.jolt


def _is_too_far(pan: AxisWay, tilt: AxisWay, pan_top: int, tilt_top: int, seconds: float, reach: float) -> bool:
    """Whether no ladder of that reach gets far enough, by the rungs it needs at least: told before it is built."""
    pan_speed, tilt_speed = pan.speeds[pan_top - 1], tilt.speeds[tilt_top - 1]
    top, first = hypot(pan_speed, tilt_speed), max(reach, hypot(pan.speeds[0], tilt.speeds[0]))
    if first >= top:
        return False
    cruise = seconds - DWELL_SECONDS * (1.0 - first / top) * (top - first) / reach
    return pan_speed * cruise < abs(pan.distance) or tilt_speed * cruise < abs(tilt.distance)


def _tops(pan: AxisWay, tilt: AxisWay, seconds: float) -> list[tuple[int, int]]:
    """The pairs of steps that are worth cruising at, the likeliest first."""
    likely = 1.0 / (1.0 - RAMP_SHARE)  # of the mean speed
    choices: list[list[tuple[float, int]]] = []
    for axis in (pan, tilt):
        mean = abs(axis.distance) / seconds
        tops: list[tuple[float, int]] = []
        before = 0.0
        for step, speed in enumerate(axis.speeds, 1):
            if speed > mean and speed >= APART * before:
                tops.append((abs(log(speed / (likely * mean))), step))
                before = speed
                if speed > HIGHEST_SHARE * mean:
                    break
        choices.append(tops)
    return [
        (pan_step, tilt_step)
        for _, pan_step, tilt_step in sorted((a + b, one, other) for a, one in choices[0] for b, other in choices[1])
    ]


def _judged(
    pan: AxisWay, tilt: AxisWay, seconds: float, reserve: float, ladders: Callable[[float], Ladder], reach: float
) -> tuple[Ladder, float, float] | None:
    """A ladder, its jolt, made worse where it leaves no time to spare, and its gentleness; None if it is too slow."""
    ladder = ladders(reach)
    merit = 0.0
    dwells: list[float] = []
    total = abs(pan.distance) + abs(tilt.distance)
    for axis, way in ((pan, ladder.pan), (tilt, ladder.tilt)):
        distance = way_with_ramps(way, axis)
        if way.farthest(seconds) < distance * (1.0 + reserve):
            return None
        gentle = gentleness(way, axis, seconds)
        if gentle is None:
            return None
        merit += gentle * abs(axis.distance) / total
        dwells.append(way.dwell_seconds(distance, seconds))
    merit -= STEP_WORTH * abs(log(dwells[0] / dwells[1]))
    return ladder, ladder.jolt * strain(min(dwells)), merit


@lru_cache(maxsize=4096)
def ladder_up(pan: tuple[float, ...], tilt: tuple[float, ...], one_step: bool, reach: float) -> Ladder:
    """Return the ladder up to the last of both speeds whose rungs lie within reach of each other where they can.

    With `one_step` its first rung is of the same step for both axes.
    """
    first = 1
    if one_step:
        within = (
            step for step in range(1, min(len(pan), len(tilt)) + 1) if hypot(pan[step - 1], tilt[step - 1]) <= reach
        )
        first = max(within, default=1)
    line = _line(pan, tilt, first)
    return _ladder(pan, tilt, [line[rung] for rung in _rungs(line, reach, one_step)], reach)


@lru_cache(maxsize=1024)
def _line(pan: tuple[float, ...], tilt: tuple[float, ...], first: int) -> list[tuple[float, float, int, int]]:
    """Speeds and steps of pan and tilt, along the straight line as far as the first step of both allows."""
    points = sorted(
        [(speed / pan[-1], 0, step) for step, speed in enumerate(pan, 1)]
        + [(speed / tilt[-1], 1, step) for step, speed in enumerate(tilt, 1)]
    )
    steps = [first, first]  # where both set out, since they stop from there together as well
    line = [(pan[first - 1], tilt[first - 1], first, first)]
    for _, axis, step in points:
        if step > first:
            steps[axis] = step
            line.append((pan[steps[0] - 1], tilt[steps[1] - 1], steps[0], steps[1]))
    return line


def _rungs(line: list[tuple[float, float, int, int]], reach: float, one_step: bool) -> tuple[int, ...]:
    """The fewest points of the line that lie within reach of each other, or next to each other."""
    rungs: list[int] = []
    pan = tilt = 0.0
    point = -1
    while point < len(line) - 1:
        point += 1
        alone = one_step and point == 0
        while (
            not alone and point + 1 < len(line) and hypot(line[point + 1][0] - pan, line[point + 1][1] - tilt) <= reach
        ):
            point += 1
        rungs.append(point)
        pan, tilt, _, _ = line[point]
    return tuple(rungs)


def _ladder(
    pan: tuple[float, ...], tilt: tuple[float, ...], rungs: list[tuple[float, float, int, int]], reach: float
) -> Ladder:
    pan_rungs: list[tuple[int, float]] = []
    tilt_rungs: list[tuple[int, float]] = []
    pan_before = tilt_before = below = jolt = begin = 0.0
    for rung, (pan_speed, tilt_speed, pan_step, tilt_step) in enumerate(rungs):
        gap = hypot(pan_speed - pan_before, tilt_speed - tilt_before)
        if rung:
            begin += held(below, gap, reach, rung)
        if pan_speed > pan_before:
            pan_rungs.append((pan_step, begin))
        if tilt_speed > tilt_before:
            tilt_rungs.append((tilt_step, begin))
        pan_before, tilt_before, below, jolt = pan_speed, tilt_speed, gap, max(jolt, gap)
    return Ladder(_of_axis(pan_rungs, pan), _of_axis(tilt_rungs, tilt), jolt)


def _of_axis(rungs: list[tuple[int, float]], speeds: tuple[float, ...]) -> Staircase:
    steps, begins = zip(*rungs, strict=True)
    return staircase(speeds, steps, begins)
