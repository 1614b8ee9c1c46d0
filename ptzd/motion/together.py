"""The courses of pan and tilt through one move: two axes that one order changes at once.

What a viewer sees is the change of both axes together. So both climb in one ladder: its rungs lie along the straight
line from standing still to both cruising speeds, each as far as the jolt allows, counted across both axes, and no more
than one is taken within the window in which changes are seen as one. Where a gap of one axis's table takes all of
that by itself, the rung belongs to this axis alone. Each axis then stretches the ladder in time so as to cover its own
way, see `staircase`; an axis that has time to spare keeps step with the other one if it can, and takes its last rungs
later instead.

Of all ladders that get far enough in time, the one with the least jolt is taken; of equals the one with the gentlest
ramps, in which both axes keep step with each other.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from functools import lru_cache
from itertools import product
from math import hypot, inf, log
from typing import NamedTuple

from .course import (
    RAMP_SHARE,
    RUNG_WORTH,
    SAME_STRAIN,
    AxisWay,
    Course,
    along,
    course,
    late_course,
    strain,
    way_with_ramps,
    widest_gap,
)
from .staircase import DWELL_SECONDS, WINDOW_SECONDS, Staircase, first_held, gaps_to_try, held, staircase

APART = 1.12  # between two cruising speeds that are tried
MOST_TRIED = 5  # pairs of cruising speeds, after one that will do: the likeliest come first
FIRST_STEPS = (1, 2, 4, 9, 12)  # that are tried by axes which set out and stop at the same step
LATEST_SHARE = 0.45  # of the move, at which the last rung is taken by an axis that waits with it


class Ladder(NamedTuple):
    """The rungs of pan and tilt, from the first one on: steps of both, and dwells after the start."""

    pan_steps: tuple[int, ...]
    tilt_steps: tuple[int, ...]
    begins: tuple[float, ...]
    pan_lag: float  # as in `Staircase`
    tilt_lag: float
    pan_begin: float  # of the last rung on which pan gets faster
    tilt_begin: float
    jolt: float  # the largest change of both together, in degrees per second


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


class _Goal:
    """What a ladder is to do: bring two axes their ways in time, cruising at the last of these steps."""

    def __init__(
        self, pan: AxisWay, tilt: AxisWay, pan_top: int, tilt_top: int, seconds: float, reserve: float
    ) -> None:
        self._pan, self._tilt, self._seconds = pan, tilt, seconds
        self._pan_speeds, self._tilt_speeds = pan.speeds[:pan_top], tilt.speeds[:tilt_top]
        self._acceleration = min(pan.acceleration, tilt.acceleration)
        # What ramps may take away from the way, setting out and stopping aside.
        self._pan_spare = self._pan_speeds[-1] * seconds - abs(pan.distance)
        self._tilt_spare = self._tilt_speeds[-1] * seconds - abs(tilt.distance)
        self._pan_reserve, self._tilt_reserve = reserve * abs(pan.distance), reserve * abs(tilt.distance)

    def first_steps(self, reach: float) -> list[int]:
        """The steps at which both axes may set out and stop: 0 where they need not be the same."""
        if not self._pan.one_step:
            return [0]
        highest = min(len(self._pan_speeds), len(self._tilt_speeds))
        return [
            step
            for step in FIRST_STEPS
            if step == 1
            or (step <= highest and hypot(self._pan_speeds[step - 1], self._tilt_speeds[step - 1]) <= reach)
        ]

    def _least_reach(self) -> float:
        """The least reach that may get far enough: by such rungs in a straight line, without regard to the table."""
        pan, tilt = self._pan_speeds[-1], self._tilt_speeds[-1]
        spare = (pan * self._pan_spare + tilt * self._tilt_spare) / DWELL_SECONDS
        return hypot(pan, tilt) / (1.0 + spare / (pan * pan + tilt * tilt))

    def ladders(self, first: int, reaches: tuple[float, ...]) -> Iterator[Ladder]:
        """Yield the finest ladder that gets far enough, and the coarser ones; none if the coarsest does not."""
        if not self._suffices(self._ladder(first, reaches[-1])):
            return
        least = bisect_left(reaches, self._least_reach(), 0, len(reaches) - 1)
        finest = bisect_left(
            reaches, True, least, len(reaches) - 1, key=lambda reach: self._suffices(self._ladder(first, reach))
        )
        for reach in reaches[finest:]:
            yield self._ladder(first, reach)

    def _ladder(self, first: int, reach: float) -> Ladder:
        return ladder_up(self._pan_speeds, self._tilt_speeds, first, reach, self._acceleration, self._pan.grain)

    def _suffices(self, ladder: Ladder) -> bool:
        """Whether both axes get far enough on a ladder, with the shortest dwells."""
        twice = 2.0 * DWELL_SECONDS
        return (
            self._seconds >= twice * ladder.begins[-1]
            and self._pan_spare - self._pan_stop(ladder) >= twice * ladder.pan_lag + self._pan_reserve
            and self._tilt_spare - self._tilt_stop(ladder) >= twice * ladder.tilt_lag + self._tilt_reserve
        )

    def judged(self, ladder: Ladder) -> tuple[float, float] | None:
        """The jolt of a ladder, made worse where it leaves no time to spare, and its gentleness.

        None where the ramps would take more than all of the time, or none of it, so that nothing can be stretched.
        """
        if not ladder.pan_lag or not ladder.tilt_lag:
            return None
        pan_dwell = (self._pan_spare - self._pan_stop(ladder)) / (2.0 * ladder.pan_lag)
        tilt_dwell = (self._tilt_spare - self._tilt_stop(ladder)) / (2.0 * ladder.tilt_lag)
        pan_share = pan_dwell * ladder.pan_begin / self._seconds
        tilt_share = tilt_dwell * ladder.tilt_begin / self._seconds
        if pan_share > 0.5 or tilt_share > 0.5:
            return None
        pan, tilt = abs(self._pan.distance), abs(self._tilt.distance)
        off = (abs(pan_share - RAMP_SHARE) * pan + abs(tilt_share - RAMP_SHARE) * tilt) / (pan + tilt)
        merit = RUNG_WORTH * len(ladder.begins) - off
        return ladder.jolt * strain(min(pan_dwell, tilt_dwell)), merit

    def _pan_stop(self, ladder: Ladder) -> float:
        return self._pan_speeds[ladder.pan_steps[0] - 1] ** 2 / self._pan.acceleration

    def _tilt_stop(self, ladder: Ladder) -> float:
        return self._tilt_speeds[ladder.tilt_steps[0] - 1] ** 2 / self._tilt.acceleration


def _climb(pan: AxisWay, tilt: AxisWay, seconds: float, reserve: float) -> tuple[Course, Course, float] | None:
    """Try the ladders up to the likeliest cruising speeds; a coarser ladder gets farther, and jolts more."""
    best: Ladder | None = None
    best_merit, least = -inf, inf
    reaches = gaps_to_try(min(pan.speeds[0], tilt.speeds[0]), widest_gap(min(pan.acceleration, tilt.acceleration)))
    tried = 0
    for pan_top, tilt_top in _tops(pan, tilt, seconds):
        if tried == MOST_TRIED:
            break
        tried += best is not None
        goal = _Goal(pan, tilt, pan_top, tilt_top, seconds, reserve)
        # Nothing coarser than the best so far can be better.
        worth_trying = reaches[: bisect_left(reaches, least) + 1]
        for first in goal.first_steps(worth_trying[-1]):
            for ladder in goal.ladders(first, worth_trying):
                if ladder.jolt > least * SAME_STRAIN:
                    break
                judged = goal.judged(ladder)
                if judged is None:
                    continue
                strained, merit = judged
                if strained < least / SAME_STRAIN or (strained < least * SAME_STRAIN and merit > best_merit):
                    best, best_merit, least = ladder, merit, min(strained, least)
    return None if best is None else (*_along(best, pan, tilt, seconds), best.jolt)


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
        choices.append(tops)
    return [
        (pan_step, tilt_step)
        for _, pan_step, tilt_step in sorted((a + b, one, other) for a, one in choices[0] for b, other in choices[1])
    ]


@lru_cache(maxsize=8192)
def ladder_up(
    pan: tuple[float, ...], tilt: tuple[float, ...], first: int, reach: float, acceleration: float, grain: float
) -> Ladder:
    """Return the ladder up to the last of both speeds whose rungs lie within reach of each other where they can.

    Its first rung is step `first` of both axes; with 0 it is as far up as the others. `acceleration` and `grain` are
    those of both axes, in degrees.
    """
    line = _line(pan, tilt, max(1, first))
    last = len(line) - 1
    pan_steps: list[int] = []
    tilt_steps: list[int] = []
    begins: list[float] = []
    pan_before = tilt_before = below = jolt = begin = pan_lag = tilt_lag = pan_begin = tilt_begin = 0.0
    point = -1
    while point < last:
        point += 1
        if begins or not first:  # as far as the jolt allows
            while point < last and hypot(line[point + 1][0] - pan_before, line[point + 1][1] - tilt_before) <= reach:
                point += 1
        pan_speed, tilt_speed, pan_step, tilt_step = line[point]
        gap = hypot(pan_speed - pan_before, tilt_speed - tilt_before)
        if begins:
            dwells = held(below, gap, reach)
            if len(begins) == 1:
                slowest = min(pan_before, tilt_before)
                dwells = max(dwells, first_held(slowest, max(pan_before, tilt_before) / acceleration, grain))
            begin += dwells
        if pan_speed > pan_before:
            pan_lag += (pan_speed - pan_before) * begin
            pan_begin = begin
        if tilt_speed > tilt_before:
            tilt_lag += (tilt_speed - tilt_before) * begin
            tilt_begin = begin
        pan_steps.append(pan_step)
        tilt_steps.append(tilt_step)
        begins.append(begin)
        pan_before, tilt_before, below, jolt = pan_speed, tilt_speed, gap, max(jolt, gap)
    return Ladder(tuple(pan_steps), tuple(tilt_steps), tuple(begins), pan_lag, tilt_lag, pan_begin, tilt_begin, jolt)


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


def _along(ladder: Ladder, pan: AxisWay, tilt: AxisWay, seconds: float) -> tuple[Course, Course]:
    """The courses up and down a ladder, the axis with time to spare in step with the other one if that is smoother."""
    pan_way = _of_axis(pan.speeds, ladder.pan_steps, ladder.begins)
    tilt_way = _of_axis(tilt.speeds, ladder.tilt_steps, ladder.begins)
    pan_dwell = pan_way.dwell_seconds(way_with_ramps(pan_way, pan), seconds)
    tilt_dwell = tilt_way.dwell_seconds(way_with_ramps(tilt_way, tilt), seconds)
    pan_ways, tilt_ways = [pan_way], [tilt_way]
    if pan_dwell > tilt_dwell:
        pan_ways = [*_in_step(pan_way, pan, tilt_dwell, seconds), pan_way]
    else:
        tilt_ways = [*_in_step(tilt_way, tilt, pan_dwell, seconds), tilt_way]
    courses = ((along(one, pan, seconds), along(other, tilt, seconds)) for one, other in product(pan_ways, tilt_ways))
    return min(courses, key=lambda both: _jolt_on_the_way_up(*both))


def _of_axis(speeds: tuple[float, ...], steps: tuple[int, ...], begins: tuple[float, ...]) -> Staircase:
    """The staircase of an axis by itself: the rungs of the ladder on which it gets faster."""
    rungs = [(step, begin) for before, step, begin in zip((0, *steps), steps, begins, strict=False) if step > before]
    return staircase(speeds, tuple(step for step, _ in rungs), tuple(begin for _, begin in rungs))


def _in_step(way: Staircase, axis: AxisWay, dwell: float, seconds: float) -> Iterator[Staircase]:
    """The same rungs with the dwell of the other axis, some of the upper ones put off to make up for that."""
    spare = way.top * seconds - way_with_ramps(way, axis) - 2.0 * dwell * way.lag
    for rung in range(len(way.steps) - 1, 0, -1):
        later = spare / (2.0 * dwell * (way.top - way.speeds[rung - 1]))
        if dwell * (way.begins[-1] + later) <= LATEST_SHARE * seconds:
            begins = (*way.begins[:rung], *(begin + later for begin in way.begins[rung:]))
            yield staircase(axis.speeds, way.steps, begins)


def _jolt_on_the_way_up(pan: Course, tilt: Course) -> float:
    """The largest change of both together within the window, wherever latency may bring changes near each other."""
    assert pan.staircase is not None and tilt.staircase is not None
    changes = sorted(
        [(pan.dwell * begin, gap, 0.0) for begin, gap in zip(pan.staircase.begins, pan.staircase.gaps(), strict=True)]
        + [
            (tilt.dwell * begin, 0.0, gap)
            for begin, gap in zip(tilt.staircase.begins, tilt.staircase.gaps(), strict=True)
        ]
    )
    jolt = pan_change = tilt_change = 0.0
    first = 0
    for at, pan_gap, tilt_gap in changes:
        pan_change, tilt_change = pan_change + pan_gap, tilt_change + tilt_gap
        while at - changes[first][0] >= WINDOW_SECONDS:
            pan_change, tilt_change = pan_change - changes[first][1], tilt_change - changes[first][2]
            first += 1
        jolt = max(jolt, hypot(pan_change, tilt_change))
    return jolt
