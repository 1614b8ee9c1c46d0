"""Steering brings units home that differ from their table, by nothing but when they change step.

[D] TLC-700-S user manual, "VISCA speed
value": degrees per second by step.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from motion.units import HERE, Run, Unit

from ptzd.motion import DriveHead, HeadModel, LandHead, LandZoom, Pose, ShapedPlan, Steering, plan_shaped


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


@pytest.mark.parametrize(("pan", "planned_step", "most"), [(10.0, 5, 10), (20.0, 12, 13), (8.0, 3, 8)])
def test_a_head_that_is_late_goes_half_as_fast_again_and_no_faster(
    head: HeadModel, pan: float, planned_step: int, most: int
) -> None:
    # By [D] step 5 is 2.6°/s, and step 10 is 3.8; after 6°/s comes 9; step 3 is 2.2°/s, and step 8 is 3.2.
    plan = planned(head, pan, 0.0, 0.0, 5.0)
    assert plan.pan.staircase is not None and plan.pan.staircase.steps[-1] == planned_step
    run = Run(plan, Unit(head, 0.5, 1.0, 1.0))
    assert max(order.pan_step for order in run.orders if isinstance(order, DriveHead)) == most


def test_a_head_of_one_step_for_both_axes_that_has_heard_nothing_is_landed_at_steps_that_each_of_them_has(
    head: HeadModel,
) -> None:
    plan = planned(replace(head, shared_speed=True), 150.0, 10.0, 0.0, 4.0)
    steering, landings = Steering(plan, 0.0), list[LandHead]()
    for tick in range(200):
        landings += [order for order in steering.orders(0.05 * tick) if isinstance(order, LandHead)]
    (landing,) = landings
    assert 18 < landing.pan_step <= 24  # its mean is 37.5°/s, by [D] steps 17 and 18; of tilt there are 18
    assert 1 <= landing.tilt_step <= 18
