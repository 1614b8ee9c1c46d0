"""One axis travels as the handbooks say, and as the reference library `ruckig` says."""

from __future__ import annotations

import pytest
import ruckig
from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.motion import peak_speed, seconds_for_axis
from ptzd.motion.profile import course_at, mean_acceleration

distances = st.floats(0.01, 340.0)
speeds = st.floats(0.3, 120.0)
accelerations = st.floats(10.0, 500.0)


def ruckig_trajectory(
    distance: float, top_speed: float, acceleration: float, braking: float | None = None, jerk: float = 1e7
) -> ruckig.Trajectory:
    """`ruckig` limits the jerk as well; a very large limit leaves the trapezoid."""
    wanted = ruckig.InputParameter(1)
    wanted.current_position = [0.0]
    wanted.target_position = [distance]
    wanted.max_velocity = [top_speed]
    wanted.max_acceleration = [acceleration]
    wanted.min_acceleration = [-(braking or acceleration)]
    wanted.max_jerk = [jerk]
    trajectory = ruckig.Trajectory(1)
    assert ruckig.Ruckig(1).calculate(wanted, trajectory) == ruckig.Result.Working
    return trajectory


def test_a_long_way_takes_d_over_v_plus_v_over_a() -> None:
    # Trapezoidal profile, any machine-design handbook: 90° at 60°/s and 120°/s².
    assert seconds_for_axis(90.0, 60.0, 120.0) == pytest.approx(2.000, abs=5e-4)


def test_a_short_way_never_reaches_the_top_speed() -> None:
    # The same: 12° at 60°/s and 120°/s² takes 2·sqrt(d/a).
    assert seconds_for_axis(12.0, 60.0, 120.0) == pytest.approx(0.632, abs=5e-4)
    assert peak_speed(12.0, 60.0, 120.0) == pytest.approx(37.95, abs=0.005)  # sqrt(12 · 120)


def test_an_axis_that_is_there_takes_no_time() -> None:
    assert seconds_for_axis(0.0, 60.0, 120.0) == 0.0


@given(distances, speeds, accelerations)
@settings(deadline=None)
def test_the_travel_time_is_that_of_ruckig_without_a_jerk_limit(d: float, v: float, a: float) -> None:
    # ruckig's jerk limit of 1e7 adds up to a/1e7 s at each of the profile's corners.
    assert seconds_for_axis(d, v, a) == pytest.approx(ruckig_trajectory(d, v, a).duration, abs=3e-4)


@given(distances, speeds, accelerations, accelerations, st.floats(0.0, 1.0))
@settings(deadline=None)
def test_a_head_that_brakes_otherwise_than_it_starts_is_where_ruckig_says(
    d: float, v: float, a: float, b: float, share: float
) -> None:
    trajectory = ruckig_trajectory(d, v, a, b)
    assert seconds_for_axis(d, v, mean_acceleration(a, b)) == pytest.approx(trajectory.duration, abs=3e-4)
    [place], [speed], _ = trajectory.at_time(share * trajectory.duration)
    assert course_at(d, v, a, share * trajectory.duration, b)[0] == pytest.approx(place, abs=3e-4 * v + 1e-6)
    assert course_at(d, v, a, share * trajectory.duration, b)[1] == pytest.approx(speed, abs=3e-4 * max(a, b))


@given(speeds, accelerations, st.floats(0.05, 1.0), st.floats(0.0, 1.0))
@settings(deadline=None)
def test_rounded_ramps_are_those_of_ruckig_with_a_jerk_limit(v: float, a: float, s: float, share: float) -> None:
    d = 2.0 * v * v / a  # long enough to reach the speed
    # Each end of a ramp of v/a seconds is rounded for s/2 of that; what lies between is steeper for it.
    steepest = a / (1.0 - s / 2.0)
    trajectory = ruckig_trajectory(d, v, steepest, jerk=steepest / (s / 2.0 * v / a))
    assert seconds_for_axis(d, v, a) == pytest.approx(trajectory.duration, rel=1e-6)
    [place], [speed], _ = trajectory.at_time(share * trajectory.duration)
    assert course_at(d, v, a, share * trajectory.duration, s_share=s)[0] == pytest.approx(place, abs=1e-6 * d)
    assert course_at(d, v, a, share * trajectory.duration, s_share=s)[1] == pytest.approx(speed, abs=1e-5 * v)


@given(distances, speeds, accelerations, st.floats(0.0, 1.0), st.sampled_from([-1.0, 1.0]))
@settings(deadline=None)
def test_the_position_on_the_way_is_that_of_ruckig(d: float, v: float, a: float, share: float, sign: float) -> None:
    trajectory = ruckig_trajectory(sign * d, v, a)
    seconds = share * trajectory.duration
    [expected], _, _ = trajectory.at_time(seconds)
    assert course_at(sign * d, v, a, seconds)[0] == pytest.approx(expected, abs=3e-4 * v + 1e-6)


@given(distances, speeds, accelerations)
@settings(deadline=None)
def test_both_ways_take_the_same_time(d: float, v: float, a: float) -> None:
    assert seconds_for_axis(-d, v, a) == seconds_for_axis(d, v, a)


@given(distances, speeds, accelerations, st.floats(0.0, 2.0))
@settings(deadline=None)
def test_a_longer_way_takes_longer_and_a_faster_head_never_does(d: float, v: float, a: float, more: float) -> None:
    seconds = seconds_for_axis(d, v, a)
    assert seconds_for_axis(d * (1 + more), v, a) >= seconds - 1e-9
    assert seconds_for_axis(d, v * (1 + more), a) <= seconds + 1e-9
    assert seconds_for_axis(d, v, a * (1 + more)) <= seconds + 1e-9


@given(distances, speeds, accelerations, st.floats(0.0, 1.0))
@settings(deadline=None)
def test_the_way_out_is_the_way_back_mirrored_in_time(d: float, v: float, a: float, share: float) -> None:
    total = seconds_for_axis(d, v, a)
    out = course_at(d, v, a, share * total)[0]
    back = course_at(d, v, a, (1 - share) * total)[0]
    assert out + back == pytest.approx(d, abs=1e-6)


def test_before_its_start_an_axis_stands_and_after_its_end_it_is_there() -> None:
    assert course_at(-90.0, 60.0, 120.0, -1.0)[0] == 0.0
    assert course_at(-90.0, 60.0, 120.0, 99.0)[0] == -90.0
    assert course_at(-90.0, 60.0, 120.0, 1.0)[0] == pytest.approx(-45.0)  # half the way at half the time
