"""One motor: it is where the trapezoidal formula says, when it says, whatever it is told on the way.

`t = d/v + v/a` where the distance is at least `v²/a`, else `2·sqrt(d/a)`: the trapezoidal profile of any
machine-design handbook. 90° at 60°/s and 120°/s² is 2.000 s, 12° is 0.632 s.
"""

from __future__ import annotations

import math
import random

import pytest
import ruckig
from ptzsim.axis import Axis, sweep_speed

A = 120.0  # degrees per second squared, of the example above


def handbook_seconds(distance: float, top_speed: float, acceleration: float) -> float:
    if distance >= top_speed**2 / acceleration:
        return distance / top_speed + top_speed / acceleration
    return 2 * math.sqrt(distance / acceleration)


def axis(position: float = 0.0, acceleration: float = A) -> Axis:
    return Axis(position, -170.0, 170.0, acceleration)


@pytest.mark.parametrize(("target", "seconds"), [(90.0, 2.000), (-90.0, 2.000), (12.0, 0.632), (-12.0, 0.632)])
def test_the_handbooks_examples_take_what_the_handbook_says(target: float, seconds: float) -> None:
    pan = axis()
    pan.go(0.0, target, 60.0)
    assert pan.ends_at == pytest.approx(seconds, abs=0.0005)
    assert pan.position(seconds + 1.0) == target


def test_any_move_from_rest_takes_the_handbooks_time_and_ends_where_it_was_sent() -> None:
    rng = random.Random(1)
    for _ in range(500):
        start, target = rng.uniform(-170, 170), rng.uniform(-170, 170)
        top_speed, acceleration = rng.uniform(0.3, 120), rng.uniform(20, 400)
        pan = axis(start, acceleration)
        pan.go(7.0, target, top_speed)
        wanted = handbook_seconds(abs(target - start), top_speed, acceleration)
        assert pan.ends_at - 7.0 == pytest.approx(wanted, rel=1e-9, abs=1e-6)
        assert pan.position(pan.ends_at) == target
        assert pan.velocity(pan.ends_at) == 0.0


def test_in_mid_move_it_is_on_the_way_at_the_speed_asked_for() -> None:
    pan = axis()
    pan.go(0.0, 90.0, 60.0)
    # 0.5 s to reach 60°/s at 120°/s², over 15°; then 1 s at 60°/s; then 15° of slowing down.
    assert pan.position(0.25) == pytest.approx(0.5 * 120 * 0.25**2)
    assert pan.velocity(0.25) == pytest.approx(30.0)
    assert pan.position(0.5) == pytest.approx(15.0)
    assert pan.position(1.0) == pytest.approx(45.0)
    assert pan.velocity(1.0) == pytest.approx(60.0)
    assert pan.position(1.5) == pytest.approx(75.0)
    assert pan.position(1.75) == pytest.approx(90.0 - 0.5 * 120 * 0.25**2)


def test_asking_where_it_is_changes_nothing_and_any_moment_may_be_asked_for() -> None:
    pan = axis()
    pan.go(0.0, 90.0, 60.0)
    first = [pan.position(at / 10) for at in range(30)]
    again = [pan.position(at / 10) for at in reversed(range(30))]
    assert first == again[::-1]


def test_a_stop_takes_the_motors_own_deceleration_and_no_longer() -> None:
    pan = axis()
    pan.go(0.0, 90.0, 60.0)
    pan.stop(1.0)
    assert pan.ends_at == pytest.approx(1.0 + 60 / 120)  # v/a
    assert pan.position(9.0) == pytest.approx(45.0 + 60**2 / (2 * 120))  # v²/2a further on
    assert not pan.moving(1.5) and pan.moving(1.49)


def test_a_stop_at_rest_leaves_it_where_it_is() -> None:
    pan = axis(12.5)
    pan.stop(3.0)
    assert not pan.moving(3.0)
    assert pan.position(4.0) == 12.5


def test_told_to_turn_back_in_full_flight_it_slows_down_first_and_then_comes_back() -> None:
    pan = axis()
    pan.go(0.0, 90.0, 60.0)
    pan.go(1.0, 0.0, 60.0)  # at 45° and 60°/s
    # 0.5 s to halt at 60°, then 60° back from rest: 60/60 + 60/120.
    assert pan.position(1.5) == pytest.approx(60.0)
    assert pan.ends_at == pytest.approx(1.0 + 0.5 + 1.5)
    assert pan.position(pan.ends_at) == 0.0


def test_told_to_go_slower_in_full_flight_it_slows_down_to_the_new_speed_and_goes_on() -> None:
    pan = axis()
    pan.go(0.0, 90.0, 60.0)
    pan.go(1.0, 90.0, 12.0)
    assert pan.velocity(1.0 + 48 / 120) == pytest.approx(12.0)
    assert pan.velocity(2.5) == pytest.approx(12.0)
    assert pan.position(pan.ends_at) == 90.0


def test_a_target_too_near_to_stop_at_is_overrun_and_come_back_to() -> None:
    pan = axis()
    pan.go(0.0, 90.0, 60.0)
    pan.go(1.0, 46.0, 60.0)  # 1° ahead; it needs 15° to halt
    assert pan.position(1.5) == pytest.approx(60.0)
    assert pan.ends_at == pytest.approx(1.5 + handbook_seconds(14.0, 60.0, 120.0))
    assert pan.position(pan.ends_at) == 46.0


def test_whatever_it_is_told_it_never_jumps_nor_passes_an_end() -> None:
    rng = random.Random(2)
    for _ in range(60):
        pan = axis(rng.uniform(-170, 170))
        now = 0.0
        for _ in range(12):
            order = rng.choice(("go", "go", "go", "stop", "soften"))
            if order == "go":
                pan.go(now, rng.uniform(-250, 250), rng.uniform(0.3, 120))
            elif order == "stop":
                pan.stop(now)
            else:
                pan.acceleration = rng.uniform(30, A)
            span = rng.uniform(0.0, 2.0)
            for _ in range(40):
                step = span / 40
                before, speed = pan.position(now), pan.velocity(now)
                now += step
                assert abs(pan.position(now) - before) <= 120 * step + 1e-9
                assert abs(pan.velocity(now) - speed) <= A * step + 1e-6
                assert -170.0 - 1e-9 <= pan.position(now) <= 170.0 + 1e-9


def test_a_softer_ramp_holds_from_the_next_rest_on() -> None:
    pan = axis()
    pan.go(0.0, 90.0, 60.0)
    pan.acceleration = A / 2
    pan.stop(1.0)
    assert pan.ends_at == pytest.approx(1.5)
    pan.go(2.0, 0.0, 60.0)
    assert pan.ends_at - 2.0 == pytest.approx(handbook_seconds(60.0, 60.0, A / 2))


def test_it_remembers_how_it_came_to_rest_until_it_rests_anew() -> None:
    pan = axis()
    assert pan.last_stop(0.0) is None
    pan.go(0.0, 90.0, 60.0)
    assert pan.last_stop(1.0) is None
    stop = pan.last_stop(2.0)
    assert stop is not None
    assert (stop.at, stop.direction, stop.speed, stop.deceleration) == pytest.approx((2.0, 1, 60.0, 120.0))
    pan.go(2.1, 80.0, 60.0)
    assert pan.last_stop(2.2) == stop
    later = pan.last_stop(10.0)
    assert later is not None and later.direction == -1


def test_a_sweep_over_several_stops_takes_the_time_it_was_given() -> None:
    # 1 × 90°, 2 × 170°, home again: 90 + 340 + 170 = 600° and three halts in 25 s.
    pan = axis(-80.0)
    speed = sweep_speed(600.0, 3, 25.0, A)
    pan.visit(0.0, [(-170.0, speed), (170.0, speed), (0.0, speed)])
    assert pan.ends_at == pytest.approx(25.0)
    places = [pan.position(at / 100) for at in range(2501)]
    assert min(places) == pytest.approx(-170.0, abs=0.01)
    assert max(places) == pytest.approx(170.0, abs=0.01)
    assert places[-1] == pytest.approx(0.0, abs=1e-6)


def test_a_sweep_that_cannot_be_made_in_time_is_made_as_fast_as_can_be() -> None:
    speed = sweep_speed(600.0, 3, 1.0, A)
    assert speed == pytest.approx(math.sqrt(A * 200.0))


@pytest.mark.parametrize("s_ramps", [False, True])
def test_a_motor_that_brakes_otherwise_than_it_starts_takes_as_long_as_ruckig_says(s_ramps: bool) -> None:
    """From rest and from full flight. An S-shaped ramp takes as long as a straight one of the same acceleration."""
    rng = random.Random(3)
    for _ in range(200):
        acceleration, braking = rng.uniform(30.0, 200.0), rng.uniform(0.5, 2.0)
        start, target, top_speed = rng.uniform(-80.0, 80.0), rng.uniform(-80.0, 80.0), rng.uniform(1.0, 120.0)
        pan = Axis(start, -170.0, 170.0, acceleration, braking=braking, s_ramps=s_ramps)
        pan.go(0.0, target, top_speed)
        way = 1.0 if target > start else -1.0
        wanted = ruckig.InputParameter(1)
        wanted.current_position, wanted.target_position = [way * start], [way * target]
        wanted.max_velocity, wanted.max_jerk = [top_speed], [1e9]
        wanted.max_acceleration, wanted.min_acceleration = [acceleration], [-braking * acceleration]
        trajectory = ruckig.Trajectory(1)
        assert ruckig.Ruckig(1).calculate(wanted, trajectory) >= 0
        assert pan.ends_at == pytest.approx(trajectory.duration, rel=1e-4, abs=1e-4)
        turned_at = rng.uniform(0.0, pan.ends_at)
        here, speed, back = pan.position(turned_at), pan.velocity(turned_at), rng.uniform(-80.0, 80.0)
        pan.go(turned_at, back, top_speed)
        assert (pan.position(turned_at), pan.velocity(turned_at)) == pytest.approx((here, speed))
        assert pan.position(pan.ends_at) == back
        if (back - here) * way < speed * speed / (2 * braking * acceleration):
            continue  # it has to turn round, where ruckig's two limits change places
        wanted.current_position, wanted.current_velocity, wanted.target_position = (
            [way * here], [way * speed], [way * back]
        )  # fmt: skip
        if s_ramps or ruckig.Ruckig(1).calculate(wanted, trajectory) < 0:
            continue
        assert pan.ends_at - turned_at == pytest.approx(trajectory.duration, rel=1e-4, abs=1e-4)


def test_an_s_shaped_ramp_has_no_corner_and_goes_as_far_as_its_speed_says() -> None:
    pan = Axis(0.0, -170.0, 170.0, A, braking=0.6, s_ramps=True)
    pan.go(0.0, 90.0, 60.0)
    step, gone, before = 1e-4, 0.0, 0.0
    for tick in range(round(pan.ends_at / step)):
        speed = pan.velocity(tick * step)
        assert abs(speed - before) <= 1.5 * A * step * 1.01  # the steepest of 3τ² − 2τ³ is 1.5
        gone, before = gone + speed * step, speed
    assert gone == pytest.approx(90.0, abs=0.01)
    assert pan.velocity(0.05) < 0.5 * A * 0.05  # a straight ramp would be twice as fast by then
