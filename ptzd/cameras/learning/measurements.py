"""What the trials of a learning brought, and the head that follows from it. No waiting here, only sums."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import sqrt
from statistics import fmean, median, pstdev

from ptzd.cameras.framing import Tolerance
from ptzd.motion import (
    AxisModel,
    Figure,
    HeadModel,
    LearnedHead,
    Measured,
    RampFit,
    Reading,
    SettleModel,
    SlowMode,
    Spread,
    SwingFit,
    Trip,
    ZoomModel,
    fit_amplitudes,
    fit_lens,
    fit_ramp,
    fit_speed,
    peak_speed,
    seconds_for_axis,
    speed_from_trip,
    start_seconds,
    steady,
    swing_fitting,
)
from ptzd.visca import Dialect

from .renewal import RenewalTrial, agreed
from .trials import AXES, Axis

# A figure is never known better than this, whatever its residuals say.
LEAST_SPEED_SPREAD = 0.003
LEAST_ACCELERATION_SPREAD = 0.01
LEAST_LENS_SPREAD = 0.005
LEAST_LATENCY_SPREAD = 0.1
LEAST_SETTLING_SPREAD = 0.1
GUESSED_SPREAD = 0.05  # of a step for which the range was too small
TIMED_SPREAD = 0.015  # of a step told by the time of its way; a worse one is told better by its neighbours
LEAST_READINGS = 8
MOST_RAMP_SHARE = 0.8  # of a way: beyond, its time tells of the acceleration, not of the speed
SLOW_LEAST_STEPS = 6  # of each axis: fewer tell nothing of the others
SLOW_SHARE = 0.95  # of the usual speeds: a slow mode that is hardly slower is none
ROUNDS = 3  # speeds and accelerations tell of each other
STEADY_ACCELERATION = 0.9  # a ramp is taken to be longer than it is: what is left is surely steady


@dataclass(frozen=True, slots=True)
class Seeing:
    """How a camera's own readings tell that it is still: what "settled" means for its moves."""

    tolerance: Tolerance
    still_seconds: float = 0.3  # a reading must stay within tolerance this long
    pause_seconds: float = 0.05  # between two readings
    watch_seconds: float = 0.1  # between two readings of the watch beside it


@dataclass(frozen=True, slots=True)
class StepTrip:
    """One way at a step: readings in degrees from its start, seconds from the order on."""

    distance_deg: float
    seconds: float | None  # until its end was reported; None where another axis moved too, or something was lost
    readings: Sequence[Reading]


@dataclass(frozen=True, slots=True)
class ShortTrip:
    """One way at the fastest step, too short to reach its speed, or hardly."""

    distance_deg: float
    seconds: float


@dataclass(frozen=True, slots=True)
class PanStop:
    """A stop after a way at a step: readings in counts off the place of rest, seconds from the order on."""

    distance_deg: float
    step: int
    readings: Sequence[Reading]


@dataclass(slots=True)
class Measurements:
    """All that was measured. Distances of the lens are in counts."""

    short_trips: dict[Axis, list[ShortTrip]] = field(default_factory=lambda: {axis: [] for axis in AXES})
    step_trips: dict[Axis, dict[int, StepTrip]] = field(default_factory=lambda: {axis: {} for axis in AXES})
    slow_share: float | None = None  # of the usual speeds, roughly, at which those in slow mode were looked for
    slow_trips: dict[Axis, dict[int, StepTrip]] = field(default_factory=lambda: {axis: {} for axis in AXES})
    pan_stops: list[PanStop] = field(default_factory=list)
    renewals: list[RenewalTrial] = field(default_factory=list)
    zoom_trips: list[tuple[float, float]] = field(default_factory=list)
    zoom_drives: dict[int, list[Reading]] = field(default_factory=dict)
    focus_trips: list[tuple[float, float]] = field(default_factory=list)
    seen_still: list[float] = field(default_factory=list)  # seconds from the end's report until readings said "still"
    between_readings: list[float] = field(default_factory=list)
    acknowledged: list[float] = field(default_factory=list)  # seconds from an order to its ACK


@dataclass(frozen=True, slots=True)
class _AxisFit:
    steps: tuple[Figure, ...]
    ramp: RampFit
    not_reached: tuple[int, ...]
    starts: tuple[float, ...]  # seconds from the order to the first motion

    @property
    def speeds(self) -> tuple[float, ...]:
        return tuple(figure.value for figure in self.steps)

    def model(self) -> AxisModel:
        return AxisModel(self.speeds, self.ramp.acceleration.value)


def steady_part(trip: StepTrip, speed: float, acceleration: float, counts_per_degree: float) -> list[Reading]:
    """Return the readings of a way between its ramps."""
    guard = 0.5 * speed * speed / (STEADY_ACCELERATION * acceleration) + 1.5 / counts_per_degree
    return steady(trip.readings, trip.distance_deg, guard)


def ramp_of(trips: Sequence[ShortTrip], fastest_deg_per_s: float) -> RampFit:
    """Return the acceleration that short trips tell. Raises FitError where they are too few or disagree."""
    return fit_ramp([Trip(trip.distance_deg, fastest_deg_per_s, trip.seconds) for trip in trips])


async def learned_head(
    measured: Measurements, dialect: Dialect, published: HeadModel, seeing: Seeing, learned_at: datetime
) -> LearnedHead:
    """Return the head that the measurements tell of. Raises FitError where they tell nothing.

    A coroutine only so that others have their turn between the sums.
    """
    pan = _axis(measured, "pan", published.pan, dialect.pan.counts_per_degree)
    await asyncio.sleep(0)
    tilt = _axis(measured, "tilt", published.tilt, dialect.tilt.counts_per_degree)
    await asyncio.sleep(0)
    starts = [*pan.starts, *tilt.starts]
    delay = 0.5 * (pan.ramp.delay_seconds + tilt.ramp.delay_seconds)
    latency = min(max(median(starts), 0.0), delay) if starts else 0.5 * delay
    latency_deviation = _start_deviation(pan.ramp, tilt.ramp)
    lag = delay - latency  # from the stop to its report
    zoom = fit_lens(measured.zoom_trips, delay)
    focus = fit_lens(measured.focus_trips, delay)
    drives, drive_spreads = _drives(measured.zoom_drives, published.zoom)
    slow_pan = _slow_axis(measured, "pan", pan, dialect.pan.counts_per_degree)
    slow_tilt = _slow_axis(measured, "tilt", tilt, dialect.tilt.counts_per_degree)
    if slow_pan is None or slow_tilt is None:
        slow_pan = slow_tilt = None
    settle, settling_spread = await _settle(measured, dialect, pan, latency, lag, seeing)
    models: dict[Axis, AxisModel] = {"pan": pan.model()}
    if not published.shared_speed:
        models["tilt"] = tilt.model()
    per_degree: dict[Axis, float] = {"pan": dialect.pan.counts_per_degree, "tilt": dialect.tilt.counts_per_degree}
    spread = Spread(
        speed=max(LEAST_SPEED_SPREAD, _typical([*_reached(pan), *_reached(tilt)])),
        acceleration=max(LEAST_ACCELERATION_SPREAD, pan.ramp.acceleration.spread, tilt.ramp.acceleration.spread),
        lens=max(LEAST_LENS_SPREAD, zoom.speed.spread, focus.speed.spread),
        latency=max(LEAST_LATENCY_SPREAD, latency_deviation / max(latency, 0.001)),
        settling=settling_spread,
    )
    model = HeadModel(
        pan=pan.model(),
        tilt=tilt.model(),
        zoom=ZoomModel(zoom.speed.value, drives, zoom.acceleration.value),
        focus_counts_per_s=focus.speed.value,
        focus_acceleration_counts_per_s2=focus.acceleration.value,
        latency_seconds=latency,
        # Zoom and focus wait for the ACK of the head's order, and for that of "focus by hand" after it.
        lens_delay_seconds=2.0 * median(measured.acknowledged),
        settle=settle,
        origin="learned",
        spread=spread,
        shared_speed=published.shared_speed,
        slow=None if slow_pan is None or slow_tilt is None else _slow_mode(slow_pan, slow_tilt),
        renewal=agreed(measured.renewals, models, per_degree),
    )
    figures = Measured(
        pan_steps=tuple(figure.spread for figure in pan.steps),
        pan_acceleration=pan.ramp.acceleration.spread,
        tilt_steps=tuple(figure.spread for figure in tilt.steps),
        tilt_acceleration=tilt.ramp.acceleration.spread,
        zoom_direct=zoom.speed.spread,
        zoom_drive=drive_spreads,
        zoom_acceleration=zoom.acceleration.spread,
        focus=focus.speed.spread,
        latency=spread.latency,
        settling=settling_spread,
        not_reached=(
            *(f"pan step {step}" for step in pan.not_reached),
            *(f"tilt step {step}" for step in tilt.not_reached),
            *_not_reached_slowly("pan", slow_pan),
            *_not_reached_slowly("tilt", slow_tilt),
        ),
        slow_pan_steps=_spreads(slow_pan),
        slow_tilt_steps=_spreads(slow_tilt),
    )
    return LearnedHead(model, figures, dialect.name, learned_at)


def _start_deviation(pan: RampFit, tilt: RampFit) -> float:
    """The deviation of a start's delay: half of what varies is the report of the end's."""
    return sqrt(0.25 * (pan.delay_deviation_seconds**2 + tilt.delay_deviation_seconds**2))


def _axis(measured: Measurements, axis: Axis, published: AxisModel, counts_per_degree: float) -> _AxisFit:
    speeds = list(published.steps_deg_per_s)
    ramp = ramp_of(measured.short_trips[axis], speeds[-1])
    found: dict[int, Figure] = {}
    for _ in range(ROUNDS):
        found = {}
        for step, trip in measured.step_trips[axis].items():
            figure = _step(trip, speeds[step - 1], ramp, counts_per_degree)
            if figure is not None:
                found[step] = figure
                speeds[step - 1] = figure.value
        ramp = ramp_of(measured.short_trips[axis], speeds[-1])
    steps = _complete(found, published.steps_deg_per_s)
    starts = []
    for step, figure in found.items():
        readings = steady_part(
            measured.step_trips[axis][step], figure.value, ramp.acceleration.value, counts_per_degree
        )
        # A slow step passes too few counts to tell the moment, and a fast one has to be known too well.
        if len(readings) >= LEAST_READINGS and 5.0 <= figure.value <= 40.0:
            starts.append(start_seconds(readings, figure.value, ramp.acceleration.value))
    not_reached = tuple(step for step in range(1, len(steps) + 1) if step not in found)
    return _AxisFit(steps, ramp, not_reached, tuple(starts))


def _slow_axis(measured: Measurements, axis: Axis, usual: _AxisFit, counts_per_degree: float) -> _AxisFit | None:
    """The steps in slow mode; None where they were not measured, or are hardly slower than usual."""
    if measured.slow_share is None:
        return None
    found: dict[int, Figure] = {}
    for step, trip in measured.slow_trips[axis].items():
        speed = measured.slow_share * usual.speeds[step - 1]
        for _ in range(ROUNDS):
            figure = _step(trip, speed, usual.ramp, counts_per_degree)
            if figure is None:
                break
            speed, found[step] = figure.value, figure
    if len(found) < min(SLOW_LEAST_STEPS, len(usual.steps)):
        return None
    if median(figure.value / usual.speeds[step - 1] for step, figure in found.items()) > SLOW_SHARE:
        return None
    steps = _complete(found, usual.speeds)
    return _AxisFit(steps, usual.ramp, tuple(step for step in range(1, len(steps) + 1) if step not in found), ())


def _slow_mode(pan: _AxisFit, tilt: _AxisFit) -> SlowMode:
    spread = max(LEAST_SPEED_SPREAD, _typical([*_reached(pan), *_reached(tilt)]))
    return SlowMode(pan.model(), tilt.model(), spread)


def _spreads(fit: _AxisFit | None) -> tuple[float, ...]:
    return () if fit is None else tuple(figure.spread for figure in fit.steps)


def _not_reached_slowly(axis: Axis, fit: _AxisFit | None) -> list[str]:
    return [] if fit is None else [f"{axis} step {step} in slow mode" for step in fit.not_reached]


def _step(trip: StepTrip, speed: float, ramp: RampFit, counts_per_degree: float) -> Figure | None:
    readings = steady_part(trip, speed, ramp.acceleration.value, counts_per_degree)
    if len(readings) >= LEAST_READINGS:
        return fit_speed(readings)
    if trip.seconds is None:
        return None
    value = speed_from_trip(trip.distance_deg, trip.seconds - ramp.delay_seconds, ramp.acceleration.value)
    if value is None or value * value / ramp.acceleration.value > MOST_RAMP_SHARE * trip.distance_deg:
        return None
    # By how much the speed changes if the acceleration or the delay is off by its deviation.
    acceleration = ramp.acceleration.value * (1.0 + ramp.acceleration.spread)
    late = trip.seconds - ramp.delay_seconds + ramp.delay_deviation_seconds
    others = (
        speed_from_trip(trip.distance_deg, trip.seconds - ramp.delay_seconds, acceleration),
        speed_from_trip(trip.distance_deg, late, ramp.acceleration.value),
    )
    off = [1.0 if other is None else abs(other / value - 1.0) for other in others]
    spread = sqrt(sum(each * each for each in off))
    return Figure(value, spread) if spread < TIMED_SPREAD else None


def _complete(found: Mapping[int, Figure], published: Sequence[float]) -> tuple[Figure, ...]:
    """All steps: those that were not measured follow their nearest neighbours' deviation from the published table."""
    steps: list[Figure] = []
    for step, speed in enumerate(published, 1):
        figure = found.get(step)
        if figure is None:
            nearest = sorted(found, key=lambda other, step=step: abs(other - step))[:3]  # type: ignore[misc]
            share = median([found[other].value / published[other - 1] for other in nearest]) if nearest else 1.0
            figure = Figure(speed * share, GUESSED_SPREAD)
        if steps and figure.value < steps[-1].value:  # by less than either is known: a table rises
            figure = Figure(steps[-1].value, max(figure.spread, 1.0 - figure.value / steps[-1].value))
        steps.append(figure)
    return tuple(steps)


def _reached(fit: _AxisFit) -> list[float]:
    return [figure.spread for step, figure in enumerate(fit.steps, 1) if step not in fit.not_reached]


def _typical(spreads: Sequence[float]) -> float:
    return sqrt(fmean(spread * spread for spread in spreads)) if spreads else GUESSED_SPREAD


def _expected(values: Sequence[float]) -> float:
    """The mean, but for the longest twentieth: what a loss on the network costs now and then is to be expected too."""
    ordered = sorted(values)
    return fmean(ordered[: max(1, len(ordered) - len(ordered) // 20)])


def _drives(drives: Mapping[int, Sequence[Reading]], assumed: ZoomModel) -> tuple[tuple[float, ...], tuple[float, ...]]:
    figures = {speed: fit_speed(readings) for speed, readings in drives.items() if len(readings) >= LEAST_READINGS}
    complete = _complete({speed + 1: figure for speed, figure in figures.items()}, assumed.drive_counts_per_s)
    return tuple(figure.value for figure in complete), tuple(figure.spread for figure in complete)


async def _settle(
    measured: Measurements, dialect: Dialect, pan: _AxisFit, latency: float, lag: float, seeing: Seeing
) -> tuple[SettleModel, float]:
    """How long it takes until the camera is seen to be still, and the relative spread of that."""
    per_degree = dialect.pan.counts_per_degree
    base = lag + _expected(measured.seen_still)
    deviation = pstdev(measured.seen_still)
    reading = median(measured.between_readings)
    peaks, stops = [], []
    acceleration = pan.ramp.acceleration.value
    for stop in measured.pan_stops:
        speed = pan.speeds[stop.step - 1]
        stopped = latency + seconds_for_axis(stop.distance_deg, speed, acceleration)
        peaks.append(peak_speed(stop.distance_deg, speed, acceleration))
        stops.append([Reading(each.seconds - stopped, each.position) for each in stop.readings])
    swing = await _swing(stops)
    if swing is not None:
        per_speed, most = fit_amplitudes(
            [
                (peak, counts / per_degree)
                for peak, counts in zip(peaks, swing.amplitudes_counts, strict=True)
                if counts > 0.0
            ]
        )
        damping, natural = swing.damping_ratio, swing.natural_rad_per_s
        tolerance = (seeing.tolerance.pan_counts + swing.play_counts) / per_degree
        settle = SettleModel(
            base_seconds=base,
            swing_deg_per_deg_per_s=per_speed,
            damping_ratio=damping,
            natural_rad_per_s=natural,
            tolerance_deg=tolerance,
            most_swing_deg=most,
            reading_seconds=reading,
            still_seconds=seeing.still_seconds,
        )
    else:
        settle = SettleModel(
            base_seconds=base,
            swing_deg_per_deg_per_s=0.0,
            damping_ratio=0.1,
            natural_rad_per_s=30.0,
            tolerance_deg=(seeing.tolerance.pan_counts + 0.5) / per_degree,
            reading_seconds=reading,
            still_seconds=seeing.still_seconds,
        )
    return settle, max(LEAST_SETTLING_SPREAD, deviation / base)


async def _swing(stops: Sequence[Sequence[Reading]]) -> SwingFit | None:
    fitting = swing_fitting(stops)
    while True:
        try:
            next(fitting)
        except StopIteration as done:
            fitted: SwingFit | None = done.value
            return fitted
        await asyncio.sleep(0)
