"""What measurements say of a head: speeds, accelerations, delays and swings, each with how far to trust it.

Everything here takes lists of readings and returns figures; who drove the head, and how, is no matter of this module.
Positions are in degrees or counts, speeds and accelerations in the same; seconds count from any moment that the
readings of one call share. A reading comes in whole counts, so it is off by half a count even where nothing else is.

A measurement may be spoiled: a packet lost on the way makes it late. So every fit first looks for what most readings
agree on, and leaves out what lies far from it.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from functools import partial
from math import ceil, cos, exp, floor, hypot, inf, log, pi, sqrt
from statistics import fmean, median

from .profile import over, seconds_for_axis

NORMAL_MAD = 1.4826  # a standard deviation, in median absolute deviations of what is normally distributed
FAR = 4.0  # deviations from the rest, beyond which a measurement is left out
LEAST_ACCELERATION, MOST_ACCELERATION = 1.0, 1e7  # units per second squared; degrees and lens counts alike
WANDERING_SECONDS = 0.008  # by so much delays differ on a network and a camera where nothing was lost
SHAPES_SOUGHT = 8  # the fastest ways tell most of the ramps
LEAST_ON_RAMPS, MOST_ON_RAMPS = 12, 24  # readings: in all, of one way
STOP_SECONDS = 0.04  # by so much the moment may be off at which a head is taken to have stopped
READ_SECONDS = 0.002  # by so much the moments of readings differ
SHAPE_SHOWS = 0.7  # of the misfit of straight ramps alike: a shape of their own explains the readings that much better
EXACT_COUNTS = 10.0  # of a swing below which rounding matters more: 0.25 of a count in 2 ms, of one of 2 Hz
SWINGS_SOUGHT = 5  # the widest of all stops tell pace and damping
SLOWEST_HERTZ, FASTEST_HERTZ, SWING_STEPS = 0.4, 12.0, 48
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


@dataclass(frozen=True, slots=True)
class SwingFit:
    """Swings A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t) after several stops of one head, as the readings tell them.

    `amplitudes_counts` is A for each stop, 0 where no swing was to be seen. `play_counts` is how far the true position
    may be from a reading before the reading changes: 0.5 for a camera that rounds, 1 for one whose gear swallows less
    than a count. `misfit_counts` is how far off the readings are from the swings, on average.
    """

    amplitudes_counts: tuple[float, ...]
    damping_ratio: float
    natural_rad_per_s: float
    play_counts: float
    misfit_counts: float


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
    kept = [(abs(counts), seconds) for counts, seconds in trips]
    while True:
        slope, offset, deviation = _line(kept)
        off = [abs(seconds - offset - slope * counts) for counts, seconds in kept]
        limit = FAR * max(NORMAL_MAD * median(off), WANDERING_SECONDS)
        near = [trip for trip, by in zip(kept, off, strict=True) if by <= limit]
        if len(near) == len(kept) or len(near) < 4:
            break
        kept = near
    if slope <= 0.0:
        raise FitError("a longer way of the lens did not take longer")
    scatter = max(NORMAL_MAD * median(off), 0.002) / sqrt(len(kept))
    start = max(offset - delay_seconds, 0.01)  # below a hundredth of a second nothing can be told
    return LensFit(Figure(1.0 / slope, deviation / slope), Figure(1.0 / (slope * start), min(1.0, scatter / start)))


def fit_swing(stops: Sequence[Sequence[Reading]]) -> SwingFit | None:
    """Return the swing in the readings after several stops; None where it is too small to be told from rounding.

    Positions are in counts off the place of rest, seconds since the stop. A reading stands for a range of positions,
    and a swing that passes through all ranges fits without fault; both ways of rounding are tried.
    """
    fitting = swing_fitting(stops)
    while True:
        try:
            next(fitting)
        except StopIteration as done:
            fitted: SwingFit | None = done.value
            return fitted


def swing_fitting(stops: Sequence[Sequence[Reading]]) -> Generator[None, None, SwingFit | None]:
    """Do what `fit_swing` does, in many small pieces, so that others may have their turn in between."""
    parts = [_visible(stop) for stop in stops]
    widest = sorted((part for part in parts if part), key=lambda part: -max(abs(each.position) for each in part))
    if sum(abs(each.position) >= 1.5 for part in widest for each in part) < 3:
        return None
    few = [_ranges(part[:: ceil(len(part) / 40)], 1.0) for part in widest[:SWINGS_SOUGHT]]
    best = (inf, 0.0, 0.0)
    for index in range(SWING_STEPS):
        hertz = SLOWEST_HERTZ * (FASTEST_HERTZ / SLOWEST_HERTZ) ** (index / (SWING_STEPS - 1))
        for damping in (0.04, 0.08, 0.12, 0.18, 0.28, 0.4):
            best = min(best, (sum(_wave(ranges, hertz, damping, 1)[0] for ranges in few), hertz, damping))
        yield
    fits: list[SwingFit] = []
    for play in (0.5, 1.0):
        sought = [_ranges(part, play) for part in widest[:SWINGS_SOUGHT]]
        misfit, hertz, damping, late = yield from _refined(sought, best[1], best[2])
        amplitudes = tuple(_wave(_ranges(part, play), hertz, damping, 4, late)[1] if part else 0.0 for part in parts)
        natural = 2 * pi * hertz / sqrt(1 - damping**2)
        fits.append(SwingFit(amplitudes, damping, natural, play, sqrt(misfit / sum(map(len, sought)))))
    return min(fits, key=lambda fit: fit.misfit_counts)


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


Ranges = list[tuple[float, float, float, float]]  # seconds since the stop, least and most position, and a weight


def _visible(readings: Sequence[Reading]) -> list[Reading]:
    """The readings after a stop for as long as a swing is to be seen; none where none is."""
    seen = [each for each in readings if each.seconds >= 0.0]
    outside = [each.seconds for each in seen if abs(each.position) >= 1.5]
    if not outside:
        return []
    # Of one that was seen but once, a count more or less afterwards tells the pace.
    longer, more = (1.3, 0.1) if len(outside) > 1 else (2.5, 0.3)
    return [each for each in seen if each.seconds <= longer * max(outside) + more]


def _ranges(readings: Sequence[Reading], play: float) -> Ranges:
    """What each reading stands for. While the swing is wide, the moment of a reading matters more than rounding."""
    ranges: Ranges = []
    widest = 0.0  # from here on
    for each in reversed(readings):
        widest = max(widest, abs(each.position))
        weight = 1.0 / (1.0 + (widest / EXACT_COUNTS) ** 2)
        ranges.append((each.seconds, *_range(each.position, play), weight))
    return ranges[::-1]


def _range(position: float, play: float) -> tuple[float, float]:
    """The true positions for which a camera gives this reading."""
    if play == 0.5:
        return position - 0.5, position + 0.5
    whole = floor(abs(position) + 0.5)
    if whole == 0:
        return -1.0, 1.0
    return (whole, whole + 1.0) if position > 0 else (-whole - 1.0, -whole)


def _refined(
    sought: Sequence[Ranges], hertz: float, damping: float
) -> Generator[None, None, tuple[float, float, float, float]]:
    """Misfit, frequency, damping and lateness of the best swing near a rough one: ever smaller steps downhill."""

    def misfit_of(hertz: float, damping: float, late: float) -> float:
        doubt = (late / STOP_SECONDS) ** 2
        return doubt + sum(_wave(ranges, hertz, damping, 4, late)[0] for ranges in sought)

    step, late = 0.06, 0.0
    misfit = misfit_of(hertz, damping, late)
    while step > 0.002:
        trials = []
        for faster, stronger, later in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1)):
            near = (
                hertz * exp(faster * step),
                min(0.9, damping * exp(4 * stronger * step)),
                late + later * step * 5 * STOP_SECONDS,  # about as much of what is likely as of the other two
            )
            trials.append((misfit_of(*near), *near))
            yield
        if min(trials)[0] < misfit:
            misfit, hertz, damping, late = min(trials)
        else:
            step /= 2
    return misfit, hertz, damping, late


def _wave(ranges: Ranges, hertz: float, damping: float, rounds: int, late: float = 0.0) -> tuple[float, float]:
    """Misfit and amplitude of the best wave of one pace and damping through ranges, `late` seconds after its stop."""
    pace = 2 * pi * hertz
    rate = damping * pace / sqrt(1 - damping**2)
    wave = [exp(-rate * (seconds - late)) * cos(pace * (seconds - late)) for seconds, _, _, _ in ranges]
    weighed = [weight * each for each, (_, _, _, weight) in zip(wave, ranges, strict=True)]
    power = sum(each * y for each, y in zip(wave, weighed, strict=True))
    wanted = [0.5 * (low + high) for _, low, high, _ in ranges]
    amplitude = 0.0
    for _ in range(rounds + 1):
        amplitude = sum(each * y for each, y in zip(weighed, wanted, strict=True)) / power
        wanted = [min(max(amplitude * each, low), high) for each, (_, low, high, _) in zip(wave, ranges, strict=True)]
    off = [
        weight * (amplitude * each - y) ** 2 for each, y, (_, _, _, weight) in zip(wave, wanted, ranges, strict=True)
    ]
    return sum(off), abs(amplitude)
