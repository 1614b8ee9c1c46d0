"""How one axis travels: it speeds up, holds its top speed, slows down (the trapezoidal profile).

The formulas are those of any machine-design handbook; a rounded ramp is one with a limited jerk. Distances are in
degrees or counts, as long as speed and acceleration are in the same. An axis always starts and ends at rest.
"""

from __future__ import annotations

from collections.abc import Callable
from math import copysign, sqrt


def seconds_for_axis(distance: float, top_speed: float, acceleration: float) -> float:
    """Return how long an axis travels over `distance`, whose sign does not matter.

    `top_speed` (per second) and `acceleration` (per second squared) must be above zero.
    A way too short to reach the top speed takes 2·sqrt(d/a), any other d/v + v/a.
    """
    way = abs(distance)
    if way * acceleration < top_speed * top_speed:
        return 2.0 * sqrt(way / acceleration)
    return way / top_speed + top_speed / acceleration


def peak_speed(distance: float, top_speed: float, acceleration: float) -> float:
    """Return the highest speed an axis reaches over `distance`: the top speed, or less on a short way."""
    return min(top_speed, sqrt(abs(distance) * acceleration))


def mean_acceleration(starting: float, braking: float) -> float:
    """Return the acceleration at which an axis would travel as long as it does at one for either end.

    From t = d/v + v/2a + v/2b for a long way and t = 2·sqrt(d·(1/a + 1/b)/2) for a short one.
    """
    return 2.0 * starting * braking / (starting + braking)


def course_at(
    distance: float,
    top_speed: float,
    acceleration: float,
    seconds: float,
    braking: float | None = None,
    s_share: float = 0.0,
) -> tuple[float, float]:
    """Return how far an axis has come and how fast it is, with the sign of `distance`, `seconds` after it set out.

    Before the start the way is 0, after the end the whole distance. `braking` is the deceleration, where that is
    another. `s_share` is the share of each ramp that is rounded, half of it at either end, in which the acceleration
    itself rises and falls at a constant rate: 0 for straight ramps, 1 for round ones. Rounded ramps last as long as
    straight ones and are as far: their accelerations are those on the average of a ramp.
    """
    way, speed = over(abs(distance), top_speed, acceleration, braking, s_share)(seconds)
    return copysign(way, distance), copysign(speed, distance)


def over(
    way: float, top_speed: float, starting: float, braking: float | None, s_share: float
) -> Callable[[float], tuple[float, float]]:
    """Return what tells, by the seconds since it started to move, how far an axis has come over a `way`, and how fast.

    The sums that are the same at every moment are done once. The rest is as above, the `way` more than 0.
    """
    slowing = starting if braking is None else braking
    mean = starting if slowing == starting else mean_acceleration(starting, slowing)
    whole, peak = seconds_for_axis(way, top_speed, mean), peak_speed(way, top_speed, mean)
    up, down = peak / starting, peak / slowing

    def at(seconds: float) -> tuple[float, float]:
        if seconds <= 0.0:
            return 0.0, 0.0
        remaining = whole - seconds
        if remaining <= 0.0:
            return way, 0.0
        if seconds < up:
            return _ramp(peak, starting, seconds, s_share)
        if remaining < down:
            left, speed = _ramp(peak, slowing, remaining, s_share)
            return way - left, speed
        return peak * (seconds - 0.5 * up), peak

    return at


def _ramp(peak: float, acceleration: float, seconds: float, s_share: float) -> tuple[float, float]:
    """How far and how fast on the way up from rest to a peak."""
    if s_share == 0.0:
        return 0.5 * acceleration * seconds * seconds, acceleration * seconds
    whole, end = peak / acceleration, 0.5 * s_share
    share = seconds / whole
    steepest = 1.0 / (1.0 - end)
    if share < end:
        way, speed = share**3 / (6.0 * end), share * share / (2.0 * end)
    elif share <= 1.0 - end:
        way, speed = end * end / 6.0 + share * (share - end) / 2.0, share - end / 2.0
    else:
        left = 1.0 - share
        way = 0.5 / steepest - left / steepest + left**3 / (6.0 * end)
        speed = 1.0 / steepest - left * left / (2.0 * end)
    return peak * whole * steepest * way, peak * steepest * speed
