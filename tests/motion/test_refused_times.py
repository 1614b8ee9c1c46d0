"""A shaped move that is refused for its time names one that the head can make: whoever asks for that, gets it."""

from __future__ import annotations

import random
import re

import pytest
from motion.units import HERE

from ptzd.motion import HeadModel, PlanRefused, Pose, ShapedPlan, plan_shaped


def refused(head: HeadModel, to: Pose, seconds: float) -> tuple[str, float] | None:
    """The code of a refusal and the time that it names."""
    plan = plan_shaped(head, HERE, to, seconds)
    if not isinstance(plan, PlanRefused):
        return None
    named = re.search(r"([\d.]+) s(,| or longer)", plan.sentence)
    assert named is not None, plan.sentence
    return plan.code, float(named[1])


@pytest.mark.parametrize("shared", [False, True])
def test_the_time_that_a_refusal_names_is_one_that_the_head_can_make(
    head: HeadModel, shared_head: HeadModel, shared: bool
) -> None:
    chosen = shared_head if shared else head
    rng = random.Random(5)
    seen = {"too-short": 0, "too-long": 0}
    while min(seen.values()) < 12:
        slowly = rng.random() < 0.5
        most = 4.0 if slowly else 60.0
        pan, tilt = (rng.choice((-1, 1)) * rng.uniform(1.0, most) for _ in range(2))
        to = Pose(pan, tilt, HERE.zoom_counts, None)
        said = refused(chosen, to, 9.0 if slowly else rng.uniform(0.5, 3.0))
        if said is None:
            continue
        code, named = said
        seen[code] += 1
        again = plan_shaped(chosen, HERE, to, named)
        assert isinstance(again, ShapedPlan), f"{to}: {named} s was named"
        assert again.seconds == pytest.approx(named, abs=0.151)


def test_a_move_of_both_axes_that_is_a_little_short_of_time_is_refused_with_one_hardly_longer(head: HeadModel) -> None:
    """40° and 20° by steps of up to 75 and 48 degrees/s [D] are no matter of many seconds."""
    said = refused(head, Pose(40.0, 20.0, HERE.zoom_counts, None), 1.0)
    assert said is not None
    code, named = said
    assert code == "too-short"
    assert 1.2 < named < 4.0
