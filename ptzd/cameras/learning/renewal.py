"""What a head does with a new absolute order in mid-move: judged by its answers and by the way that it came.

Whoever brakes to rest and speeds up again loses v²/2a of way at either end, whatever the moment of rest is too short to
be seen by readings that come every few hundredths of a second; and somewhere the readings lie close together. A verdict
needs both witnesses. Where the range leaves no room for a speed at which they could be told apart, there is none.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from ptzd.motion import AxisModel, Reading, Renewal

from .trials import Axis

STRETCH_SECONDS = 0.2  # as long as a stop takes, and the way up again, at the pace of these trials
STOPPED_SHARE = 0.5  # of the way that stops would cost: from there on it did stop
PASSED_SHARE = 0.25  # up to there it did not
DIP_SHARE = 0.6  # of the way that one stop costs, lost within one stretch: from there on it is a dip
NO_DIP_SHARE = 0.4  # up to there it is none, but what wandering replies make of a steady way
IGNORED_SHARE = 0.6  # of the way that is gained by going on at the old step: from there on it did
OBEYED_SHARE = 0.3  # up to there it took the new one
LEAST_COUNTS = 4.0  # of way that stops cost in one trial, to be told at all
LEAST_SECONDS = 0.08  # the same, in seconds of travel: more than replies wander
CLEAR_TRIALS = 3  # of each axis that agree, for a verdict


@dataclass(frozen=True, slots=True)
class RenewalTrial:
    """One way on which the order was given anew again and again.

    Readings are in degrees in the direction of the way, at loop times. `orders` are (when it was acknowledged, at which
    step), the first one that of the start.
    """

    axis: Axis
    farther_on: bool  # each order to a place a little farther on; otherwise all to the same, at steps in turn
    readings: Sequence[Reading]
    orders: Sequence[tuple[float, int]]
    until: float  # loop time up to which it certainly was not braking for its target
    refused: bool
    landed: bool  # where the last order sent it


def agreed(
    trials: Sequence[RenewalTrial], models: Mapping[Axis, AxisModel], counts_per_degree: Mapping[Axis, float]
) -> Renewal:
    """Return what all trials say of each axis in `models`; "unknown" where they do not agree, or too few are clear."""
    found: set[Renewal] = set()
    for axis, model in models.items():
        verdicts = [verdict(trial, model, counts_per_degree[axis]) for trial in trials if trial.axis == axis]
        clear = [each for each in verdicts if each != "unknown"]
        if len(clear) < CLEAR_TRIALS:
            return "unknown"
        found.update(clear)
    return found.pop() if len(found) == 1 else "unknown"


def verdict(trial: RenewalTrial, model: AxisModel, counts_per_degree: float) -> Renewal:
    """Return what one trial says."""
    if trial.refused:
        return "refused"
    if not trial.landed:
        return "refused" if trial.farther_on else "unknown"
    if len(trial.orders) < 2 or not trial.readings:
        return "unknown"
    starting, braking = model.acceleration_deg_per_s2, model.deceleration_deg_per_s2
    speeds = [model.speed_deg_per_s(step) for _, step in trial.orders]
    changes = _changes(trial, speeds, model)
    begin, until = trial.orders[1][0], trial.until
    expected = _way(changes, begin, until)
    cost = sum(
        before * before / (2.0 * braking) + after * after / (2.0 * starting) for before, after in pairwise(speeds)
    )
    if cost * counts_per_degree < LEAST_COUNTS or cost < LEAST_SECONDS * expected / (until - begin):
        return "unknown"
    lost = expected - (_place(trial.readings, until) - _place(trial.readings, begin))
    if not trial.farther_on:
        gain = speeds[0] * (until - begin) - expected
        if gain * counts_per_degree < LEAST_COUNTS:
            return "unknown"
        if -lost > IGNORED_SHARE * gain:
            return "refused"
        if -lost > OBEYED_SHARE * gain:
            return "unknown"
    dip = _most_lost(trial.readings, changes, begin, until) * (len(speeds) - 1) / cost
    if lost > STOPPED_SHARE * cost and dip > DIP_SHARE:
        return "stops"
    return "smooth" if abs(lost) < PASSED_SHARE * cost and dip < NO_DIP_SHARE else "unknown"


def _changes(trial: RenewalTrial, speeds: Sequence[float], model: AxisModel) -> list[tuple[float, float]]:
    """From when on which speed holds, for a head that goes on smoothly: its ramps are cut in the middle."""
    before = [0.0, *speeds[:-1]]

    def ramp(earlier: float, after: float) -> float:
        acceleration = model.acceleration_deg_per_s2 if after > earlier else model.deceleration_deg_per_s2
        return abs(after - earlier) / (2.0 * acceleration)

    return [
        (at + ramp(earlier, after), after) for (at, _), earlier, after in zip(trial.orders, before, speeds, strict=True)
    ]


def _way(changes: Sequence[tuple[float, float]], begin: float, end: float) -> float:
    """The way between two moments at the speeds that hold."""
    ends = [at for at, _ in changes[1:]] + [float("inf")]
    return sum(
        speed * max(0.0, min(end, until) - max(begin, at)) for (at, speed), until in zip(changes, ends, strict=True)
    )


def _place(readings: Sequence[Reading], at: float) -> float:
    """Where it was, on a straight line between the readings before and after."""
    index = bisect_left(readings, at, key=lambda reading: reading.seconds)
    if index == 0 or index == len(readings):
        return readings[min(index, len(readings) - 1)].position
    before, after = readings[index - 1], readings[index]
    share = (at - before.seconds) / (after.seconds - before.seconds)
    return before.position + share * (after.position - before.position)


def _most_lost(
    readings: Sequence[Reading], changes: Sequence[tuple[float, float]], begin: float, until: float
) -> float:
    """The most way that was lost against what was expected, within a stretch about as long as a stop."""
    within = [reading for reading in readings if begin <= reading.seconds <= until]
    most = 0.0
    for index, first in enumerate(within):
        last = next((each for each in within[index:] if each.seconds >= first.seconds + STRETCH_SECONDS), None)
        if last is None:
            break
        most = max(most, _way(changes, first.seconds, last.seconds) - (last.position - first.position))
    return most
