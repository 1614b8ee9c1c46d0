"""What the trials of a learning brought, and the head that follows from it. No waiting here, only sums."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import sqrt
from statistics import fmean, median

from ptzd.cameras.looking import SEEN_STILL_SECONDS
from ptzd.line import Tolerance
from ptzd.motion import (
    AxisModel,
    Figure,
    FitError,
    HeadModel,
    LearnedHead,
    Measured,
    Pose,
    Prediction,
    RampFit,
    Reading,
    Ride,
    SettleModel,
    ShapeFit,
    SlowMode,
    Spread,
    Trip,
    ZoomModel,
    fit_amplitudes,
    fit_lens,
    fit_line,
    fit_ramp,
    fit_ride,
    fit_shape,
    fit_speed,
    peak_speed,
    predict,
    seconds_for_axis,
    speed_from_trip,
    steady,
)
from ptzd.motion.fit import NORMAL_MAD
from ptzd.motion.swing_fit import SwingFit, swing_fitting
from ptzd.visca import Dialect

from .renewal import RenewalTrial, agreed
from .trials import AXES, Axis

# A figure is never known better than this, whatever its residuals say.
LEAST_SPEED_SPREAD = 0.003
LEAST_ACCELERATION_SPREAD = 0.01
LEAST_LENS_SPREAD = 0.005
LEAST_LATENCY_SPREAD = 0.1
LEAST_SETTLING_SPREAD = 0.12
GUESSED_SPREAD = 0.05  # of a step for which the range was too small
TIMED_SPREAD = 0.015  # of a step told by the time of its way; a worse one is told better by its neighbours
LEAST_READINGS = 8
MOST_RAMP_SHARE = 0.8  # of a way: beyond, its time tells of the acceleration, not of the speed
SLOW_LEAST_STEPS = 6  # of each axis: fewer tell nothing of the others
SLOW_SHARE = 0.95  # of the usual speeds: a slow mode that is hardly slower is none
LEAST_WHOLE_MOVES = 3  # to be believed of how long looking takes
ROUNDS = 3  # speeds and accelerations tell of each other
UNKNOWN_SHAPE = 0.65  # of the mean acceleration: neither ramp is longer, unless the other is three times as short
STEADY_ACCELERATION = 0.9  # a ramp is taken to be longer than it is: what is left is surely steady


@dataclass(frozen=True, slots=True)
class Seeing:
    """How a camera's own readings tell that it is still: what "settled" means for its moves."""

    tolerance: Tolerance
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
class Stop:
    """A stop after a way at a step: readings in counts off the place of rest, seconds from the order on."""

    axis: Axis
    distance_deg: float
    step: int
    acknowledged_seconds: float  # from the order to its ACK: a camera hears one order later than another
    readings: Sequence[Reading]


@dataclass(frozen=True, slots=True)
class WholeMove:
    """A move of head and lens, and the seconds from its order until its end was told, and until it was seen still."""

    from_: Pose
    to: Pose
    steps: Mapping[Axis, int]
    told_seconds: float
    still_seconds: float


@dataclass(slots=True)
class Measurements:
    """All that was measured. Distances of the lens are in counts."""

    short_trips: dict[Axis, list[ShortTrip]] = field(default_factory=lambda: {axis: [] for axis in AXES})
    step_trips: dict[Axis, dict[int, StepTrip]] = field(default_factory=lambda: {axis: {} for axis in AXES})
    slow_share: float | None = None  # of the usual speeds, roughly, at which those in slow mode were looked for
    slow_trips: dict[Axis, dict[int, StepTrip]] = field(default_factory=lambda: {axis: {} for axis in AXES})
    stops: list[Stop] = field(default_factory=list)
    renewals: list[RenewalTrial] = field(default_factory=list)
    zoom_trips: list[tuple[float, float]] = field(default_factory=list)
    zoom_drives: dict[int, list[Reading]] = field(default_factory=dict)
    focus_trips: list[tuple[float, float]] = field(default_factory=list)
    seen_still: list[float] = field(default_factory=list)  # seconds from the end's report until readings said "still"
    between_readings: list[float] = field(default_factory=list)  # of pan and tilt, seconds
    lens_delays: list[float] = field(default_factory=list)  # seconds from the head's ACK to the lens's
    lens_waits: list[float] = field(default_factory=list)  # or from the report of the head's end, where that came first
    whole_moves: list[WholeMove] = field(default_factory=list)
    acknowledged: list[float] = field(default_factory=list)  # seconds from an order to its ACK


@dataclass(frozen=True, slots=True)
class _AxisFit:
    steps: tuple[Figure, ...]
    ramp: RampFit
    shape: ShapeFit
    not_reached: tuple[int, ...]
    starts: tuple[float, ...]  # seconds from the order to the first motion

    @property
    def speeds(self) -> tuple[float, ...]:
        return tuple(figure.value for figure in self.steps)

    def model(self) -> AxisModel:
        return AxisModel(self.speeds, self.shape.acceleration, self.shape.braking, self.shape.s_share)


def steady_part(trip: StepTrip, speed: float, shape: ShapeFit, counts_per_degree: float) -> list[Reading]:
    """Return the readings of a way between its ramps."""
    ramp = 0.5 * speed * speed / STEADY_ACCELERATION
    grain = 1.5 / counts_per_degree
    braking = shape.acceleration if shape.braking is None else shape.braking
    return steady(trip.readings, trip.distance_deg, ramp / shape.acceleration + grain, ramp / braking + grain)


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
    settles = await _settles(measured, {"pan": pan, "tilt": tilt}, dialect, latency, lag, seeing)
    waits = len(measured.lens_waits) > len(measured.lens_delays)
    delays = measured.lens_delays or [0.0]  # only whole moves tell of these
    models: dict[Axis, AxisModel] = {"pan": pan.model()}
    if not published.shared_speed:
        models["tilt"] = tilt.model()
    per_degree: dict[Axis, float] = {"pan": dialect.pan.counts_per_degree, "tilt": dialect.tilt.counts_per_degree}
    spread = Spread(
        speed=max(LEAST_SPEED_SPREAD, _typical([*_reached(pan), *_reached(tilt)])),
        acceleration=max(LEAST_ACCELERATION_SPREAD, pan.ramp.acceleration.spread, tilt.ramp.acceleration.spread),
        lens=max(LEAST_LENS_SPREAD, zoom.speed.spread, focus.speed.spread),
        latency=max(LEAST_LATENCY_SPREAD, latency_deviation / max(latency, 0.001)),
        settling=LEAST_SETTLING_SPREAD,
    )
    model = _with_whole_moves(
        HeadModel(
            pan=pan.model(),
            tilt=tilt.model(),
            zoom=ZoomModel(zoom.speed.value, drives, zoom.acceleration.value),
            focus_counts_per_s=focus.speed.value,
            focus_acceleration_counts_per_s2=focus.acceleration.value,
            latency_seconds=latency,
            lens_delay_seconds=max(0.0, lag + median(measured.lens_waits) if waits else median(delays)),
            lens_waits=waits,
            settle=settles["pan"],
            tilt_settle=settles["tilt"],
            origin="learned",
            spread=spread,
            shared_speed=published.shared_speed,
            slow=None if slow_pan is None or slow_tilt is None else _slow_mode(slow_pan, slow_tilt),
            renewal=agreed(measured.renewals, models, per_degree),
        ),
        measured.whole_moves,
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
        settling=model.spread.settling,
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


def _with_whole_moves(model: HeadModel, moves: Sequence[WholeMove]) -> HeadModel:
    """Let the figures of settling, and their spread, be such that the moves are explained that were made like recalls.

    What those took that did not swing, beyond all that is known, is due to looking: by how much the watch's last
    question holds that up, and what else a camera has to do then.
    """
    still = [move for move in moves if not _swings(model, move)]
    if len(still) >= LEAST_WHOLE_MOVES:
        base = model.settle.base_seconds + _expected(_rests(model, still))
        model = replace(
            model,
            settle=replace(model.settle, base_seconds=base),
            tilt_settle=replace(model.settle_of_tilt, base_seconds=base),
        )
    rests = _rests(model, moves)
    if len(rests) < LEAST_WHOLE_MOVES:
        return model
    off = NORMAL_MAD * median(abs(rest - median(rests)) for rest in rests)
    return replace(
        model,
        spread=replace(model.spread, settling=max(model.spread.settling, off / model.settle.base_seconds)),
    )


def _rests(model: HeadModel, moves: Sequence[WholeMove]) -> list[float]:
    return [beyond_predicted(model, move) for move in moves]


def beyond_predicted(model: HeadModel, move: WholeMove) -> float:
    """Return by how many seconds a move took longer than is predicted."""
    return move.still_seconds - _predicted(model, move).seconds_to_settled


def _swings(model: HeadModel, move: WholeMove) -> bool:
    """Whether a move ends so that it is seen to swing, as far as is known."""
    within = _predicted(model, replace(move, from_=move.to))  # what looking takes, and all delays
    predicted = _predicted(model, move)
    looking = within.seconds_to_settled - within.seconds_to_arrival
    return predicted.seconds_to_settled - predicted.seconds_to_arrival > looking + 0.001


def _predicted(model: HeadModel, move: WholeMove) -> Prediction:
    return predict(model, move.from_, move.to, move.steps["pan"], move.steps["tilt"])


def _start_deviation(pan: RampFit, tilt: RampFit) -> float:
    """The deviation of a start's delay: half of what varies is the report of the end's."""
    return sqrt(0.25 * (pan.delay_deviation_seconds**2 + tilt.delay_deviation_seconds**2))


def _axis(measured: Measurements, axis: Axis, published: AxisModel, counts_per_degree: float) -> _AxisFit:
    speeds = list(published.steps_deg_per_s)
    trips = measured.step_trips[axis]
    ramp = ramp_of(measured.short_trips[axis], speeds[-1])
    # As long as nothing is known of its ramps, either may be as long as both are together.
    mean = ramp.acceleration.value
    shape = ShapeFit(UNKNOWN_SHAPE * mean, UNKNOWN_SHAPE * mean, 0.0)
    found: dict[int, Figure] = {}
    starts: dict[int, float] = {}
    for _ in range(ROUNDS):
        found, starts = {}, {}
        rides = []
        for step, trip in trips.items():
            readings = steady_part(trip, speeds[step - 1], shape, counts_per_degree)
            if len(readings) < LEAST_READINGS:
                continue
            figure, offset = fit_line(readings)
            found[step], starts[step], speeds[step - 1] = figure, offset, figure.value
            ways = [Reading(each.seconds, abs(each.position)) for each in trip.readings]
            rides.append(Ride(trip.distance_deg, figure.value, offset, ways))
        ramp = ramp_of(measured.short_trips[axis], speeds[-1])
        shape = fit_shape(rides, ramp.acceleration.value)
    for step, trip in trips.items():
        figure = found.get(step) or _unsteady(trip, speeds[step - 1], ramp, shape)  # type: ignore[assignment]
        if figure is not None:
            found[step] = figure
    steps = _complete(found, published.steps_deg_per_s)
    begins = [
        offset - 0.5 * found[step].value / shape.acceleration
        for step, offset in starts.items()
        # A slow step passes too few counts to tell the moment, and a fast one has to be known too well.
        if 5.0 <= found[step].value <= 40.0
    ]
    not_reached = tuple(step for step in range(1, len(steps) + 1) if step not in found)
    return _AxisFit(steps, ramp, shape, not_reached, tuple(begins))


def _slow_axis(measured: Measurements, axis: Axis, usual: _AxisFit, counts_per_degree: float) -> _AxisFit | None:
    """The steps in slow mode; None where they were not measured, or are hardly slower than usual."""
    if measured.slow_share is None:
        return None
    found: dict[int, Figure] = {}
    for step, trip in measured.slow_trips[axis].items():
        speed = measured.slow_share * usual.speeds[step - 1]
        for _ in range(ROUNDS):
            readings = steady_part(trip, speed, usual.shape, counts_per_degree)
            if len(readings) >= LEAST_READINGS:
                figure: Figure | None = fit_speed(readings)
            else:
                figure = _unsteady(trip, speed, usual.ramp, usual.shape)
            if figure is None:
                break
            speed, found[step] = figure.value, figure
    if len(found) < min(SLOW_LEAST_STEPS, len(usual.steps)):
        return None
    if median(figure.value / usual.speeds[step - 1] for step, figure in found.items()) > SLOW_SHARE:
        return None
    steps = _complete(found, usual.speeds)
    return _AxisFit(
        steps, usual.ramp, usual.shape, tuple(step for step in range(1, len(steps) + 1) if step not in found), ()
    )


def _slow_mode(pan: _AxisFit, tilt: _AxisFit) -> SlowMode:
    spread = max(LEAST_SPEED_SPREAD, _typical([*_reached(pan), *_reached(tilt)]))
    return SlowMode(pan.model(), tilt.model(), spread)


def _spreads(fit: _AxisFit | None) -> tuple[float, ...]:
    return () if fit is None else tuple(figure.spread for figure in fit.steps)


def _not_reached_slowly(axis: Axis, fit: _AxisFit | None) -> list[str]:
    return [] if fit is None else [f"{axis} step {step} in slow mode" for step in fit.not_reached]


def _unsteady(trip: StepTrip, speed: float, ramp: RampFit, shape: ShapeFit) -> Figure | None:
    """The speed of a way that was hardly ever steady, by the time that it took or where it was on the way."""
    figures = [_timed(trip, ramp)]
    if speed * speed / ramp.acceleration.value < MOST_RAMP_SHARE * trip.distance_deg:
        ways = [Reading(each.seconds, abs(each.position)) for each in trip.readings]
        with suppress(FitError):
            figures.append(fit_ride(Ride(trip.distance_deg, speed, 0.0, ways), shape))
    known = [figure for figure in figures if figure is not None and figure.spread < TIMED_SPREAD]
    return min(known, key=lambda figure: figure.spread, default=None)


def _timed(trip: StepTrip, ramp: RampFit) -> Figure | None:
    if trip.seconds is None:
        return None
    elapsed = trip.seconds - ramp.delay_seconds
    value = speed_from_trip(trip.distance_deg, elapsed, ramp.acceleration.value)
    if value is None or value * value / ramp.acceleration.value > MOST_RAMP_SHARE * trip.distance_deg:
        return None
    # By how much the speed changes if the acceleration or the delay is off by its deviation.
    acceleration = ramp.acceleration.value * (1.0 + ramp.acceleration.spread)
    others = (
        speed_from_trip(trip.distance_deg, elapsed, acceleration),
        speed_from_trip(trip.distance_deg, elapsed + ramp.delay_deviation_seconds, ramp.acceleration.value),
    )
    off = [1.0 if other is None else abs(other / value - 1.0) for other in others]
    return Figure(value, sqrt(sum(each * each for each in off)))


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
    """The mean, but for the longest tenth: a loss on the network now and then is left out."""
    ordered = sorted(values)
    return fmean(ordered[: max(1, len(ordered) - len(ordered) // 10)])


def _drives(drives: Mapping[int, Sequence[Reading]], assumed: ZoomModel) -> tuple[tuple[float, ...], tuple[float, ...]]:
    figures = {speed: fit_speed(readings) for speed, readings in drives.items() if len(readings) >= LEAST_READINGS}
    complete = _complete({speed + 1: figure for speed, figure in figures.items()}, assumed.drive_counts_per_s)
    return tuple(figure.value for figure in complete), tuple(figure.spread for figure in complete)


async def _settles(
    measured: Measurements, fits: Mapping[Axis, _AxisFit], dialect: Dialect, latency: float, lag: float, seeing: Seeing
) -> dict[Axis, SettleModel]:
    """How long it takes until either axis is seen to be still; the base is that of looking alone."""
    if not measured.seen_still:
        raise FitError(
            "it was never seen to stand still where it was sent: its readings waver by more than the tolerance; allow "
            "for that with tolerance_counts"
        )
    usual = median(stop.acknowledged_seconds for stop in measured.stops) if measured.stops else 0.0
    stops = [_since_stop(stop, fits[stop.axis], latency + stop.acknowledged_seconds - usual) for stop in measured.stops]
    swing = await _swing(stops)
    settles: dict[Axis, SettleModel] = {}
    for axis in AXES:
        scale, tolerance = (
            (dialect.pan, seeing.tolerance.pan_counts)
            if axis == "pan"
            else (dialect.tilt, seeing.tolerance.tilt_counts)
        )
        settle = SettleModel(
            base_seconds=lag + _expected(measured.seen_still),
            swing_deg_per_deg_per_s=0.0,
            damping_ratio=0.1,
            natural_rad_per_s=30.0,
            tolerance_deg=(tolerance + 0.5) / scale.counts_per_degree,
            reading_seconds=median(measured.between_readings),
            told_seconds=lag,
            still_seconds=SEEN_STILL_SECONDS,
        )
        grown = [] if swing is None else _grown(measured.stops, swing, axis, fits[axis], scale.counts_per_degree)
        if swing is not None and grown:
            per_speed, most = fit_amplitudes(grown)
            settle = replace(
                settle,
                swing_deg_per_deg_per_s=per_speed,
                most_swing_deg=most,
                damping_ratio=swing.damping_ratio,
                natural_rad_per_s=swing.natural_rad_per_s,
                tolerance_deg=(tolerance + swing.play_counts) / scale.counts_per_degree,
            )
        settles[axis] = settle
    return settles


def _since_stop(stop: Stop, fit: _AxisFit, latency: float) -> list[Reading]:
    """The readings after a stop, by the time that has passed since."""
    stopped = latency + seconds_for_axis(stop.distance_deg, fit.speeds[stop.step - 1], fit.ramp.acceleration.value)
    return [Reading(each.seconds - stopped, each.position) for each in stop.readings]


def _grown(
    stops: Sequence[Stop], swing: SwingFit, axis: Axis, fit: _AxisFit, counts_per_degree: float
) -> list[tuple[float, float]]:
    """From which speed, and how wide, an axis swung after each stop at which that was to be seen."""
    acceleration = fit.ramp.acceleration.value
    return [
        (peak_speed(stop.distance_deg, fit.speeds[stop.step - 1], acceleration), counts / counts_per_degree)
        for stop, counts in zip(stops, swing.amplitudes_counts, strict=True)
        if stop.axis == axis and counts > 0.0
    ]


async def _swing(stops: Sequence[Sequence[Reading]]) -> SwingFit | None:
    fitting = swing_fitting(stops)
    while True:
        try:
            next(fitting)
        except StopIteration as done:
            fitted: SwingFit | None = done.value
            return fitted
        await asyncio.sleep(0)
