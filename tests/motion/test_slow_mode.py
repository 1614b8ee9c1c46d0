"""A shaped move takes the head's slow mode where that is known and worth it, and nowhere else.

[D] TLC-700-S user manual, "VISCA speed value": the tables. How slow slow mode is, no document says: a quarter here.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.motion import (
    AxisModel,
    AxisSpeeds,
    HeadModel,
    Picture,
    PlanRefused,
    Pose,
    Sensor,
    ShapedPlan,
    SlowMode,
    judge_samples,
    lens_between,
    plan_shaped,
    plan_to_be_seen,
)

from .conftest import ZOOM_RATIOS

HERE = Pose(0.0, 0.0, 0x4000, None)
SENSOR = Sensor(36.0, 24.0)
LENS = lens_between(100.0, 400.0, ZOOM_RATIOS)
PICTURE = Picture(LENS, SENSOR)
SHARE = 0.25


@pytest.fixture(scope="session")
def learned(shared_head: HeadModel) -> HeadModel:
    return with_slow_mode(shared_head, SHARE)


def with_slow_mode(head: HeadModel, share: float) -> HeadModel:
    pan, tilt = (
        AxisModel(tuple(share * speed for speed in axis.steps_deg_per_s), axis.acceleration_deg_per_s2)
        for axis in (head.pan, head.tilt)
    )
    return replace(head, slow=SlowMode(pan, tilt, 0.004), origin="learned")


def there(pan_deg: float, tilt_deg: float = 0.0, zoom_counts: float = 0.0) -> Pose:
    return Pose(pan_deg, tilt_deg, HERE.zoom_counts + zoom_counts, None)


def planned(head: HeadModel, to: Pose, seconds: float, picture: Picture | None = None) -> ShapedPlan:
    plan = plan_to_be_seen(head, HERE, to, seconds, picture=picture)
    assert isinstance(plan, ShapedPlan)
    return plan


def largest_change(plan: ShapedPlan) -> float:
    """Of pan alone, from what it is driven at."""
    speeds = [0.0, *(change.speed for change in plan.pan.changes)]
    return max(abs(after - before) for before, after in pairwise(speeds))


@pytest.mark.parametrize("picture", [None, PICTURE])
def test_a_head_without_a_known_slow_mode_is_planned_as_ever(shared_head: HeadModel, picture: Picture | None) -> None:
    for pan, seconds in ((3.0, 8.0), (10.0, 8.0), (80.0, 8.0), (80.0, 1.0)):
        to = there(pan)
        expected = plan_shaped(shared_head, HERE, to, seconds, picture=picture)
        assert plan_to_be_seen(shared_head, HERE, to, seconds, picture=picture) == expected


def test_where_the_table_has_a_wide_gap_slow_mode_is_smoother(learned: HeadModel) -> None:
    # [D]: 10°/s lies between steps 13 and 14, 9 and 15°/s. At a quarter, steps 16 to 21 are 6.25, 8, 9.5, 11.25°/s.
    plan = planned(learned, there(80.0), 10.0)
    assert plan.slow_mode
    assert largest_change(plan) < 2.5
    assert largest_change(planned(replace(learned, slow=None), there(80.0), 10.0)) >= 3.0
    assert plan.seconds == pytest.approx(10.0, abs=0.15)


def test_where_the_usual_steps_lie_as_close_they_are_taken(learned: HeadModel) -> None:
    # [D]: from 1 to 3.8°/s the steps lie 0.7°/s apart at most; at a quarter, 2.25 is followed by 3.75°/s.
    plan = planned(learned, there(20.0), 8.0)
    assert not plan.slow_mode
    assert "slow mode" not in plan.why


def test_only_slow_mode_can_take_so_long(learned: HeadModel) -> None:
    # [D]: step 1 is 1°/s, so that 4° take 4 s at most; at a quarter of that, 16 s.
    assert isinstance(plan_shaped(learned, HERE, there(4.0), 12.0), PlanRefused)
    plan = planned(learned, there(4.0), 12.0)
    assert plan.slow_mode
    assert "too soon" in plan.why
    refused = plan_to_be_seen(learned, HERE, there(4.0), 20.0)
    assert isinstance(refused, PlanRefused)
    assert "after 16.1 s" in refused.sentence


def test_what_is_too_fast_for_slow_mode_is_made_at_the_usual_steps(learned: HeadModel) -> None:
    # A quarter of step 24, 120°/s, is 30°/s.
    assert not planned(learned, there(160.0), 5.0).slow_mode
    assert plan_to_be_seen(learned, HERE, there(160.0), 0.5) == plan_shaped(learned, HERE, there(160.0), 0.5)


def test_a_zoom_alone_needs_no_slow_mode(learned: HeadModel) -> None:
    assert not planned(learned, there(0.0, 0.0, -3000.0), 5.0, PICTURE).slow_mode


def test_a_plan_in_slow_mode_has_the_slow_tables(learned: HeadModel) -> None:
    plan = planned(learned, there(10.0), 8.0)
    assert learned.slow is not None
    assert (plan.head.pan, plan.head.tilt) == (learned.slow.pan, learned.slow.tilt)
    assert plan.head.spread.speed == learned.slow.spread
    for change in plan.pan.changes:
        assert change.speed == pytest.approx((0.0, *learned.slow.pan.steps_deg_per_s)[change.step])


@given(pan=st.floats(0.1, 160.0), tilt=st.floats(-20.0, 20.0), seconds=st.floats(1.0, 20.0), share=st.floats(0.05, 0.9))
def test_the_choice_never_jolts_more_and_is_never_later(
    shared_head: HeadModel, pan: float, tilt: float, seconds: float, share: float
) -> None:
    head, to = with_slow_mode(shared_head, share), there(pan, tilt)
    usual, chosen = plan_shaped(head, HERE, to, seconds), plan_to_be_seen(head, HERE, to, seconds)
    if isinstance(usual, PlanRefused):
        return
    assert isinstance(chosen, ShapedPlan)
    assert chosen.jolt_deg_per_s <= usual.jolt_deg_per_s
    assert chosen.seconds == pytest.approx(seconds, abs=0.15 + 1e-6)


def test_on_a_long_lens_the_slowest_step_of_slow_mode_counts(learned: HeadModel) -> None:
    # "Panning speed best practices", RED 101: 0.74°/s at 400 mm; [D]: step 1 is 1°/s.
    to = there(6.0)
    samples = [(HERE, AxisSpeeds(1.0, 0.0, 0.0)), (to, AxisSpeeds(0.0, 0.0, 0.0))]
    usual = judge_samples(replace(learned, slow=None), SENSOR, LENS, 24.0, samples, 6.0)
    assert (usual.watchable, usual.seconds_needed) == (False, None)
    slow = judge_samples(learned, SENSOR, LENS, 24.0, samples, 6.0)
    assert slow.seconds_needed == pytest.approx(6.0 / 0.74, rel=0.02)
    hardly = judge_samples(with_slow_mode(learned, 0.9), SENSOR, LENS, 24.0, samples, 6.0)
    assert hardly.seconds_needed is None
    assert "even the slowest speeds of slow mode (pan 0.9°/s)" in hardly.sentence


def test_where_the_zoom_shows_most_slow_mode_is_taken_for_the_head(shared_head: HeadModel) -> None:
    # In widths the zoom's slowest drive is more than pan and tilt from rest to step 1, [D] 1°/s each, so that the
    # largest change is the same in both modes; the head's own is a quarter with slow mode.
    head = with_slow_mode(shared_head, 0.25)
    plan = planned(head, there(9.0, 9.0, 2000.0), 8.0, PICTURE)
    usual = planned(replace(head, slow=None), there(9.0, 9.0, 2000.0), 8.0, PICTURE)
    assert plan.jolt_widths_per_s is not None and usual.jolt_widths_per_s is not None
    assert plan.slow_mode
    assert plan.jolt_widths_per_s <= 1.1 * usual.jolt_widths_per_s
    assert plan.jolt_deg_per_s <= 0.7 * usual.jolt_deg_per_s
