"""Ways up and down through a table of speeds: what a shaped move is made of.

A driven axis knows a few speeds only. Its ramp from one to the next is over within a few hundredths of a second, so
that to a viewer every change of step is a small jolt of the size of the gap, and changes within `WINDOW_SECONDS`
add up to one. The least jolt is had by one gap at a time, through speeds whose largest gap is least.

A `Staircase` names the rungs from the first step to the cruising speed and at what times, in dwells, each is taken;
going down mirrors going up. Rung i, which adds the gap g_i, is held from `begins[i]` dwells after the start until
`begins[i]` dwells before the end, so that with a dwell of w seconds a move of T seconds covers

    sum over i of g_i · (T - 2 · w · begins[i])  =  top · T - 2 · w · lag

which is solved for w, exactly, whatever distance and time are asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

WINDOW_SECONDS = 0.2  # changes of speed closer together than this are seen as one
DWELL_SECONDS = 0.21  # the shortest time on a rung: the window, and what latency may wander meanwhile
FINEST_SHARE = 0.35  # of the slowest step: the finest gap that is tried
FINER = 1.15  # between two gaps that are tried
RIDE_SHARE = 2.5  # how much longer than others a rung is held, at most, that lies beside a large gap


@dataclass(frozen=True, slots=True)
class Staircase:
    """Rungs from the first step, from which it also stops, to the cruising step."""

    steps: tuple[int, ...]  # numbers in the table, from 1
    speeds: tuple[float, ...]
    begins: tuple[float, ...]  # in dwells after the start; `begins[0]` is 0
    lag: float  # sum of gap times `begins`: what each dwell takes away on either side
    largest_gap: float
    top: float  # the cruising speed, which is the last of `speeds`

    def gaps(self) -> list[float]:
        """Return the gap below each rung."""
        return [upper - lower for lower, upper in pairwise((0.0, *self.speeds))]

    def dwell_seconds(self, distance: float, seconds: float) -> float:
        """Return the dwell that covers `distance` in `seconds`; negative where it can't. Not for a single rung."""
        return (self.top * seconds - distance) / (2.0 * self.lag)

    def farthest(self, seconds: float) -> float:
        """Return how far it goes in `seconds` at most: with the shortest dwells. Below 0 where it has no time."""
        if seconds < 2.0 * self.begins[-1] * DWELL_SECONDS:
            return -1.0
        return self.top * seconds - 2.0 * DWELL_SECONDS * self.lag

    def quickest(self, distance: float) -> float:
        """Return the least seconds for `distance`."""
        least = 2.0 * self.begins[-1] * DWELL_SECONDS
        return max(least, (distance + 2.0 * DWELL_SECONDS * self.lag) / self.top)


@lru_cache(maxsize=256)
def staircases(
    speeds: tuple[float, ...], widest_gap: float, grain: float, slowest_first: bool = False
) -> tuple[Staircase, ...]:
    """Return the ways up to each step of a table (rising, above zero), coarse and fine, by rising largest gap.

    `widest_gap` is what the axis gains within the window: wider gaps than that are no jolt any more but a ramp.
    `grain` is how exactly it is known where the axis is, in its unit. With `slowest_first` those alone that set out and
    stop at the slowest step.
    """
    if slowest_first:
        return tuple(way for way in staircases(speeds, widest_gap, grain) if way.steps[0] == 1)
    found: dict[tuple[int, ...], Staircase] = {}
    for gap in gaps_to_try(speeds[0], widest_gap):
        for steps in (*_ways(speeds, gap, 0), *_ways(speeds, gap, 1)):
            if steps not in found:
                found[steps] = _staircase(speeds, steps, gap, widest_gap / WINDOW_SECONDS, grain)
    return tuple(sorted(found.values(), key=lambda way: (way.largest_gap, way.top, len(way.steps))))


@lru_cache(maxsize=64)
def gaps_to_try(slowest: float, widest: float) -> tuple[float, ...]:
    """Return gaps between rungs that are worth trying on a table, finest first, up to the widest."""
    gaps = [FINEST_SHARE * slowest]
    while gaps[-1] < widest:
        gaps.append(min(widest, gaps[-1] * FINER))
    return tuple(gaps)


def _ways(speeds: tuple[float, ...], gap: float, base: int) -> list[tuple[int, ...]]:
    """To each step by the fewest rungs that lie no more than `gap` apart, or next to each other in the table.

    `base` is the step from which they count: 0 for the ground, 1 for a way that sets out and stops at the slowest step.
    """
    levels = (0.0, *speeds)
    ways: list[tuple[int, ...]] = [(1,)] if base else []
    rungs = [base]
    for top in range(base + 1, len(levels)):
        # The last rung from which the new top is within the gap; below it nothing changes.
        while len(rungs) > 1 and levels[top] - levels[rungs[-2]] <= gap + 1e-9:
            rungs.pop()
        rungs.append(top)
        ways.append(tuple(rungs if base else rungs[1:]))
    return ways


def _staircase(
    speeds: tuple[float, ...], steps: tuple[int, ...], gap: float, acceleration: float, grain: float
) -> Staircase:
    rungs = (0.0, *(speeds[step - 1] for step in steps))
    gaps = [upper - lower for lower, upper in pairwise(rungs)]
    # Around a gap that is larger than the others the curve rises no faster: its rungs are held longer.
    begins = [0.0]
    for below, above in pairwise(gaps):
        dwells = held(below, above, gap)
        begins.append(
            begins[-1] + (dwells if begins[-1] else max(dwells, first_held(below, below / acceleration, grain)))
        )
    return staircase(speeds, steps, tuple(begins))


def held(below: float, above: float, gap: float) -> float:
    """Return for how many dwells a rung between two gaps is held, of a way whose usual gap is `gap`."""
    return min(RIDE_SHARE, max(1.0, (below + above) / (2.0 * gap)))


def first_held(speed: float, stopping_seconds: float, grain: float) -> float:
    """Return for how many dwells the first rung is held, which is the last one too, at least.

    From it the axis stops by itself, where its target is, and begins to do so before its end; and where it is, is known
    to a grain.
    """
    return 1.0 + (grain / speed + stopping_seconds) / DWELL_SECONDS


def staircase(speeds: tuple[float, ...], steps: tuple[int, ...], begins: tuple[float, ...]) -> Staircase:
    """Return the staircase over some steps of a table, with the times in dwells at which each is taken."""
    rungs: list[float] = []
    before = lag = largest = 0.0
    for step, begin in zip(steps, begins, strict=True):
        speed = speeds[step - 1]
        gap = speed - before
        lag += gap * begin
        largest = max(largest, gap)
        rungs.append(speed)
        before = speed
    return Staircase(steps, tuple(rungs), begins, lag, largest, before)
