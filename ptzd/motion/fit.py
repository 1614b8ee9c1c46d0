"""What measurements say of a head: speeds, accelerations, delays and swings, each with how far to trust it.

Everything here takes lists of readings and returns figures; who drove the head, and how, is no matter of this module.
Positions are in degrees or counts, speeds and accelerations in the same; seconds count from any moment that the
readings of one call share. A reading comes in whole counts, so it is off by half a count even where nothing else is.

A measurement may be spoiled: a packet lost on the way makes it late. So every fit first looks for what most readings
agree on, and leaves out what lies far from it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import exp, hypot, log, sqrt
from statistics import fmean, median

from .profile import over, seconds_for_axis

NORMAL_MAD = 1.4826  # a standard deviation, in median absolute deviations of what is normally distributed
FAR = 4.0  # deviations from the rest, beyond which a measurement is left out
LEAST_ACCELERATION, MOST_ACCELERATION = 1.0, 1e7  # units per second squared; degrees and lens counts alike
WANDERING_SECONDS = 0.008  # by so much delays differ on a network and a camera where nothing was lost
SHAPES_SOUGHT = 8  # the fastest ways tell most of the ramps
LEAST_ON_RAMPS, MOST_ON_RAMPS = 12, 24  # readings: in all, of one way
READ_SECONDS = 0.002  # by so much the moments of readings differ
SHAPE_SHOWS = 0.7  # of the misfit of straight ramps alike: a shape of their own explains the readings that much better
GOLDEN = (sqrt(5.0) - 1.0) / 2.0


class FitError(ValueError):
    """Too few readings, or readings that no head can give, with a sentence."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured figure; `spread` is one standard deviation, relative to it (0.01 is 1 %)."""

    value: float
    spread: float


@dataclass(frozen=True, slots=True)
class Reading:
    """Where an axis was at a moment."""

    seconds: float
    position: float


@dataclass(frozen=True, slots=True)
class Trip:
    """One way from rest to rest, and the seconds until it was reported to have ended."""

    distance: float
    top_speed: float
    seconds: float


@dataclass(frozen=True, slots=True)
class RampFit:
    """How an axis accelerates. `delay_seconds` is what every trip takes beyond its travel; its spread is in seconds."""

    acceleration: Figure
    delay_seconds: float
    delay_deviation_seconds: float


@dataclass(frozen=True, slots=True)
class Ride:
    """One way from rest to rest, read as it went. Readings are ways, above 0.

    At `offset_seconds` a straight line through its steady part is at the place from which it set out.
    """

    distance: float
    speed: float
    offset_seconds: float
    readings: Sequence[Reading]


@dataclass(frozen=True, slots=True)
class ShapeFit:
    """How an axis starts and brakes, whose ways take as long as with one acceleration for both: see `AxisModel`."""

    acceleration: float
    braking: float | None
    s_share: float


@dataclass(frozen=True, slots=True)
class LensFit:
    """The one speed of a lens motor and how it gets there."""

    speed: Figure
    acceleration: Figure


def fit_line(readings: Sequence[Reading]) -> tuple[Figure, float]:
    """Return the speed of steady travel, that of the line through the readings, and when that line is at 0.

    Raises FitError for fewer than 5.
    """
    if len(readings) < 5:
        raise FitError(f"a speed needs 5 readings at least, not {len(readings)}")
    kept = list(readings)
    while True:
        slope, offset, deviation = _line([(each.seconds, each.position) for each in kept])
        off = [abs(each.position - offset - slope * each.seconds) for each in kept]
        limit = FAR * max(NORMAL_MAD * median(off), 0.5)
        near = [each for each, by in zip(kept, off, strict=True) if by <= limit]
        if len(near) == len(kept) or len(near) < 5:
            break
        kept = near
    if slope == 0.0:
        raise FitError("these readings do not move")
    return Figure(abs(slope), deviation / abs(slope)), -offset / slope


def fit_speed(readings: Sequence[Reading]) -> Figure:
    """Return the speed of steady travel. Raises FitError for fewer than 5 readings."""
    return fit_line(readings)[0]


def steady(
    readings: Sequence[Reading], distance: float, from_start: float, from_end: float | None = None
) -> list[Reading]:
    """Return those readings of a way of `distance` (from position 0) that lie so far, or farther, from its ends.

    Without `from_end` both are meant.
    """
    way = abs(distance)
    from_end = from_start if from_end is None else from_end
    return [each for each in readings if from_start <= abs(each.position) <= way - from_end]


def fit_shape(rides: Sequence[Ride], mean: float) -> ShapeFit:
    """Return how an axis starts and brakes, and how round its ramps are, told by where it was on them.

    `mean` is the acceleration that explains how long its ways take. Where the readings on the ramps are too few, or say
    nothing against straight ramps at that acceleration, these are taken.
    """
    ramps = [(ride, _on_ramps(ride, mean)) for ride in rides]
    ramps = sorted((each for each in ramps if each[1]), key=lambda each: -each[0].speed)[:SHAPES_SOUGHT]
    plain = ShapeFit(mean, None, 0.0)
    if sum(len(readings) for _, readings in ramps) < LEAST_ON_RAMPS:
        return plain

    def misfit(ratio: float, s_share: float) -> float:
        starting = mean * (1.0 + ratio) / (2.0 * ratio)
        off = 0.0
        for ride, readings in ramps:
            begins = ride.offset_seconds - 0.5 * ride.speed / starting
            come = over(ride.distance, ride.speed, starting, ratio * starting, s_share)
            for each in readings:
                off += hypot((each.position - come(each.seconds - begins)[0]) / ride.speed, READ_SECONDS) - READ_SECONDS
        return off

    def best_ratio(s_share: float) -> float:
        return _least(lambda ratio: misfit(ratio, s_share), 0.25, 4.0, steps=12, within=0.01)

    tried = [(best_ratio(s_share), s_share) for s_share in (0.0, 0.3, 0.6, 1.0)]
    ratio, s_share = min(tried, key=lambda each: misfit(*each))
    shares = [min(1.0, max(0.0, s_share + by)) for by in (-0.2, -0.1, 0.0, 0.1, 0.2)]
    s_share = min(shares, key=lambda each: misfit(ratio, each))
    ratio = best_ratio(s_share)
    if misfit(ratio, s_share) > SHAPE_SHOWS * misfit(1.0, 0.0):
        return plain
    starting = mean * (1.0 + ratio) / (2.0 * ratio)
    return ShapeFit(starting, ratio * starting, s_share)


def fit_ride(ride: Ride, shape: ShapeFit) -> Figure:
    """Return the speed of a way that was steady for too short a time to see it, told by all its readings.

    `ride` is as fast as is guessed; its offset is not looked at. Raises FitError for fewer than 5 readings.
    """
    if len(ride.readings) < 5:
        raise FitError(f"a speed needs 5 readings at least, not {len(ride.readings)}")
    braking = shape.acceleration if shape.braking is None else shape.braking

    def rests(speed: float) -> list[float]:
        begins = ride.readings[0].seconds
        come = over(ride.distance, speed, shape.acceleration, braking, shape.s_share)
        for _ in range(4):  # it began when the readings are late by nothing, on the whole
            late = []
            for each in ride.readings:
                way, fast = come(each.seconds - begins)
                if 0.0 < way < ride.distance:
                    late.append((way - each.position) / max(fast, 0.1 * speed))
            if len(late) < 5:
                raise FitError(f"a speed needs 5 readings at least, not {len(late)}")
            begins += median(late)
        return late

    def misfit(speed: float) -> float:
        off = rests(speed)
        return sum(hypot(each, READ_SECONDS) for each in off) / len(off)

    speed = _least(misfit, 0.9 * ride.speed, 1.1 * ride.speed, steps=10, within=1e-4)
    best = misfit(speed)
    nudge = 0.02
    # By how much the misfit grows where the speed is off by a fiftieth tells how well it is known.
    slope = (0.5 * (misfit(speed * (1 + nudge)) + misfit(speed * (1 - nudge))) - best) / nudge**2
    if slope <= 0.0:
        raise FitError("these readings do not tell a speed")
    return Figure(speed, sqrt(best / slope / len(ride.readings)))


def _on_ramps(ride: Ride, mean: float) -> list[Reading]:
    """The readings at either end of a way, well off rest and off steady travel even where it brakes as it likes."""
    ramp = ride.speed * ride.speed / mean
    if ramp > ride.distance:
        return []
    near = [each for each in ride.readings if 0.0 < each.position < ramp or ride.distance - ramp < each.position]
    return [each for each in near if 0.0 < each.position < ride.distance][:: max(1, len(near) // MOST_ON_RAMPS)]


def fit_ramp(trips: Sequence[Trip]) -> RampFit:
    """Return the acceleration that explains best how long trips of several distances took.

    Every trip takes the same delay beside its travel. Short trips tell most: 2·sqrt(d/a) at any speed. Raises FitError
    for fewer than 4 trips, or distances that are all alike.
    """
    if len(trips) < 4:
        raise FitError(f"an acceleration needs 4 trips at least, not {len(trips)}")
    longest, shortest = max(abs(trip.distance) for trip in trips), min(abs(trip.distance) for trip in trips)
    if longest < 1.5 * shortest:
        raise FitError("an acceleration needs trips of different lengths")
    kept = list(trips)
    while True:
        acceleration = _least(partial(_scatter, tuple(kept)), LEAST_ACCELERATION, MOST_ACCELERATION)
        rests = _rests(kept, acceleration)
        middle = median(rests)
        limit = FAR * max(NORMAL_MAD * median(abs(rest - middle) for rest in rests), WANDERING_SECONDS)
        near = [trip for trip, rest in zip(kept, rests, strict=True) if abs(rest - middle) <= limit]
        if len(near) == len(kept) or len(near) < 4:
            break
        kept = near
    rests = _rests(kept, acceleration)
    delay = fmean(rests)
    deviation = sqrt(sum((rest - delay) ** 2 for rest in rests) / (len(rests) - 2))
    # How strongly each trip depends on the acceleration, in seconds for a doubling by e.
    nudge = 1e-3
    pulls = [
        (one - other) / (2 * nudge)
        for one, other in zip(
            _rests(kept, acceleration * exp(nudge)), _rests(kept, acceleration * exp(-nudge)), strict=True
        )
    ]
    middle = fmean(pulls)
    leverage = sqrt(sum((pull - middle) ** 2 for pull in pulls))
    if leverage == 0.0:
        raise FitError("an acceleration needs trips of different lengths")
    return RampFit(Figure(acceleration, deviation / leverage), delay, deviation)


def speed_from_trip(distance: float, travel_seconds: float, acceleration: float) -> float | None:
    """Return the top speed of a trip that took so long, or None where it was too short to reach one.

    From t = d/v + v/a, solved for the smaller v.
    """
    root = travel_seconds**2 - 4.0 * abs(distance) / acceleration
    if root <= 0.0:
        return None
    return 0.5 * acceleration * (travel_seconds - sqrt(root))


def fit_lens(trips: Sequence[tuple[float, float]], delay_seconds: float) -> LensFit:
    """Return speed and acceleration of a lens motor from (counts, seconds) of ways long enough to reach its speed.

    `delay_seconds` is what an order takes beside the travel. Raises FitError for fewer than 4 trips.
    """
    if len(trips) < 4:
        raise FitError(f"a lens needs 4 trips at least, not {len(trips)}")
    ways = [(abs(counts), seconds) for counts, seconds in trips]
    # The longest way pulls a line of least squares to itself: most pairs agree though one of them was late.
    pairs = [(more - less, later - sooner) for less, sooner in ways for more, later in ways if more > less]
    usual = median(seconds / counts for counts, seconds in pairs) if pairs else 0.0
    rests = [seconds - usual * counts for counts, seconds in ways]
    middle = median(rests)
    off = [abs(rest - middle) for rest in rests]
    limit = FAR * max(NORMAL_MAD * median(off), WANDERING_SECONDS)
    kept = [way for way, by in zip(ways, off, strict=True) if by <= limit]
    slope, offset, deviation = _line(kept)
    if slope <= 0.0:
        raise FitError("a longer way of the lens did not take longer")
    scatter = max(NORMAL_MAD * median(off), 0.002) / sqrt(len(kept))
    start = max(offset - delay_seconds, 0.01)  # below a hundredth of a second nothing can be told
    return LensFit(Figure(1.0 / slope, deviation / slope), Figure(1.0 / (slope * start), min(1.0, scatter / start)))


def fit_amplitudes(stops: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return (swing per unit of speed, largest swing) from (speed, swing) of several stops.

    A swing grows with the speed that a stop takes away, until the deceleration alone bends the mount: min(k·v, most).
    Where it has not been seen to stop growing, the largest is that of the fastest stop.
    """
    if not stops:
        raise FitError("no stop swung")
    most = max(swing for _, swing in stops)

    def misfit(candidate: float) -> float:
        per_speed, ceiling = _growth(stops, candidate)
        return sum((log(min(per_speed * speed, ceiling) / swing)) ** 2 for speed, swing in stops)

    corner = min((speed for speed, _ in stops), key=misfit)
    per_speed, ceiling = _growth(stops, corner)
    return per_speed, min(ceiling, 1.5 * most)


def _growth(stops: Sequence[tuple[float, float]], corner: float) -> tuple[float, float]:
    """Slope of the stops up to a speed and ceiling of those from it on."""
    slow = [swing / speed for speed, swing in stops if speed <= corner]
    fast = [swing for speed, swing in stops if speed >= corner]
    return median(slow), median(fast)


def _line(points: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """Slope, offset and the slope's standard deviation of the line through points."""
    x_mean, y_mean = fmean(x for x, _ in points), fmean(y for _, y in points)
    spread = sum((x - x_mean) ** 2 for x, _ in points)
    if spread == 0.0:
        raise FitError("these readings are all of one moment")
    slope = sum((x - x_mean) * (y - y_mean) for x, y in points) / spread
    offset = y_mean - slope * x_mean
    rest = sum((y - offset - slope * x) ** 2 for x, y in points) / max(1, len(points) - 2)
    return slope, offset, sqrt(rest / spread)


def _rests(trips: Sequence[Trip], acceleration: float) -> list[float]:
    return [trip.seconds - seconds_for_axis(trip.distance, trip.top_speed, acceleration) for trip in trips]


def _scatter(trips: Sequence[Trip], acceleration: float) -> float:
    """How much the delays differ that an acceleration leaves: by their distance, so that one late trip has one say."""
    rests = _rests(trips, acceleration)
    middle = median(rests)
    return sum(hypot(rest - middle, WANDERING_SECONDS) for rest in rests)


def _least(
    cost: Callable[[float], float], least: float, most: float, *, steps: int = 60, within: float = 1e-5
) -> float:
    """The argument with the least cost, sought on a logarithmic scale: a grid first, then the golden section."""
    grid = [least * (most / least) ** (index / steps) for index in range(steps + 1)]
    index = min(range(len(grid)), key=lambda at: cost(grid[at]))
    low, high = log(grid[max(0, index - 1)]), log(grid[min(steps, index + 1)])
    left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    cost_left, cost_right = cost(exp(left)), cost(exp(right))
    while high - low > within:
        if cost_left <= cost_right:
            high, right, cost_right = right, left, cost_left
            left = high - GOLDEN * (high - low)
            cost_left = cost(exp(left))
        else:
            low, left, cost_left = left, right, cost_right
            right = low + GOLDEN * (high - low)
            cost_right = cost(exp(right))
    return exp(0.5 * (low + high))
