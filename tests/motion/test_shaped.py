"""A shaped move goes by the table of [D]: what it promises, worked out by other means than the planner's own.

[D] TLC-700-S user manual, "VISCA speed value": degrees per second by step.
"""

from __future__ import annotations

import random
from itertools import pairwise
from math import exp, hypot, log

import pytest
from bench.lower_bound import AxisMove, least_jolt
from hypothesis import given
from hypothesis import strategies as st

from ptzd.motion import HeadModel, Picture, PlanRefused, Pose, Sensor, ShapedPlan, lens_between, plan_shaped

from .conftest import ZOOM_RATIOS

HERE = Pose(10.0, 5.0, 2000.0, None)
PICTURE = Picture(lens_between(12.0, 120.0, ZOOM_RATIOS), Sensor(35.9, 24.0))


def planned(head: HeadModel, pan: float, tilt: float, zoom: float, seconds: float) -> ShapedPlan:
    to = Pose(HERE.pan_deg + pan, HERE.tilt_deg + tilt, HERE.zoom_counts + zoom, None)
    plan = plan_shaped(head, HERE, to, seconds, picture=PICTURE)
    assert isinstance(plan, ShapedPlan), plan.sentence
    return plan


def speed_at(plan: ShapedPlan, seconds: float) -> tuple[float, float]:
    """Degrees per second of pan and tilt, from the plan's poses alone."""
    before, after = plan.pose_at(seconds - 0.001), plan.pose_at(seconds + 0.001)
    return (after.pan_deg - before.pan_deg) / 0.002, (after.tilt_deg - before.tilt_deg) / 0.002


def jolt(plan: ShapedPlan) -> float:
    """The largest change of pan-tilt speed within 0.2 s, in degrees per second."""
    speeds = [speed_at(plan, 0.01 * tick) for tick in range(int(100 * plan.seconds) + 30)]
    return max(
        hypot(later[0] - speed[0], later[1] - speed[1])
        for index, speed in enumerate(speeds)
        for later in speeds[index + 1 : index + 20]
    )


@given(
    pan=st.floats(-90.0, 90.0),
    tilt=st.floats(-20.0, 60.0),
    zoom=st.floats(-2000.0, 14000.0),
    seconds=st.floats(2.0, 20.0),
)
def test_a_plan_ends_on_the_target_at_the_time_that_was_asked(
    head: HeadModel, pan: float, tilt: float, zoom: float, seconds: float
) -> None:
    to = Pose(HERE.pan_deg + pan, HERE.tilt_deg + tilt, HERE.zoom_counts + zoom, None)
    plan = plan_shaped(head, HERE, to, seconds)
    if isinstance(plan, PlanRefused):
        return
    assert plan.seconds == pytest.approx(seconds, abs=0.151)
    assert plan.pose_at(0.0) == HERE
    assert plan.pan.at(plan.seconds) == pytest.approx((pan, 0.0), abs=1e-9), "there, and at rest"
    # A hair before the end it is all but there: the courses add up, it does not jump to its target.
    almost = plan.pose_at(plan.seconds - 0.001)
    assert almost.pan_deg == pytest.approx(to.pan_deg, abs=0.01)
    assert almost.tilt_deg == pytest.approx(to.tilt_deg, abs=0.01)
    assert almost.zoom_counts == pytest.approx(to.zoom_counts, abs=5.0)


def test_every_axis_is_driven_at_steps_of_its_table_alone(head: HeadModel) -> None:
    plan = planned(head, 40.0, 12.0, 9000.0, 8.0)
    for course, table in (
        (plan.pan, head.pan.steps_deg_per_s),
        (plan.tilt, head.tilt.steps_deg_per_s),
        (plan.zoom, head.zoom.drive_counts_per_s),
    ):
        changes = course.changes
        assert all(abs(change.speed) == table[change.step - 1] for change in changes[:-1])
        assert changes[-1].speed == 0.0
        assert all(later.at - earlier.at >= 0.2 for earlier, later in pairwise(changes[:-1]))


def test_axes_that_have_far_to_go_set_out_and_arrive_together(head: HeadModel) -> None:
    plan = planned(head, 40.0, 12.0, 9000.0, 8.0)
    assert plan.pan.starts_at == plan.tilt.starts_at == plan.zoom.starts_at == 0.0
    assert plan.pan.ends_at == plan.tilt.ends_at == plan.zoom.ends_at


def test_an_axis_whose_slowest_step_is_too_fast_sets_out_late_and_arrives_with_the_others(head: HeadModel) -> None:
    plan = planned(head, 30.0, 2.0, 0.0, 10.0)
    # 2° at step 1, 1°/s by [D], take 2 s; a unit may be 5 % quicker, and then there is no slower step to wait at.
    assert plan.tilt.ends_at - plan.tilt.starts_at == pytest.approx(2.0 / 1.05, abs=0.02)
    assert plan.tilt.ends_at == plan.pan.ends_at
    assert plan.prediction.tilt_seconds == pytest.approx(2.0 / 1.05, abs=0.02)
    assert "tilt sets out" in plan.why


@pytest.mark.parametrize(
    ("pan", "seconds", "least"),
    [
        (8.0, 5.0, 1.0),  # below 4.5°/s by [D] no two steps lie farther apart than 0°/s and step 1, at 1°/s
        (27.0, 6.0, 1.5),  # 4.5 to 6
        (36.0, 6.0, 3.0),  # 6 to 9
        (60.0, 6.0, 6.0),  # 9 to 15
    ],
)
def test_the_jolt_is_the_gap_in_the_table_that_has_to_be_crossed(
    head: HeadModel, pan: float, seconds: float, least: float
) -> None:
    plan = planned(head, pan, 0.0, 0.0, seconds)
    assert plan.jolt_deg_per_s == pytest.approx(least)
    assert jolt(plan) == pytest.approx(least, rel=0.01)


@pytest.mark.parametrize(
    ("shared", "pan", "tilt", "seconds"),
    [
        (False, 4.2, 8.4, 2.4),
        (False, 11.8, 2.8, 3.4),
        (False, 12.2, 0.0, 2.2),
        (False, 13.6, 1.5, 2.5),
        (False, 14.3, 8.4, 3.4),
        (False, 18.8, 1.3, 4.3),
        (False, 38.0, 0.0, 7.0),
        (True, 10.5, 16.4, 3.9),
        (True, 16.2, 3.5, 2.7),
        (True, 17.7, 3.9, 4.7),
        (True, 39.1, 11.0, 7.9),
    ],
)
def test_what_can_be_had_smoothly_is_not_planned_with_a_larger_jolt(
    head: HeadModel, shared_head: HeadModel, shared: bool, pan: float, tilt: float, seconds: float
) -> None:
    """Moves that are hard to plan: other weights or fewer trials bring 6 % to nine times as much.

    The least jolt of each is worked out apart from the planner, from the tables alone.
    """
    model = shared_head if shared else head
    axes = [
        AxisMove(axis.steps_deg_per_s, axis.acceleration_deg_per_s2, way)
        for axis, way in ((model.pan, pan), (model.tilt, tilt))
    ]
    assert planned(model, pan, tilt, 0.0, seconds).jolt_deg_per_s <= 1.05 * least_jolt(axes, seconds)


def test_where_the_table_is_the_limit_the_plan_says_so_and_names_a_length_that_is_smooth(head: HeadModel) -> None:
    plan = planned(head, 36.0, 0.0, 0.0, 6.0)
    assert "from 6 to 9°/s" in plan.why
    assert plan.smooth_seconds > 6.0
    smooth = planned(head, 36.0, 0.0, 0.0, plan.smooth_seconds + 0.5)
    assert smooth.jolt_deg_per_s == pytest.approx(1.0)
    assert smooth.smooth_seconds < smooth.seconds


def test_the_stated_jolt_is_that_of_the_poses(head: HeadModel) -> None:
    rng = random.Random(5)
    for _ in range(10):
        plan = planned(head, rng.uniform(10, 60), 0.0, 0.0, rng.uniform(5, 8))
        assert jolt(plan) <= plan.jolt_deg_per_s * 1.02


def test_two_axes_jolt_no_more_than_the_larger_gap_or_the_stop_that_they_share(head: HeadModel) -> None:
    # 6 to 9°/s in pan by [D]; tilt stays below, and both stop from 1°/s at once.
    assert planned(head, 36.0, 10.0, 0.0, 6.0).jolt_deg_per_s == pytest.approx(3.0)
    assert planned(head, 10.0, 8.0, 0.0, 6.0).jolt_deg_per_s == pytest.approx(2.0**0.5)


def test_a_time_that_the_head_cannot_make_is_refused_with_the_nearest_that_it_can(head: HeadModel) -> None:
    there = Pose(HERE.pan_deg + 100.0, HERE.tilt_deg, HERE.zoom_counts, None)
    refused = plan_shaped(head, HERE, there, 1.0)
    assert isinstance(refused, PlanRefused)
    assert refused.code == "too-short"
    nearest = float(refused.sentence.split("takes ")[1].split(" s")[0])
    assert isinstance(plan_shaped(head, HERE, there, nearest), ShapedPlan)
    assert isinstance(plan_shaped(head, HERE, there, nearest - 0.4), PlanRefused)


def test_a_time_for_which_the_slowest_step_is_too_fast_is_refused(head: HeadModel) -> None:
    refused = plan_shaped(head, HERE, Pose(HERE.pan_deg + 3.0, HERE.tilt_deg, HERE.zoom_counts, None), 8.0)
    assert isinstance(refused, PlanRefused)
    assert refused.code == "too-long"
    assert "3.1 s" in refused.sentence  # 3° at 1°/s, and 0.06 s until the head hears of it


def test_a_camera_that_stands_there_already_has_nothing_to_do(head: HeadModel) -> None:
    plan = plan_shaped(head, HERE, HERE, 5.0)
    assert isinstance(plan, ShapedPlan)
    assert plan.jolt_deg_per_s == 0.0
    assert plan.pose_at(2.0) == HERE


def test_a_longer_lens_makes_the_same_move_a_larger_jolt(head: HeadModel) -> None:
    there = Pose(HERE.pan_deg + 20.0, HERE.tilt_deg, HERE.zoom_counts, None)
    sensor = Sensor(35.9, 24.0)
    short = plan_shaped(head, HERE, there, 8.0, picture=Picture(lens_between(12.0, 120.0, ZOOM_RATIOS), sensor))
    long = plan_shaped(head, HERE, there, 8.0, picture=Picture(lens_between(100.0, 400.0, ZOOM_RATIOS), sensor))
    assert isinstance(short, ShapedPlan)
    assert isinstance(long, ShapedPlan)
    assert short.jolt_widths_per_s is not None
    assert long.jolt_widths_per_s is not None
    assert long.jolt_widths_per_s > 3.0 * short.jolt_widths_per_s


def test_every_move_gets_a_plan_that_ends_in_time_or_a_refusal_that_names_one(
    head: HeadModel, shared_head: HeadModel
) -> None:
    rng = random.Random(1)

    def distance(most: float) -> float:
        return rng.choice((0.0, -1.0, 1.0, 1.0)) * exp(rng.uniform(log(0.02), log(most)))

    refused = 0
    for _ in range(2000):
        to = Pose(
            HERE.pan_deg + distance(90.0), HERE.tilt_deg + distance(60.0), HERE.zoom_counts + distance(9000.0), None
        )
        seconds = exp(rng.uniform(log(0.3), log(60.0)))
        plan = plan_shaped(rng.choice((head, shared_head)), HERE, to, seconds)
        if isinstance(plan, PlanRefused):
            refused += 1
            continue
        assert plan.seconds == pytest.approx(seconds, abs=0.151)
        almost = plan.pose_at(plan.seconds - 0.001)
        assert almost.pan_deg == pytest.approx(to.pan_deg, abs=0.01)
        assert almost.tilt_deg == pytest.approx(to.tilt_deg, abs=0.01)
    assert 400 < refused < 1600
