"""How a head swings after its stops, from readings in whole counts: pace and damping of its mount, and how wide."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from math import ceil, exp, floor, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from .fit import Reading

EXACT_COUNTS = 10.0  # of a swing below which rounding matters more: 0.25 of a count in 2 ms, of one of 2 Hz
SWINGS_SOUGHT = 5  # the widest of all stops tell roughly what pace and damping are
MOST_READINGS = 60  # of one stop
SLOWEST_HERTZ, FASTEST_HERTZ, SWING_STEPS = 0.4, 12.0, 48
DAMPINGS = (0.04, 0.08, 0.12, 0.18, 0.28, 0.4)
# A camera that looks at its orders once a picture stops up to 40 ms sooner or later than was thought, each time anew.
LATE_SECONDS = 0.03
LATES = np.linspace(-0.06, 0.06, 25)
ON_TIME = np.zeros(1)
ROUNDS = 4
HEAVY_DAMPING = 0.8  # what heads hang on is damped far less (common practice); where little was seen, that decides
MIDDLE_SHARE = 0.25

Array = NDArray[np.float64]


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


@dataclass(frozen=True, slots=True)
class _Ranges:
    """What the readings of several stops stand for. One row a stop; where it has no more readings the weight is 0."""

    seconds: Array  # since the stop
    low: Array  # least position, in counts
    high: Array
    weight: Array


def swing_fitting(stops: Sequence[Sequence[Reading]]) -> Generator[None, None, SwingFit | None]:
    """Return the swing in the readings after several stops; None where it is too small to be told from rounding.

    Positions are in counts off the place of rest, seconds since the stop, which each may be a little off. A reading
    stands for a range of positions, and a swing that passes through all ranges fits without fault; both ways of
    rounding are tried. It is done in many small pieces, so that others may have their turn in between.
    """
    parts = [_visible(stop) for stop in stops]
    seen = sorted((index for index, part in enumerate(parts) if part), key=lambda index: -_width(parts[index]))
    widest = [parts[index] for index in seen]
    if sum(abs(each.position) >= 1.5 for part in widest for each in part) < 3:
        return None
    few = _ranges(widest[:SWINGS_SOUGHT], 1.0)
    tried: list[tuple[float, float, float]] = []
    for index in range(SWING_STEPS):
        hertz = SLOWEST_HERTZ * (FASTEST_HERTZ / SLOWEST_HERTZ) ** (index / (SWING_STEPS - 1))
        tried += [(_misfit(few, hertz, damping, ON_TIME, 1), hertz, damping) for damping in DAMPINGS]
        yield
    _, hertz, damping = min(tried)
    fits: list[SwingFit] = []
    for play in (0.5, 1.0):
        ranges = _ranges(widest, play)
        misfit, pace, decay = yield from _refined(ranges, hertz, damping)
        amplitudes = dict(zip(seen, _waves(ranges, pace, decay, LATES, ROUNDS)[1], strict=True))
        fits.append(
            SwingFit(
                tuple(float(amplitudes.get(index, 0.0)) for index in range(len(parts))),
                decay,
                2 * pi * pace / sqrt(1 - decay**2),
                play,
                sqrt(misfit / np.count_nonzero(ranges.weight)),
            )
        )
    return min(fits, key=lambda fit: fit.misfit_counts)


def _width(readings: Sequence[Reading]) -> float:
    return max(abs(each.position) for each in readings)


def _visible(readings: Sequence[Reading]) -> list[Reading]:
    """The readings after a stop for as long as a swing is to be seen; none where none is."""
    seen = [each for each in readings if each.seconds >= 0.0]
    outside = [each.seconds for each in seen if abs(each.position) >= 1.5]
    if not outside:
        return []
    # Of one that was seen but once, a count more or less afterwards tells the pace.
    longer, more = (1.3, 0.1) if len(outside) > 1 else (2.5, 0.3)
    return [each for each in seen if each.seconds <= longer * max(outside) + more]


def _ranges(stops: Sequence[Sequence[Reading]], play: float) -> _Ranges:
    """What each reading stands for. While the swing is wide, the moment of a reading matters more than rounding."""
    thinned = [stop[:: ceil(len(stop) / MOST_READINGS)] for stop in stops]
    ranges = _Ranges(*(np.zeros((len(thinned), max(map(len, thinned)))) for _ in range(4)))
    for row, stop in enumerate(thinned):
        widest = 0.0  # from here on
        for column, each in reversed(list(enumerate(stop))):
            widest = max(widest, abs(each.position))
            ranges.seconds[row, column] = each.seconds
            ranges.low[row, column], ranges.high[row, column] = _range(each.position, play)
            ranges.weight[row, column] = 1.0 / (1.0 + (widest / EXACT_COUNTS) ** 2)
    return ranges


def _range(position: float, play: float) -> tuple[float, float]:
    """The true positions for which a camera gives this reading."""
    if play == 0.5:
        return position - 0.5, position + 0.5
    whole = floor(abs(position) + 0.5)
    if whole == 0:
        return -1.0, 1.0
    return (whole, whole + 1.0) if position > 0 else (-whole - 1.0, -whole)


def _refined(ranges: _Ranges, hertz: float, damping: float) -> Generator[None, None, tuple[float, float, float]]:
    """Misfit, frequency and damping of the best swing near a rough one: ever smaller steps downhill."""
    step, misfit = 0.06, _misfit(ranges, hertz, damping)
    while step > 0.002:
        trials = []
        for faster, stronger in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            near = hertz * exp(faster * step), min(0.9, damping * exp(4 * stronger * step))
            trials.append((_misfit(ranges, *near), *near))
            yield
        if min(trials)[0] < misfit:
            misfit, hertz, damping = min(trials)
        else:
            step /= 2
    return misfit, hertz, damping


def _misfit(ranges: _Ranges, hertz: float, damping: float, lates: Array = LATES, rounds: int = ROUNDS) -> float:
    heavy = (damping / HEAVY_DAMPING) ** 2
    return float(_waves(ranges, hertz, damping, lates, rounds)[0].sum()) + heavy


def _waves(ranges: _Ranges, hertz: float, damping: float, lates: Array, rounds: int) -> tuple[Array, Array]:
    """Misfit and amplitude for each stop of the best wave of one pace and damping, as late as fits it best."""
    pace = 2 * pi * hertz
    rate = damping * pace / sqrt(1 - damping**2)
    seconds = ranges.seconds[:, None, :] - lates[None, :, None]  # axes: stop, lateness, reading
    wave = np.exp(-rate * seconds) * np.cos(pace * seconds)
    low, high, weight = (each[:, None, :] for each in (ranges.low, ranges.high, ranges.weight))
    weighed = weight * wave
    power = (weighed * wave).sum(axis=2)
    middle = 0.5 * (low + high)
    # Beside that a wave goes through all ranges it is to go through their middles, as far as these are narrow.
    drawn = np.divide(MIDDLE_SHARE, (high - low) ** 2, out=np.zeros_like(low), where=high > low)
    wanted = np.broadcast_to(middle, wave.shape)
    for _ in range(rounds + 1):
        amplitude = (weighed * wanted).sum(axis=2) / power
        reached = amplitude[:, :, None] * wave
        within = np.clip(reached, low, high)
        wanted = (1.0 - drawn) * within + drawn * middle
    off = (1.0 - drawn) * (reached - within) ** 2 + drawn * (reached - middle) ** 2
    misfit = (weight * off).sum(axis=2) + (lates / LATE_SECONDS) ** 2
    best = misfit.argmin(axis=1)
    stops = np.arange(len(best))
    return misfit[stops, best], np.abs(amplitude[stops, best])
