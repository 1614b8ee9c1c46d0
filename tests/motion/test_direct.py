"""A wished speed, a wished time: the steps chosen are the best of all there are, and chosen at once."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from timeit import repeat

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ptzd.motion import (
    DirectPlan,
    HeadModel,
    PlanRefused,
    Pose,
    Prediction,
    plan_at_speed,
    plan_in_seconds,
    predict,
)

from .conftest import PAN_STEPS

FRAME_SECONDS = 0.05  # axes that end this close together are together to the eye
HERE = Pose(0.0, 0.0, 0x2000, None)

ways = st.floats(0.2, 160.0)
poses = st.builds(
    Pose,
    pan_deg=st.floats(0.2, 160.0),
    tilt_deg=st.floats(0.2, 90.0),
    zoom_counts=st.one_of(st.just(0x2000), st.floats(0, 0x4000)),
    focus_counts=st.none(),
)


def every_pair(head: HeadModel, there: Pose) -> dict[tuple[int, int], Prediction]:
    steps = product(range(1, head.pan.fastest_step + 1), range(1, head.tilt.fastest_step + 1))
    return {pair: predict(head, HERE, there, *pair) for pair in steps}


def gap(move: Prediction) -> float:
    """How far apart the ends of pan, tilt and, where it moves, zoom lie."""
    ends = [move.pan_seconds, move.tilt_seconds, *([move.zoom_seconds] if move.zoom_seconds else [])]
    return max(ends) - min(ends)


def planned(plan: DirectPlan | PlanRefused) -> DirectPlan:
    assert isinstance(plan, DirectPlan), plan
    return plan


# At a speed


def test_the_longer_axis_runs_at_the_wished_speed(head: HeadModel) -> None:
    plan = plan_at_speed(head, HERE, Pose(90.0, 10.0, 0x2000, None), 18)
    assert plan.pan_step == 18
    assert plan.prediction.slowest_axis == "pan"
    assert plan.prediction.tilt_seconds > 0.8 * plan.prediction.pan_seconds


def test_a_long_tilt_runs_at_the_tilt_step_of_that_speed(head: HeadModel) -> None:
    # [D]: pan step 12 is 6°/s, and so is tilt step 6.
    plan = plan_at_speed(head, HERE, Pose(5.0, 60.0, 0x2000, None), 12)
    assert plan.tilt_step == 6
    assert plan.pan_step < 12


def test_the_fastest_speed_is_the_fastest_of_both_axes(head: HeadModel) -> None:
    assert plan_at_speed(head, HERE, Pose(120.0, 1.0, 0x2000, None), 24).pan_step == 24
    assert plan_at_speed(head, HERE, Pose(1.0, 80.0, 0x2000, None), 24).tilt_step == 18


def test_a_speed_above_the_fastest_is_the_fastest(head: HeadModel) -> None:
    slower = replace(head, pan=replace(head.pan, steps_deg_per_s=head.pan.steps_deg_per_s[:18]))
    assert plan_at_speed(slower, HERE, Pose(120.0, 1.0, 0x2000, None), 24).pan_step == 18


def test_speed_zero_does_not_exist(head: HeadModel) -> None:
    with pytest.raises(ValueError, match="slowest is 1"):
        plan_at_speed(head, HERE, HERE, 0)


@given(poses, st.integers(1, 24))
@settings(deadline=None, max_examples=60)
def test_no_pair_up_to_the_wished_speed_ends_closer_together_without_delay(
    head: HeadModel, there: Pose, step: int
) -> None:
    plan = plan_at_speed(head, HERE, there, step)
    speed = head.pan.speed_deg_per_s(step)
    tilt_cap = max([1, *(i for i, v in enumerate(head.tilt.steps_deg_per_s, 1) if v <= speed)])
    assert plan.pan_step <= step
    assert plan.tilt_step <= tilt_cap
    fastest = predict(head, HERE, there, step, tilt_cap)
    longer = max(fastest.pan_seconds, fastest.tilt_seconds)
    rivals = [
        abs(move.pan_seconds - move.tilt_seconds)
        for (pan_step, tilt_step), move in every_pair(head, there).items()
        if (pan_step == step if fastest.pan_seconds > fastest.tilt_seconds else pan_step <= step)
        and (tilt_step <= tilt_cap if fastest.pan_seconds > fastest.tilt_seconds else tilt_step == tilt_cap)
        and max(move.pan_seconds, move.tilt_seconds) <= longer + FRAME_SECONDS
    ]
    chosen = plan.prediction
    assert max(chosen.pan_seconds, chosen.tilt_seconds) <= longer + FRAME_SECONDS
    assert abs(chosen.pan_seconds - chosen.tilt_seconds) == pytest.approx(min(rivals))


@given(poses, st.integers(1, 23))
@settings(deadline=None)
def test_a_higher_speed_never_arrives_noticeably_later(head: HeadModel, there: Pose, step: int) -> None:
    slower = plan_at_speed(head, HERE, there, step).prediction.seconds_to_arrival
    faster = plan_at_speed(head, HERE, there, step + 1).prediction.seconds_to_arrival
    assert faster <= slower + FRAME_SECONDS


@given(ways, st.integers(1, 24))
@settings(deadline=None)
def test_an_axis_that_stands_gets_much_the_same_speed(head: HeadModel, way: float, step: int) -> None:
    plan = plan_at_speed(head, HERE, Pose(way, 0.0, 0x2000, None), step)
    assert plan.pan_step == step
    assert head.tilt.speed_deg_per_s(plan.tilt_step) <= head.pan.speed_deg_per_s(step)
    assert plan.tilt_step == 18 or head.tilt.speed_deg_per_s(plan.tilt_step + 1) > head.pan.speed_deg_per_s(step)


# In a time


@given(poses, st.floats(0.2, 120.0))
@settings(deadline=None, max_examples=100)
def test_no_pair_of_steps_arrives_nearer_to_the_asked_time_and_closer_together(
    head: HeadModel, there: Pose, seconds: float
) -> None:
    plan = plan_in_seconds(head, HERE, there, seconds)
    moves = every_pair(head, there)
    arrivals = [move.seconds_to_arrival for move in moves.values()]
    if isinstance(plan, PlanRefused):
        slack = max(0.1, 0.02 * seconds)
        if plan.code == "too-short":
            assert seconds < min(arrivals) - slack + 1e-9
        else:
            assert seconds > max(arrivals) + slack - 1e-9
        return
    assert plan.prediction == moves[plan.pan_step, plan.tilt_step]
    least_miss = min(abs(arrival - seconds) for arrival in arrivals)
    assert abs(plan.prediction.seconds_to_arrival - seconds) <= least_miss + FRAME_SECONDS + 1e-9
    rivals = [
        gap(move)
        for move in moves.values()
        if abs(move.seconds_to_arrival - seconds) <= least_miss + FRAME_SECONDS - 1e-9
    ]
    assert gap(plan.prediction) <= min(rivals) + 1e-9


@given(ways, st.floats(0.2, 120.0), st.booleans(), st.one_of(st.just(0x2000), st.floats(0, 0x4000)))
@settings(deadline=None)
def test_one_axis_alone_arrives_as_near_as_any_of_its_steps(
    head: HeadModel, way: float, seconds: float, upwards: bool, zoom: float
) -> None:
    way = min(way, 90.0)
    there = Pose(0.0, way, zoom, None) if upwards else Pose(way, 0.0, zoom, None)
    plan = plan_in_seconds(head, HERE, there, seconds)
    assume(isinstance(plan, DirectPlan))
    least_miss = min(abs(move.seconds_to_arrival - seconds) for move in every_pair(head, there).values())
    arrival = planned(plan).prediction.seconds_to_arrival
    assert abs(arrival - seconds) <= least_miss + FRAME_SECONDS + 1e-9


def test_too_short_a_time_is_refused_with_the_shortest_there_is(head: HeadModel) -> None:
    # Handbook: 90° at 120°/s and 120°/s² takes 2·sqrt(90/120) = 1.73 s; with 0.06 s of latency, 1.8 s.
    there = Pose(90.0, 0.0, 0x2000, None)
    refused = plan_in_seconds(head, HERE, there, 1.0)
    assert isinstance(refused, PlanRefused)
    assert refused.code == "too-short"
    assert "1 s" in refused.sentence
    assert "1.8 s" in refused.sentence
    assert planned(plan_in_seconds(head, HERE, there, 1.8)).pan_step >= 22


def test_too_long_a_time_is_refused_with_the_longest_there_is(head: HeadModel) -> None:
    # [D]: step 1 is 1°/s, so 10° take 10 s and hardly more.
    there = Pose(10.0, 0.0, 0x2000, None)
    refused = plan_in_seconds(head, HERE, there, 30.0)
    assert isinstance(refused, PlanRefused)
    assert refused.code == "too-long"
    assert "10.0 s" in refused.sentence
    assert planned(plan_in_seconds(head, HERE, there, 10.0)).pan_step == 1


@given(poses, st.floats(0.01, 200.0))
@settings(deadline=None)
def test_the_time_named_in_a_refusal_can_be_had(head: HeadModel, there: Pose, seconds: float) -> None:
    refused = plan_in_seconds(head, HERE, there, seconds)
    assume(isinstance(refused, PlanRefused))
    assert isinstance(refused, PlanRefused)
    named = float(refused.sentence.rsplit(" takes ", 1)[1].split(" s")[0])
    assume(named > 0.0)
    assert isinstance(plan_in_seconds(head, HERE, there, named), DirectPlan)


def test_a_zoom_alone_has_but_one_time(head: HeadModel) -> None:
    # Zoom direct has no speed: 0x2000 counts at the assumed 5500 per second, 22000 per second squared: 1.74 s.
    there = Pose(0.0, 0.0, 0x4000, None)
    assert plan_in_seconds(head, HERE, there, 1.8).prediction.slowest_axis == "zoom"  # type: ignore[union-attr]
    for seconds, code in ((1.0, "too-short"), (5.0, "too-long")):
        refused = plan_in_seconds(head, HERE, there, seconds)
        assert isinstance(refused, PlanRefused)
        assert refused.code == code


def test_a_camera_that_stands_there_already_has_all_the_time(head: HeadModel, shared_head: HeadModel) -> None:
    there = Pose(0.02, -0.02, 0x2000 + 1, None)
    for model in (head, shared_head):
        assert planned(plan_in_seconds(model, HERE, there, 30.0)).prediction.seconds_to_arrival < 0.2


@pytest.mark.parametrize("seconds", [0.0, -1.0, float("nan"), float("inf")])
def test_a_time_that_is_none_is_an_error(head: HeadModel, seconds: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        plan_in_seconds(head, HERE, Pose(10.0, 0.0, 0x2000, None), seconds)


# One speed for both axes


@given(poses, st.integers(1, 24))
@settings(deadline=None)
def test_a_head_with_one_speed_takes_the_same_step_for_both(shared_head: HeadModel, there: Pose, step: int) -> None:
    plan = plan_at_speed(shared_head, HERE, there, step)
    assert (plan.pan_step, plan.tilt_step) == (step, step)
    assert plan.prediction == predict(shared_head, HERE, there, step, step)


@given(poses, st.floats(0.2, 120.0))
@settings(deadline=None)
def test_a_head_with_one_speed_arrives_as_near_as_its_steps_allow(
    shared_head: HeadModel, there: Pose, seconds: float
) -> None:
    plan = plan_in_seconds(shared_head, HERE, there, seconds)
    assume(isinstance(plan, DirectPlan))
    plan = planned(plan)
    assert plan.pan_step == plan.tilt_step
    arrivals = [predict(shared_head, HERE, there, step, step).seconds_to_arrival for step in range(1, 25)]
    least_miss = min(abs(arrival - seconds) for arrival in arrivals)
    assert abs(plan.prediction.seconds_to_arrival - seconds) == pytest.approx(least_miss, abs=1e-9)


# It lies on the path from the message to the first packet


def test_a_head_with_one_speed_reaches_the_last_step_of_each_axis(shared_head: HeadModel) -> None:
    # SRG-X400 command list, "Pan tilt": VV is 01 to 18 (hexadecimal) for pan and 01 to 17 for tilt, one for both.
    head = replace(shared_head, tilt=replace(shared_head.tilt, steps_deg_per_s=PAN_STEPS[:23]))
    for plan in (
        plan_at_speed(head, HERE, Pose(160.0, 0.0, 0, None), 24),
        plan_in_seconds(head, HERE, Pose(160.0, 0.0, 0, None), 160 / 120 + 120 / 120 + head.latency_seconds),
    ):
        assert isinstance(plan, DirectPlan)
        assert (plan.pan_step, plan.tilt_step) == (24, 23)


@pytest.mark.parametrize("shared", [False, True])
def test_a_plan_is_made_well_within_a_millisecond(head: HeadModel, shared: bool) -> None:
    model = replace(head, shared_speed=shared)
    there = Pose(70.0, -17.0, 0x3000, None)
    for work in (lambda: plan_at_speed(model, HERE, there, 12), lambda: plan_in_seconds(model, HERE, there, 8.0)):
        assert min(repeat(work, number=50, repeat=5)) / 50 < 0.001
