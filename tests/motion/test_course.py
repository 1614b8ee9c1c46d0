"""Which way up a table an axis takes, with tables of a few steps made up so that two ways compete.

A dwell is 0.21 s at least, and a rung between gaps as wide as these is held for two and a half of them.
"""

from __future__ import annotations

import pytest

from ptzd.motion.course import AxisWay, Course, course

ACCELERATION = 120.0
HELD = 2.5 * 0.21


def reached(seconds: float, held: float) -> float:
    """How far an axis gets that is at 2°/s but for `held` seconds at 1°/s on either side, and its stop."""
    return 2.0 * seconds - 2.0 * held - 1.0 / ACCELERATION


def taken(speeds: tuple[float, ...], way: float, seconds: float, spread: float = 0.0) -> Course:
    found = course(AxisWay(speeds, ACCELERATION, way, spread), seconds)
    assert found is not None and found.staircase is not None
    return found


def steps_of(found: Course) -> tuple[int, ...]:
    assert found.staircase is not None
    return found.staircase.steps


@pytest.mark.parametrize(
    ("third", "held", "steps"),
    [(3.08, HELD, (1, 2, 3)), (3.15, HELD, (1, 2)), (3.08, HELD + 2.5 * 0.06, (1, 2))],
    ids=["none to spare", "none to spare, but a tenth more is too much", "time to spare"],
)
def test_a_jolt_up_to_a_tenth_larger_is_better_than_no_time_to_make_up_for_a_lost_order(
    third: float, held: float, steps: tuple[int, ...]
) -> None:
    assert steps_of(taken((1.0, 2.0, third), reached(3.0, held), 3.0)) == steps


@pytest.mark.parametrize(("share", "steps"), [(0.246, (1, 2, 3)), (0.256, (1, 3))])
def test_a_finer_way_is_taken_while_its_ramps_are_hardly_longer_than_is_best(
    share: float, steps: tuple[int, ...]
) -> None:
    # No gap is above 1°/s. By 1.5°/s the ramp is a quarter longer; 27 % of the move is best, and a rung more is worth
    # 2 %. With 24.6 % and 30.8 % the finer one is 1.4 % behind, with 25.6 % and 32 % it is 3.6 %.
    assert steps_of(taken((1.0, 1.5, 2.0), reached(8.0, share * 8.0), 8.0)) == steps


@pytest.mark.parametrize(("seconds", "steps"), [(3.9, (1, 2, 3)), (4.0, (1, 2))])
def test_four_seconds_leave_time_to_find_out_whether_the_unit_is_slow(seconds: float, steps: tuple[int, ...]) -> None:
    # By its table it is there by gaps of 1°/s; a unit slower by 5 % would need to cross one of 2°/s.
    assert steps_of(taken((1.0, 2.0, 4.0), 0.98 * reached(seconds, HELD), seconds, spread=0.05)) == steps


@pytest.mark.parametrize(("quicker", "spare"), [(0.04, True), (0.06, False)])
def test_a_wide_gap_is_left_to_the_slow_units_where_a_quick_one_can_do_without(quicker: float, spare: bool) -> None:
    # It is short of its way by its table, but not where it is quicker by most of the 5 % that it may be.
    way = (1.0 + quicker) * reached(6.0, HELD)
    assert taken((1.0, 2.0, 4.0), way, 6.0, spread=0.05).spare_top is spare
