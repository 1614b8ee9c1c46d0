"""The least jolt with which a head can make a move at all, worked out apart from the planner.

What is assumed, each time in favour of the head, so that nothing can do better:

- each axis is driven at the steps of its table (the unit's own speeds) and ramps between them at its own acceleration;
  it sets out at once and needs no time for its orders;
- its speed rises, and then it falls. To catch a head again and again between two steps would hold it in between, but
  orders 40 ms apart would shake the picture a dozen times a second: nobody would call that smooth;
- only rises count: no more than J within any 0.2 s. The way down is the way up seen backwards.

For one axis, whatever speed can be reached at some time on some way is taken to be had at that time on every way.
Level b can be reached W = 0.2 s after speed b - J at the earliest. So no move goes farther in T seconds than the
integral of min(highest(t), highest(T - t)).

Two axes share the jolt: the change of both within any window, as a vector, is no more than J. Speeds may be taken to
change at once, in the middle of each ramp; then whatever adds up to more than J lies at least W less J / acceleration
apart. So the speeds of both axes that far apart, at whatever moment one begins to look, are a walk over the pairs of
steps of both tables, from rest to rest, with no stride longer than J. The way of both axes, each given some weight, is
then no longer than the heaviest such walk, found by dynamic programming over the pairs; J is too small for a move if
for any of several weights that walk is too short. Two axes that arrive within 0.15 s of each other also stop within one
window, each from its slowest step or a faster one: J is no less than both as a vector.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf, sqrt

import numpy as np
import numpy.typing as npt

WINDOW_SECONDS = 0.2
ROUNDING = 1e-5  # of speeds, in degrees per second
FINE = 1.005  # how near the bound is found, from below
TIMES = 2000  # for which the highest speed is worked out
_DIRECTIONS = np.linspace(0.0, np.pi / 2.0, 9)[1:-1]
WEIGHTS = np.stack((np.cos(_DIRECTIONS), np.sin(_DIRECTIONS)))  # of the ways of pan and tilt, both taken as 1

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class AxisMove:
    """One axis of a move: its steps in degrees per second, its acceleration, and its way in degrees."""

    speeds: tuple[float, ...]
    acceleration: float
    distance: float


def least_jolt(axes: list[AxisMove], seconds: float) -> float:
    """Return the bound for one axis or two, in degrees per second; 0 where none has a way to go.

    A move that is too far for any jolt has the bound of what an axis gains within the window.
    """
    moving = [axis for axis in axes if axis.distance]
    if not moving:
        return 0.0
    impossible = hypot(*(axis.speeds[0] for axis in moving))
    if _may_get_there(moving, impossible, seconds):
        return impossible
    possible = max(WINDOW_SECONDS * max(axis.acceleration for axis in moving), impossible * FINE)
    while possible / impossible > FINE:
        middle = sqrt(impossible * possible)
        if _may_get_there(moving, middle, seconds):
            possible = middle
        else:
            impossible = middle
    return impossible


def _may_get_there(moving: list[AxisMove], jolt: float, seconds: float) -> bool:
    if any(farthest(axis, jolt, seconds) < abs(axis.distance) for axis in moving):
        return False
    return len(moving) == 1 or _two_may_get_there(moving, jolt, seconds)


def farthest(axis: AxisMove, jolt: float, seconds: float) -> float:
    """Return how far one axis gets at most, in degrees."""
    half = np.linspace(0.0, seconds / 2.0, TIMES)
    return 2.0 * float(np.trapezoid(highest_speeds(axis, jolt, half), half))


def highest_speeds(axis: AxisMove, jolt: float, seconds: Floats) -> Floats:
    """Return the highest speeds that one axis can have at some times after it set out."""
    highest = np.zeros_like(seconds)
    reached: list[tuple[float, float]] = []  # each step's speed, and when it is reached at the earliest
    for speed in axis.speeds:
        before = speed - jolt - ROUNDING
        if before <= 0.0:
            at = speed / axis.acceleration
        else:
            passed = (when - (level - before) / axis.acceleration for level, when in reached if level >= before)
            at = WINDOW_SECONDS + min(passed, default=inf)
        if at == inf:
            break
        reached.append((speed, at))
        highest = np.maximum(highest, np.minimum(speed, speed - axis.acceleration * (at - seconds)))
    return highest


def _two_may_get_there(axes: list[AxisMove], jolt: float, seconds: float) -> bool:
    """Whether no weight of the two ways says that they are too far."""
    window = WINDOW_SECONDS - jolt / min(axis.acceleration for axis in axes)
    if window <= 0.0:
        return True
    looks = int(seconds / window)  # at one moment or another there is one more
    more = seconds / window - looks
    walks = _heaviest_walks(axes, jolt, (looks + 2) // 2)
    way, longer = (walks[(count + 1) // 2] + walks[count // 2] for count in (looks, looks + 1))
    return bool((window * ((1.0 - more) * way + more * longer) >= WEIGHTS.sum(axis=0)).all())


def _heaviest_walks(axes: list[AxisMove], jolt: float, most: int) -> Floats:
    """Return, for walks of 0 to `most` speeds from rest, the largest sums of them, one for each weight."""
    levels = [np.array([0.0, *(speed for speed in axis.speeds if speed <= jolt * most)]) for axis in axes]
    pairs = np.stack(np.meshgrid(*levels, indexing="ij"), axis=-1).reshape(-1, 2)
    strides = np.hypot(*np.moveaxis(pairs[:, None] - pairs[None, :], -1, 0))
    # Each pair in turn, and those within a stride of it, among which it is itself.
    pair, neighbour = np.nonzero(strides <= jolt + ROUNDING)
    begins = np.searchsorted(pair, np.arange(len(pairs)))
    gains = (pairs / np.abs([axis.distance for axis in axes])) @ WEIGHTS
    sums = np.full((len(pairs), WEIGHTS.shape[1]), -np.inf)
    sums[0] = 0.0
    heaviest = [np.zeros(WEIGHTS.shape[1])]
    for _ in range(most):
        sums = np.maximum.reduceat(sums[neighbour], begins, axis=0) + gains
        heaviest.append(sums.max(axis=0))
    return np.array(heaviest)
