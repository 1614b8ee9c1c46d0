"""How one axis travels: it speeds up, holds its top speed, slows down (the trapezoidal profile).

The formulas are those of any machine-design handbook. Distances are in degrees or counts, as long as speed and
acceleration are in the same. An axis always starts and ends at rest.
"""

from __future__ import annotations

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


def position_at(distance: float, top_speed: float, acceleration: float, seconds: float) -> float:
    """Return how far an axis has come, with the sign of `distance`, `seconds` after it started to move.

    Before the start it is 0, after the end the whole distance.
    """
    way = abs(distance)
    remaining = seconds_for_axis(way, top_speed, acceleration) - seconds
    if seconds <= 0.0:
        come = 0.0
    elif remaining <= 0.0:
        come = way
    else:
        peak = peak_speed(way, top_speed, acceleration)
        ramp_seconds = peak / acceleration
        if seconds < ramp_seconds:
            come = 0.5 * acceleration * seconds * seconds
        elif remaining < ramp_seconds:
            come = way - 0.5 * acceleration * remaining * remaining
        else:
            come = peak * (seconds - 0.5 * ramp_seconds)
    return copysign(come, distance)


def speed_at(distance: float, top_speed: float, acceleration: float, seconds: float) -> float:
    """Return how fast an axis is, with the sign of `distance`, `seconds` after it started to move."""
    remaining = seconds_for_axis(distance, top_speed, acceleration) - seconds
    ramp = acceleration * max(0.0, min(seconds, remaining))
    return copysign(min(ramp, peak_speed(distance, top_speed, acceleration)), distance)
