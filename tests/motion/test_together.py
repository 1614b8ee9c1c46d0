"""Pan and tilt in one ladder, against sums worked by hand and against every moment of the course."""

from __future__ import annotations

import random
from itertools import pairwise
from math import hypot, sqrt

import pytest
from bench.lower_bound import AxisMove, least_jolt
from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.motion.course import AxisWay, Course
from ptzd.motion.staircase import DWELL_SECONDS
from ptzd.motion.together import head_courses
from ptzd.visca import load_dialect

ACCELERATION = 120.0
PAN_STEPS = load_dialect("nibble4-51").pan.steps_deg_per_s
TILT_STEPS = load_dialect("nibble4-51").tilt.steps_deg_per_s


def found(pan: AxisWay, tilt: AxisWay, seconds: float) -> tuple[Course, Course, float]:
    courses = head_courses(pan, tilt, seconds)
    assert courses is not None
    return courses


def way(speeds: tuple[float, ...], distance: float, *, one_step: bool = False) -> AxisWay:
    return AxisWay(speeds, ACCELERATION, distance, one_step=one_step)


def covered(course: Course) -> float:
    """The way from rest to rest, by adding up trapezia: a ramp takes |change| / acceleration."""
    total, speed, at = 0.0, 0.0, 0.0
    for change in course.changes:
        total += speed * (change.at - at)
        # Meanwhile it goes at the mean of both speeds instead of at the new one.
        total += (speed - change.speed) / 2.0 * abs(change.speed - speed) / ACCELERATION
        speed, at = change.speed, change.at
    return total


def test_two_axes_alike_climb_rung_by_rung_together() -> None:
    # 6° in 4 s want 1.5°/s in the mean: both go by 1°/s to at least 2°/s, together by the square root of 2.
    steps = (1.0, 2.0, 3.0, 4.0)
    pan, tilt, jolt = found(way(steps, 6.0), way(steps, -6.0), 4.0)
    assert jolt == pytest.approx(sqrt(2.0))
    assert [change.at for change in pan.changes] == pytest.approx([change.at for change in tilt.changes])
    assert [change.speed for change in pan.changes] == pytest.approx([-change.speed for change in tilt.changes])


def test_a_gap_that_takes_the_whole_jolt_is_crossed_by_its_axis_alone() -> None:
    # 10° in 4 s want more than 2.5°/s, so that pan has to cross its gap of 2.5°/s, from 1.5 to 4.
    pan, tilt, jolt = found(way((1.0, 1.5, 4.0), 10.0), way((1.0, 1.5, 2.0), 5.0), 4.0)
    assert jolt == pytest.approx(2.5)
    assert pan.staircase is not None and tilt.staircase is not None
    assert pan.staircase.begins[-1] not in tilt.staircase.begins


def test_where_both_need_more_than_the_slowest_steps_a_short_move_begins_with_faster_ones() -> None:
    # 2 s leave time for few rungs of 0.21 s; over 6° each, no more than 2.2°/s a rung have to be added up.
    pan, tilt, jolt = found(way(PAN_STEPS, 6.0), way(TILT_STEPS, 6.0), 2.0)
    assert pan.staircase is not None and tilt.staircase is not None
    assert pan.staircase.steps[0] > 1 or tilt.staircase.steps[0] > 1
    assert jolt < 3.0


def test_a_head_that_lands_at_one_step_sets_out_and_stops_at_the_same_step_of_both_axes() -> None:
    pan, tilt, _ = found(way(PAN_STEPS, 6.0, one_step=True), way(TILT_STEPS, 6.0, one_step=True), 2.0)
    assert pan.staircase is not None and tilt.staircase is not None
    assert pan.staircase.steps[0] == tilt.staircase.steps[0]


def test_a_short_move_that_lands_at_one_step_sets_out_faster_where_that_jolts_least() -> None:
    *_, jolt = found(way(PAN_STEPS, 20.0, one_step=True), way(PAN_STEPS, 20.0 / 3.0, one_step=True), 3.0)
    axes = [AxisMove(PAN_STEPS, ACCELERATION, 20.0), AxisMove(PAN_STEPS, ACCELERATION, 20.0 / 3.0)]
    assert jolt <= 1.02 * least_jolt(axes, 3.0)


def test_what_is_too_far_for_an_axis_has_no_courses() -> None:
    assert head_courses(way((1.0, 2.0), 9.0), way((1.0, 2.0), 1.0), 4.0) is None


@given(st.floats(0.5, 12.0), st.floats(0.5, 12.0), st.floats(2.0, 20.0))
@settings(deadline=None)
def test_both_arrive_at_the_same_time_and_each_changes_no_faster_than_is_seen(
    pan_speed: float, tilt_speed: float, seconds: float
) -> None:
    courses = head_courses(way(PAN_STEPS, pan_speed * seconds), way(TILT_STEPS, tilt_speed * seconds), seconds)
    if courses is None:
        return
    pan, tilt, jolt = courses
    for course, distance in ((pan, pan_speed * seconds), (tilt, tilt_speed * seconds)):
        assert covered(course) == pytest.approx(distance, rel=1e-6)
        changes = course.changes
        ended = changes[-1].at + abs(changes[-2].speed) / ACCELERATION
        assert ended == pytest.approx(seconds)
        if course.staircase is not None and course.staircase.lag:
            gaps = [after.at - before.at for before, after in pairwise(changes[: len(course.staircase.steps)])]
            assert min(gaps) >= DWELL_SECONDS - 1e-9 or course.starts_at > 0.0
    assert jolt >= max(hypot(1.0, 1.0), *(c.staircase.largest_gap for c in (pan, tilt) if c.staircase)) - 1e-9


def test_an_axis_with_time_to_spare_takes_its_lower_rungs_with_the_other_one() -> None:
    # 5°/s in the mean leave pan less time for its ramps, up to 6°/s, than 1.6°/s leave tilt, up to 2.6°/s.
    pan, tilt, jolt = found(way(PAN_STEPS, 40.0), way(TILT_STEPS, 12.8), 8.0)
    assert pan.dwell == pytest.approx(tilt.dwell)
    assert jolt < 1.6
    assert largest_within_the_window(pan, tilt) <= jolt * 1.001


def driven_at(course: Course, at: float) -> float:
    return next((change.speed for change in reversed(course.changes) if change.at <= at), 0.0)


def largest_within_the_window(pan: Course, tilt: Course) -> float:
    """The largest change of both axes as a vector between two moments up to 0.2 s apart, looked at every 5 ms."""
    moments = [moment * 0.005 for moment in range(round(max(pan.ends_at, tilt.ends_at) / 0.005) + 1)]
    speeds = [(driven_at(pan, at), driven_at(tilt, at)) for at in moments]
    return max(
        hypot(later[0] - speed[0], later[1] - speed[1])
        for begin, speed in enumerate(speeds)
        for later in speeds[begin : begin + 40]
    )


def test_most_moves_jolt_little_more_than_any_head_with_that_table_must() -> None:
    # The bound is worked out apart from the planner, by dynamic programming over all pairs of steps.
    rng = random.Random(3)
    shares: list[float] = []
    while len(shares) < 60:
        seconds = rng.uniform(2.5, 15.0)
        pan_deg, tilt_deg = seconds * rng.uniform(1.2, 8.0), seconds * rng.uniform(1.2, 5.0)
        courses = head_courses(way(PAN_STEPS, pan_deg), way(TILT_STEPS, tilt_deg), seconds)
        if courses is None:
            continue
        axes = [AxisMove(PAN_STEPS, ACCELERATION, pan_deg), AxisMove(TILT_STEPS, ACCELERATION, tilt_deg)]
        shares.append(courses[2] / least_jolt(axes, seconds))
    shares.sort()
    assert shares[0] >= 0.99
    assert shares[len(shares) // 2] <= 1.05
    assert shares[-4] <= 1.3
