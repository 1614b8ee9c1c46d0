"""Whether a shaped move is made with the head's slow mode on.

Some heads have a slow mode in which every step of the table is slower, and the gaps between steps are smaller with
it. How slow is published for none, so that only a learned head can be planned with it, see `HeadModel.slow`. The mode
is chosen once, at rest, for a whole move: no document says what a head does when it is switched in mid-move.
"""

from __future__ import annotations

from dataclasses import replace

from .direct_plan import PlanRefused
from .head import HeadModel
from .picture import Picture
from .pose import Pose
from .shaped_plan import ShapedPlan, plan_shaped

WORTH_SHARE = 0.9  # of the jolt, or of the fastest travel of the picture: below, slow mode is worth its orders
SAME_SHARE = 1.08  # of the jolt, which nobody tells apart
LATER_SECONDS = 0.1  # than asked for at most: turning slow mode on takes a moment, too


def plan_to_be_seen(
    head: HeadModel, from_: Pose, to: Pose, seconds: float, *, picture: Picture | None = None
) -> ShapedPlan | PlanRefused:
    """Plan a shaped move, in slow mode where that is known and better: smoother, calmer, or the only one that long.

    All else is as with `plan_shaped`. The head of a plan in slow mode has the slow tables.
    """
    usual = plan_shaped(head, from_, to, seconds, picture=picture)
    slowed = head.in_slow_mode()
    if slowed is None or (isinstance(usual, PlanRefused) and usual.code == "too-short"):
        return usual
    slow = plan_shaped(slowed, from_, to, seconds, picture=picture)
    if isinstance(slow, PlanRefused):
        return slow if isinstance(usual, PlanRefused) else usual
    if isinstance(usual, PlanRefused):
        return _chosen(slow, "the usual steps would be there too soon")
    if slow.seconds > seconds + LATER_SECONDS or not _is_better(slow, usual):
        return usual
    return _chosen(
        slow, f"no change of speed is larger than {slow.jolt_deg_per_s:.2g}°/s, which were {usual.jolt_deg_per_s:.2g}"
    )


def _is_better(slow: ShapedPlan, usual: ShapedPlan) -> bool:
    if not usual.jolt_deg_per_s:  # nothing but the zoom moves
        return False
    in_degrees = slow.jolt_deg_per_s / usual.jolt_deg_per_s
    if slow.jolt_widths_per_s is None or usual.jolt_widths_per_s is None:
        return in_degrees < WORTH_SHARE
    in_widths = slow.jolt_widths_per_s / usual.jolt_widths_per_s
    if in_widths > SAME_SHARE:
        return False
    # A zoom's largest change is not all that is seen.
    if in_widths * in_degrees < WORTH_SHARE**2:
        return True
    assert slow.fastest_widths_per_s is not None and usual.fastest_widths_per_s is not None
    return slow.fastest_widths_per_s < WORTH_SHARE * usual.fastest_widths_per_s


def _chosen(plan: ShapedPlan, reason: str) -> ShapedPlan:
    return replace(plan, slow_mode=True, why=f"in the head's slow mode, for {reason}; {plan.why}")
