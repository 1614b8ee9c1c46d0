"""Measurements give back what a head truly is: 20 simulated heads, each with a truth of its own, none of it told.

The readings are whole counts, the reports of an end come some milliseconds late: as over the wire.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from functools import partial
from math import cos, exp, pi, sqrt

import pytest
from ptzsim.axis import Axis
from ptzsim.head import Head
from ptzsim.latency import Latency
from ptzsim.mount import MOUNTS, mount_named
from ptzsim.truth import Truth, draw_truth

from ptzd.motion import (
    Figure,
    FitError,
    Reading,
    Ride,
    ShapeFit,
    Trip,
    fit_amplitudes,
    fit_lens,
    fit_line,
    fit_ramp,
    fit_ride,
    fit_shape,
    fit_speed,
    speed_from_trip,
    steady,
)
from ptzd.motion.swing_fit import SwingFit, swing_fitting
from ptzd.visca import Dialect, load_dialect

SEEDS = range(20)
DIALECTS = ("nibble4-51", "nibble4-14", "shared5-205")
EVERY_SECONDS = 0.025  # a reading, a little irregular


class Unit:
    """One simulated head on a tripod, its truth, and a clock."""

    def __init__(self, seed: int, dialect_name: str, mount: str = "tripod") -> None:
        self.rng = random.Random(f"{seed} {dialect_name}")
        self.dialect: Dialect = load_dialect(dialect_name)
        self.truth: Truth = draw_truth(self.dialect, self.rng)
        self.latency = Latency(self.truth.least_latency_seconds, self.truth.most_latency_seconds, 0.0, self.rng)
        self.head = Head(self.dialect, self.truth, mount_named(mount), self.rng)
        self.head.wake_at_home(0.0)
        self.now = 1.0

    @property
    def per_degree(self) -> float:
        return self.dialect.pan.counts_per_degree

    def pan_speed(self, step: int) -> float:
        return self.dialect.pan.steps_deg_per_s[step - 1] * self.truth.pan_speed

    def pan(self, deg: float, step: int) -> tuple[Trip, list[Reading]]:
        """Go and tell how long it took, with readings on the way in degrees from the start."""
        sent, start = self.now, self.head.pan_counts(self.now)
        begins = self.latency.after(sent)
        target = self.dialect.pan.counts(deg)
        self.head.go_to(begins, self.dialect.pan.degrees(target), 0.0, step, step)
        readings, at = [], begins
        while at < self.head.ends_at:
            readings.append(Reading(at - sent, (self.head.pan_counts(at) - start) / self.per_degree))
            at += EVERY_SECONDS * self.rng.uniform(0.8, 1.3)
        ended = self.latency.after(self.head.ends_at)
        self.now = ended + 5.0
        speed = self.dialect.pan.steps_deg_per_s[step - 1] if step < 24 else self.pan_speed(step)
        return Trip((target - start) / self.per_degree, speed, ended - sent), readings


def within(figure: Figure, truth: float) -> float:
    """How many of its own standard deviations a figure is off."""
    return abs(figure.value - truth) / (figure.spread * figure.value)


@pytest.mark.parametrize("dialect_name", DIALECTS)
@pytest.mark.parametrize("step", [1, 6, 12, 18, 24])
def test_a_step_is_measured_within_one_per_cent(dialect_name: str, step: int) -> None:
    for seed in SEEDS:
        unit = Unit(seed, dialect_name)
        unit.pan(-150.0, 24)
        way = min(300.0, (2.2 * unit.pan_speed(step) + unit.pan_speed(step) ** 2 / 100.0))
        trip, readings = unit.pan(-150.0 + way, step)
        guard = 1.0 / unit.per_degree + 0.6 * unit.pan_speed(step) ** 2 / 100.0
        figure = fit_speed(steady(readings, trip.distance, guard))
        assert figure.value == pytest.approx(unit.pan_speed(step), rel=0.01), f"seed {seed}"


@pytest.mark.parametrize("dialect_name", DIALECTS)
def test_the_spread_of_a_speed_is_honest(dialect_name: str) -> None:
    """Of 60 speeds, at most a few are off by more than three of their own standard deviations."""
    far = 0
    for seed in SEEDS:
        unit = Unit(seed, dialect_name)
        for step in (3, 8, 14):
            unit.pan(0.0, 24)
            trip, readings = unit.pan(1.5 * unit.pan_speed(step) + 3.0, step)
            figure = fit_speed(steady(readings, trip.distance, 1.5))
            far += within(Figure(figure.value, max(figure.spread, 0.0005)), unit.pan_speed(step)) > 3.0
    assert far <= 4


def ramp_trips(unit: Unit, late: float = 0.0) -> list[Trip]:
    """Short ways this way and that, in any order, since latency wanders slowly; one of them reported late."""
    ways = [1.0, 2.0, 5.0, 10.0, 20.0, 40.0] * 3
    unit.rng.shuffle(ways)
    trips = []
    for way in ways:
        here = unit.head.pan_deg(unit.now)
        trips.append(unit.pan(here - way if here > 0.0 else here + way, 24)[0])
    trips[3] = Trip(trips[3].distance, trips[3].top_speed, trips[3].seconds + late)
    return trips


@pytest.mark.parametrize("dialect_name", DIALECTS)
@pytest.mark.parametrize("late", [0.0, 0.1, 0.4])
def test_an_acceleration_is_measured_within_five_per_cent_even_if_a_report_was_late(
    dialect_name: str, late: float
) -> None:
    off = []
    for seed in SEEDS:
        unit = Unit(seed, dialect_name)
        fit = fit_ramp(ramp_trips(unit, late))
        truth = unit.truth.pan_acceleration_deg_per_s2
        off.append(abs(fit.acceleration.value / truth - 1.0))
        assert off[-1] < 0.05, f"seed {seed}"
        assert within(fit.acceleration, truth) < 4.0, f"seed {seed}"
        # An order and the report of its end each take a message's latency.
        least, most = 2 * unit.truth.least_latency_seconds, 2 * unit.truth.most_latency_seconds
        assert least - 0.003 < fit.delay_seconds < most + 0.003
    assert sorted(off)[10] < 0.02


def test_trips_that_reach_their_speed_tell_the_acceleration_too() -> None:
    # Handbook: t = d/v + v/a. 30°/s and 60°/s² over 30°, 45°, 60°, 120°: 1.5, 2, 2.5, 4.5 s; and 0.1 s of delay.
    trips = [Trip(d, 30.0, t + 0.1) for d, t in ((30.0, 1.5), (45.0, 2.0), (60.0, 2.5), (120.0, 4.5))]
    trips.append(Trip(5.4, 30.0, 0.6 + 0.1))  # 2·sqrt(5.4/60)
    fit = fit_ramp(trips)
    assert fit.acceleration.value == pytest.approx(60.0, rel=0.001)
    assert fit.delay_seconds == pytest.approx(0.1, abs=0.001)


def test_a_speed_is_told_by_the_time_of_a_trip() -> None:
    # Handbook: 90° at 60°/s and 120°/s² take 2.000 s; 12° take 0.632 s and never reach 60°/s.
    assert speed_from_trip(90.0, 2.0, 120.0) == pytest.approx(60.0)
    assert speed_from_trip(12.0, 0.632, 120.0) is None


@pytest.mark.parametrize("dialect_name", DIALECTS)
def test_the_start_of_a_move_is_told_by_its_steady_part(dialect_name: str) -> None:
    for seed in SEEDS:
        unit = Unit(seed, dialect_name)
        trip, readings = unit.pan(30.0, 14)  # 15°/s
        truth = unit.truth
        figure, offset = fit_line(steady(readings, trip.distance, 3.0))
        # Handbook: at a constant acceleration a motor is behind by half the time in which it reaches its speed.
        start = offset - 0.5 * figure.value / truth.pan_acceleration_deg_per_s2
        assert truth.least_latency_seconds - 0.002 < start < truth.most_latency_seconds + 0.005


def ridden(rng: random.Random, speed: float, acceleration: float, braking: float, s_ramps: bool, every: float) -> Ride:
    """One way of the simulator's axis, which shares no sums with the fit, read now and then in counts."""
    axis = Axis(0.0, 0.0, 400.0, acceleration, braking=braking, s_ramps=s_ramps)
    distance = 1.5 * speed + speed * speed / acceleration * (1.0 + 1.0 / braking)
    axis.go(0.0, distance, speed)
    readings, at = [], rng.uniform(0.0, every)
    while at < axis.ends_at:
        readings.append(Reading(at + 0.3, round(axis.position(at) * 51.2) / 51.2))
        at += every * rng.uniform(0.8, 1.2)
    ramp = 0.5 * speed * speed / acceleration + 0.1
    figure, offset = fit_line(steady(readings, distance, ramp, ramp / braking))
    return Ride(distance, figure.value, offset, readings)


@pytest.mark.parametrize("s_ramps", [False, True])
@pytest.mark.parametrize("braking", [0.5, 0.8, 1.0, 1.3, 2.0])
@pytest.mark.parametrize("every", [0.02, 0.15])
def test_braking_and_rounded_ramps_are_told_by_where_a_head_was(s_ramps: bool, braking: float, every: float) -> None:
    rng, acceleration = random.Random(f"{s_ramps} {braking} {every}"), 90.0
    rides = [ridden(rng, speed, acceleration, braking, s_ramps, every) for speed in (12.0, 20.0, 28.0, 40.0, 60.0)]
    mean = 2.0 * acceleration * braking / (1.0 + braking)  # as the time of its ways tells
    shape = fit_shape(rides, mean)
    assert shape.acceleration == pytest.approx(acceleration, rel=0.06)
    assert (shape.braking or shape.acceleration) == pytest.approx(braking * acceleration, rel=0.06)
    # Its ramps follow 3τ² − 2τ³, whose steepest place is half as steep again as the whole: like 1/(1 − s/2).
    assert shape.s_share == pytest.approx(2.0 / 3.0 if s_ramps else 0.0, abs=0.21)


def test_a_way_that_is_hardly_ever_steady_tells_its_speed_all_the_same() -> None:
    rng = random.Random(4)
    axis = Axis(0.0, 0.0, 400.0, 100.0, braking=0.6)
    axis.go(0.0, 60.0, 60.0)  # 48° of it are ramps
    readings = [Reading(1.0 + 0.1 * index, axis.position(0.1 * index)) for index in range(1, int(10 * axis.ends_at))]
    shape = ShapeFit(100.0, 60.0, 0.0)
    for guess in (0.94, 1.05):
        figure = fit_ride(Ride(60.0, guess * 60.0, 0.0, readings), shape)
        assert figure.value == pytest.approx(60.0, rel=0.01)
    rng.shuffle(readings)
    for few in (0, 3):
        with pytest.raises(FitError):
            fit_ride(Ride(60.0, 60.0, 0.0, readings[:few]), shape)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_lens_is_measured_by_how_long_its_ways_take(seed: int) -> None:
    rng = random.Random(seed)
    rate, start = 5461.0 * rng.uniform(0.95, 1.05), 0.1
    axis = Axis(0.0, 0.0, 16384.0, rate / start)
    trips, now = [], 1.0
    for target in (3000.0, 0.0, 6000.0, 0.0, 11000.0, 0.0, 16384.0, 0.0):
        way = abs(target - axis.position(now))
        begins = now + rng.uniform(0.004, 0.016)
        axis.go(begins, target, rate)
        trips.append((way, axis.ends_at + rng.uniform(0.004, 0.016) - now))
        now = axis.ends_at + 1.0
    fit = fit_lens(trips, 0.02)
    assert fit.speed.value == pytest.approx(rate, rel=0.005)
    assert fit.acceleration.value == pytest.approx(rate / start, rel=0.15)


@pytest.mark.parametrize("late", range(8))
def test_one_report_that_came_late_does_not_make_a_lens_slower(late: int) -> None:
    ways = [9000.0, 18000.0, 31500.0, 45000.0] * 2
    trips = [(way, way / 22000.0 + 0.12 + (0.09 if number == late else 0.0)) for number, way in enumerate(ways)]
    assert fit_lens(trips, 0.02).speed.value == pytest.approx(22000.0)


def fit_swing(stops: Sequence[Sequence[Reading]]) -> SwingFit | None:
    """Fit it in one go."""
    fitting = swing_fitting(stops)
    while True:
        try:
            next(fitting)
        except StopIteration as done:
            fitted: SwingFit | None = done.value
            return fitted


@pytest.mark.parametrize("mount", [name for name in MOUNTS if name != "tripod"])
@pytest.mark.parametrize(("dialect_name", "share"), [("nibble4-51", 0.08), ("shared5-205", 0.03)])
def test_a_swing_is_recognised_in_whole_counts(mount: str, dialect_name: str, share: float) -> None:
    # A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t), the formula for a damped swing; a long deceleration a bends a mount by a/ω².
    kind = mount_named(mount)
    for seed in range(3):
        unit = Unit(seed, dialect_name, mount)
        stops = []
        for target, step in ((60.0, 24), (0.0, 20), (40.0, 22), (0.0, 24)):
            unit.pan(target, step)
            stopped, readings = unit.head.ends_at, []
            at = stopped + 0.01
            while at < stopped + 3.0:
                readings.append(Reading(at - stopped, unit.head.pan_counts(at) - unit.dialect.pan.counts(target)))
                at += EVERY_SECONDS * unit.rng.uniform(0.8, 1.3)
            stops.append(readings)
        swing = fit_swing(stops)
        assert swing is not None
        assert swing.natural_rad_per_s == pytest.approx(2 * pi * kind.frequency_hz, rel=share)
        assert swing.damping_ratio == pytest.approx(kind.damping, rel=0.35)
        bend = kind.coupling * unit.truth.pan_acceleration_deg_per_s2 / (2 * pi * kind.frequency_hz) ** 2
        assert max(swing.amplitudes_counts) == pytest.approx(bend * unit.per_degree, rel=0.25)
        if dialect_name == "shared5-205":
            assert swing.play_counts == 1.0  # its gear swallows what is less than a count


def test_a_camera_that_rounds_is_told_from_one_whose_gear_has_play() -> None:
    times = [0.01 + 0.025 * index for index in range(120)]
    swing = [12.0 * exp(-1.5 * t) * cos(sqrt(14.0**2 - 1.5**2) * t) for t in times]
    fit = fit_swing([[Reading(t, round(x)) for t, x in zip(times, swing, strict=True)]])
    assert fit is not None
    assert fit.play_counts == 0.5
    assert fit.amplitudes_counts == pytest.approx((12.0,), rel=0.1)
    assert fit.natural_rad_per_s == pytest.approx(14.0, rel=0.02)


def swung(counts: float, hertz: float, damping: float, seconds: float) -> float:
    """A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t), the formula for a damped swing, of so many hertz as it is seen."""
    pace = 2 * pi * hertz
    return counts * exp(-damping / sqrt(1 - damping**2) * pace * seconds) * cos(pace * seconds)


@pytest.mark.parametrize("late", [-0.03, 0.0, 0.03])
def test_a_swing_is_recognised_though_the_head_stopped_a_little_sooner_or_later(late: float) -> None:
    stops = [
        [Reading(at + late, int(swung(counts, 2.2, 0.08, at))) for at in (first + 0.17 * turn for turn in range(12))]
        for counts, first in ((30.0, 0.25), (28.0, 0.31), (31.0, 0.37), (29.0, 0.28))
    ]
    fit = fit_swing(stops)
    assert fit is not None
    assert fit.natural_rad_per_s == pytest.approx(2 * pi * 2.2, rel=0.02)
    assert fit.damping_ratio == pytest.approx(0.08, rel=0.15)
    assert fit.amplitudes_counts[0] == pytest.approx(30.0, rel=0.15)


def test_a_swing_is_recognised_of_which_a_late_camera_tells_but_once_after_each_stop() -> None:
    firsts = (0.26, 0.27, 0.29, 0.30, 0.28, 0.26)
    stops = [
        [Reading(at, int(swung(2.8, 1.78, 0.07, at))) for at in (first + 0.19 * turn for turn in range(8))]
        for first in firsts
    ]
    assert all(sum(abs(each.position) >= 2 for each in stop) == 1 for stop in stops)
    fit = fit_swing(stops)
    assert fit is not None
    assert fit.natural_rad_per_s == pytest.approx(2 * pi * 1.78, rel=0.08)
    assert fit_swing(stops[:2]) is None  # too little to tell


def test_a_head_that_stands_still_does_not_swing() -> None:
    assert fit_swing([[Reading(0.02 * index, index % 2) for index in range(100)]] * 3) is None


def test_a_swing_grows_with_the_speed_until_the_deceleration_alone_decides() -> None:
    stops = [(speed, min(0.01 * speed, 0.1)) for speed in (2.0, 5.0, 8.0, 15.0, 40.0, 90.0)]
    per_speed, most = fit_amplitudes(stops)
    assert per_speed == pytest.approx(0.01, rel=0.05)
    assert most == pytest.approx(0.1, rel=0.05)


@pytest.mark.parametrize(
    "fit",
    [
        partial(fit_speed, [Reading(0.0, 0.0)] * 4),
        partial(fit_speed, [Reading(0.0, 0.0)] * 9),
        partial(fit_speed, [Reading(0.1 * index, 3.0) for index in range(9)]),
        partial(fit_ramp, [Trip(1.0, 60.0, 1.0)] * 3),
        partial(fit_ramp, [Trip(1.0, 60.0, 1.0)] * 6),
        partial(fit_lens, [(1000.0, 1.0)] * 3, 0.02),
        partial(fit_lens, [(1000.0 * index, 2.0 - 0.1 * index) for index in range(1, 6)], 0.02),
        partial(fit_amplitudes, []),
    ],
)
def test_readings_that_tell_nothing_are_refused(fit: partial[object]) -> None:
    with pytest.raises(FitError):
        fit()
