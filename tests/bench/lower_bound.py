"""The least jolt that a head allows at all, worked out apart from the planner.

What is assumed, each time in favour of the head, so that nothing can do better:

- one axis, driven at any step of its table (the unit's own speeds) with one order every 40 ms at most, ramping at the
  unit's own acceleration; between two steps it can be caught by the next order, and nowhere else;
- only rises count: no more than J within any 0.2 s. The way down is the way up seen backwards;
- whatever speed can be reached at some time on some way is taken to be had at that time on every way.

Then no move goes farther in T seconds than the integral of min(highest(t), highest(T - t)), and the least J with which
that is as far as the move has to go is the bound. `highest` is found by dynamic programming over the orders: a state
is the present speed with the lowest speeds of the last 1 to 5 orders, which is all that limits what may come next; of
two states with the same speed, one that is lower throughout is dropped. Below 4.8°/s of jolt (40 ms at 120°/s²) no
order can catch the head between two steps, and the programme comes down to one rise every 0.2 s. A speed that has not
been exceeded for 4 s is taken to be the highest there is.

Two axes that arrive within 0.15 s of each other both stop from their slowest step, or a faster one, within one window:
then the bound is no less than both first steps as a vector.
"""

from __future__ import annotations

from functools import lru_cache
from math import hypot

ORDER_SECONDS = 0.04
WINDOW_ORDERS = 5  # 0.2 s
STEADY_ORDERS = 100
FINE = 1.02  # between two values of J that are tried


@lru_cache(maxsize=4096)
def highest_speeds(speeds: tuple[float, ...], acceleration: float, jolt: float, orders: int) -> tuple[float, ...]:
    """Return the highest speed after 1, 2, ... `orders` orders that a jolt allows."""
    reach = acceleration * ORDER_SECONDS
    levels = (0.0, *speeds)
    jolt += 1e-9
    states: dict[float, list[tuple[float, ...]]] = {0.0: [(0.0,) * WINDOW_ORDERS]}
    highest: list[float] = []
    for _ in range(orders):
        following: dict[float, set[tuple[float, ...]]] = {}
        for speed, pasts in states.items():
            within = {level for level in levels if abs(level - speed) <= reach}
            if speed + reach < levels[-1]:
                within.add(round(speed + reach, 6))
            if speed - reach > 0.0:
                within.add(round(speed - reach, 6))
            for past in pasts:  # the lowest of the last 5, 4, ... 1 speeds, the present one included
                for after in within:
                    if after - past[0] <= jolt:
                        lows = (*(min(low, after) for low in past[1:]), after)
                        following.setdefault(after, set()).add(lows)
        states = {speed: _undominated(pasts) for speed, pasts in following.items()}
        highest.append(max(states))
        if highest[-1] >= levels[-1] or (len(highest) > STEADY_ORDERS and highest[-1] == highest[-STEADY_ORDERS]):
            break
    return tuple(highest) + (highest[-1],) * (orders - len(highest))


def _undominated(pasts: set[tuple[float, ...]]) -> list[tuple[float, ...]]:
    kept: list[tuple[float, ...]] = []
    for past in sorted(pasts, reverse=True):
        if not any(all(a >= b for a, b in zip(other, past, strict=True)) for other in kept):
            kept.append(past)
    return kept


def farthest(speeds: tuple[float, ...], acceleration: float, jolt: float, seconds: float) -> float:
    """Return how far a move of so many seconds gets at most with that jolt."""
    orders = int(seconds / ORDER_SECONDS) + 1
    highest = highest_speeds(speeds, acceleration, jolt, 520)
    return ORDER_SECONDS * sum(min(highest[tick], highest[orders - 1 - tick]) for tick in range(orders))


@lru_cache(maxsize=64)
def _jolts(speeds: tuple[float, ...], acceleration: float) -> tuple[float, ...]:
    """Values of J worth trying: all gaps of the table, and finely between."""
    levels = (0.0, *speeds)
    widest = WINDOW_ORDERS * ORDER_SECONDS * acceleration
    gaps = {round(upper - lower, 6) for lower in levels for upper in levels if 0.0 < upper - lower <= widest}
    fine = acceleration * ORDER_SECONDS
    while fine < widest:
        gaps.add(round(fine, 6))
        fine *= FINE
    return (*sorted(gap for gap in gaps if gap >= speeds[0]), widest)


def least_jolt(speeds: tuple[float, ...], acceleration: float, distance: float, seconds: float) -> float:
    """Return the bound for one axis, in the unit of its speeds; 0 for no way to go."""
    if not distance:
        return 0.0
    jolts = _jolts(speeds, acceleration)
    low, high = 0, len(jolts) - 1
    while low < high:
        middle = (low + high) // 2
        if farthest(speeds, acceleration, jolts[middle], seconds) >= abs(distance):
            high = middle
        else:
            low = middle + 1
    return jolts[low]


def least_jolt_of_two(
    pan: tuple[tuple[float, ...], float, float], tilt: tuple[tuple[float, ...], float, float], seconds: float
) -> float:
    """Return the bound for pan and tilt together, each (speeds, acceleration, distance), in degrees per second."""
    alone = max(least_jolt(*axis, seconds) for axis in (pan, tilt))
    if pan[2] and tilt[2]:
        return max(alone, hypot(pan[0][0], tilt[0][0]))
    return alone
