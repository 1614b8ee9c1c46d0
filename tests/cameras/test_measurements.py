"""What is learned from trials that are known exactly: the figures that went in, and how well they can be known.

The trials are reckoned here, by the trapezoidal profile of any machine-design handbook: a way d at a speed v with an
acceleration a takes d/v + v/a, or 2·sqrt(d/a) where it is too short to reach v.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import cos, exp, log, pi, sqrt
from statistics import fmean, pstdev

import pytest

from ptzd.cameras.learning.measurements import (
    Measurements,
    Seeing,
    ShortTrip,
    StepTrip,
    Stop,
    WholeMove,
    learned_head,
)
from ptzd.cameras.learning.renewal import RenewalTrial
from ptzd.cameras.learning.trials import AXES, Axis
from ptzd.line import Tolerance
from ptzd.motion import HeadModel, LearnedHead, Pose, Reading, published_head
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
PUBLISHED = published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s)
EVERY_SECONDS = 0.022  # between two readings


@dataclass(frozen=True)
class Exact:
    """A head that does the same again and again, but for what `off` draws."""

    share: float = 1.03  # of the published speeds
    acceleration: float = 100.0
    latency: float = 0.08
    lag: float = 0.03  # from the stop to its report
    looking: float = 0.35
    zoom: float = 4000.0
    zoom_seconds: float = 0.2  # until it has its speed
    drive_share: float = 0.9  # of the assumed speeds
    focus: float = 20000.0
    slow_share: float | None = 0.4
    rng: random.Random | None = None  # of delays and of the moments of readings
    off_seconds: float = 0.0  # their deviation

    def off(self) -> float:
        return 0.0 if self.rng is None else self.rng.gauss(0.0, self.off_seconds)

    def speed(self, axis: Axis, step: int) -> float:
        scale = DIALECT.pan if axis == "pan" else DIALECT.tilt
        return self.share * scale.steps_deg_per_s[step - 1]

    def travels(self, way: float, speed: float) -> float:
        if way < speed * speed / self.acceleration:
            return 2.0 * sqrt(way / self.acceleration)
        return way / speed + speed / self.acceleration

    def come(self, way: float, speed: float, seconds: float) -> float:
        """How far it has come so long after it set out."""
        whole = self.travels(way, speed)
        if seconds <= 0.0 or seconds >= whole:
            return 0.0 if seconds <= 0.0 else way
        ramp = min(speed / self.acceleration, 0.5 * whole)
        if seconds <= ramp:
            return 0.5 * self.acceleration * seconds**2
        if seconds >= whole - ramp:
            return way - 0.5 * self.acceleration * (whole - seconds) ** 2
        return 0.5 * self.acceleration * ramp**2 + speed * (seconds - ramp)

    def trip(self, axis: Axis, way: float, speed: float) -> StepTrip:
        per_degree = (DIALECT.pan if axis == "pan" else DIALECT.tilt).counts_per_degree
        whole = self.latency + self.travels(way, speed)
        moments = [EVERY_SECONDS * (index + 0.5) for index in range(int(whole / EVERY_SECONDS) + 2)]
        readings = [
            Reading(at, round(self.come(way, speed, at - self.latency + self.off()) * per_degree) / per_degree)
            for at in moments
        ]
        return StepTrip(way, whole + self.lag + self.off(), readings)

    def measured(self) -> Measurements:
        found = Measurements()
        for axis, steps in (("pan", len(PUBLISHED.pan.steps_deg_per_s)), ("tilt", len(PUBLISHED.tilt.steps_deg_per_s))):
            fastest = self.speed(axis, steps)  # type: ignore[arg-type]
            for number in range(18):
                way = 1.0 * 40.0 ** (number % 6 / 5)
                seconds = self.latency + self.travels(way, fastest) + self.lag + self.off()
                found.short_trips[axis].append(ShortTrip(way, seconds))  # type: ignore[index]
            for step in range(1, steps + 1):
                speed = self.speed(axis, step)  # type: ignore[arg-type]
                way = 2.0 * speed + 1.2 * speed**2 / self.acceleration
                found.step_trips[axis][step] = self.trip(axis, way, speed)  # type: ignore[arg-type,index]
                if self.slow_share is not None:
                    slow = self.slow_share * speed
                    way = 2.0 * slow + 1.2 * slow**2 / self.acceleration
                    found.slow_trips[axis][step] = self.trip(axis, way, slow)  # type: ignore[arg-type,index]
        found.slow_share = self.slow_share
        delay = self.latency + self.lag
        for counts in (2000, 4000, 6500, 10000, 13000, 16000) * 2:
            found.zoom_trips.append((counts, counts / self.zoom + self.zoom_seconds + delay + self.off()))
            found.focus_trips.append((2 * counts, 2 * counts / self.focus + 0.1 + delay + self.off()))
        for number, assumed in enumerate(PUBLISHED.zoom.drive_counts_per_s):
            speed = self.drive_share * assumed
            found.zoom_drives[number] = [Reading(0.02 * index, round(speed * 0.02 * index)) for index in range(40)]
        found.seen_still += [self.looking] * 20
        found.between_readings += [0.03] * 50
        found.lens_delays += [0.02] * 12
        return found

    def whole_move(self, pan_deg: float, extra: float = 0.0) -> WholeMove:
        told = self.latency + self.travels(pan_deg, self.speed("pan", 24)) + self.lag
        from_, to = Pose(0.0, 0.0, 0.0, None), Pose(pan_deg, 0.0, 0.0, None)
        return WholeMove(from_, to, {"pan": 24, "tilt": 23}, told, told + self.looking + extra)


def learned(measured: Measurements, published: HeadModel = PUBLISHED) -> LearnedHead:
    seeing, day = Seeing(Tolerance()), datetime(2031, 5, 24, tzinfo=UTC)
    return asyncio.run(learned_head(measured, DIALECT, published, seeing, day))


def pan_off(head: LearnedHead, exact: Exact) -> list[float]:
    """By how much each step of pan is off, relatively."""
    return [speed / exact.speed("pan", step) - 1.0 for step, speed in enumerate(head.model.pan.steps_deg_per_s, 1)]


def test_figures_are_those_of_the_trials() -> None:
    exact = Exact()
    model = learned(exact.measured()).model
    assert model.slow is not None
    for axis, steps, share in (
        ("pan", model.pan, 1.0),
        ("tilt", model.tilt, 1.0),
        ("pan", model.slow.pan, 0.4),
        ("tilt", model.slow.tilt, 0.4),
    ):
        true = [share * exact.speed(axis, step) for step in range(1, len(steps.steps_deg_per_s) + 1)]  # type: ignore[arg-type]
        assert steps.steps_deg_per_s == pytest.approx(true, rel=0.004)
        assert steps.acceleration_deg_per_s2 == pytest.approx(exact.acceleration, rel=0.01)
        assert steps.deceleration_deg_per_s2 == pytest.approx(exact.acceleration, rel=0.01)
    assert model.latency_seconds == pytest.approx(exact.latency, abs=0.004)
    assert model.settle.told_seconds == pytest.approx(exact.lag, abs=0.004)
    assert model.settle.base_seconds == pytest.approx(exact.lag + exact.looking, abs=0.004)
    assert model.zoom.direct_counts_per_s == pytest.approx(exact.zoom, rel=0.002)
    assert model.zoom.acceleration_counts_per_s2 == pytest.approx(exact.zoom / exact.zoom_seconds, rel=0.02)
    assert model.focus_counts_per_s == pytest.approx(exact.focus, rel=0.002)
    driven = [exact.drive_share * speed for speed in PUBLISHED.zoom.drive_counts_per_s]
    assert model.zoom.drive_counts_per_s == pytest.approx(driven, rel=0.002)
    assert model.lens_delay_seconds == pytest.approx(0.02) and not model.lens_waits


def test_a_latency_and_an_acceleration_are_as_uncertain_as_the_waits_make_them() -> None:
    """The deviation of a mean acceleration, and of one wait: over many heads it is what each says of itself."""
    off, said = list[float](), list[float]()
    for seed in range(6):
        exact = Exact(rng=random.Random(seed), off_seconds=0.006, slow_share=None)
        head = learned(exact.measured())
        off += [
            head.model.pan.mean_acceleration_deg_per_s2 / exact.acceleration - 1.0,
            head.model.tilt.mean_acceleration_deg_per_s2 / exact.acceleration - 1.0,
        ]
        said += [head.measured.pan_acceleration, head.measured.tilt_acceleration]
        assert head.model.spread.acceleration >= max(head.measured.pan_acceleration, head.measured.tilt_acceleration)
    assert 0.5 < sqrt(fmean(each**2 for each in off)) / fmean(said) < 2.0


def test_a_step_that_had_no_room_is_as_far_off_its_table_as_those_beside_it() -> None:
    exact = Exact(share=0.96)
    measured = exact.measured()
    for step in (22, 23, 24):
        del measured.step_trips["pan"][step], measured.slow_trips["pan"][step]
    del measured.step_trips["tilt"][1], measured.slow_trips["tilt"][1]
    head = learned(measured)
    assert max(map(abs, pan_off(head, exact))) < 0.004
    assert head.model.tilt.steps_deg_per_s[0] == pytest.approx(exact.speed("tilt", 1), rel=0.004)
    assert [*head.measured.not_reached] == [
        *(f"pan step {step}" for step in (22, 23, 24)),
        "tilt step 1",
        *(f"pan step {step} in slow mode" for step in (22, 23, 24)),
        "tilt step 1 in slow mode",
    ]
    assert min(head.measured.pan_steps[21:]) > 10 * max(head.measured.pan_steps[:21]), "guessed is not measured"
    # What is guessed says nothing of what is measured.
    assert head.model.spread.speed < 0.01 and head.model.slow is not None and head.model.slow.spread < 0.01


def test_a_way_whose_readings_were_lost_tells_its_speed_by_the_time_that_it_took() -> None:
    off, said = list[float](), list[float]()
    for seed in range(3):
        exact = Exact(rng=random.Random(seed), off_seconds=0.006, slow_share=None)
        measured = exact.measured()
        for step in range(13, 25):
            trip = measured.step_trips["pan"][step]
            measured.step_trips["pan"][step] = replace(trip, readings=[])
        head = learned(measured)
        off += pan_off(head, exact)[12:]
        said += head.measured.pan_steps[12:]
        assert not head.measured.not_reached
    assert 0.5 < sqrt(fmean(each**2 for each in off)) / fmean(said) < 2.0


def test_a_way_that_was_hardly_ever_steady_and_not_timed_tells_its_speed_by_where_the_head_was() -> None:
    exact = Exact(slow_share=None)
    measured = exact.measured()
    for step in (22, 23, 24):
        speed = exact.speed("pan", step)
        way = 1.3 * speed**2 / exact.acceleration
        trip = exact.trip("pan", way, speed)
        # Answers came late: seven readings on the whole way.
        measured.step_trips["pan"][step] = StepTrip(way, None, trip.readings[:: len(trip.readings) // 14])
    head = learned(measured)
    assert not head.measured.not_reached
    assert max(map(abs, pan_off(head, exact)[21:])) < 0.01


def test_a_way_that_was_nearly_all_ramp_tells_no_speed() -> None:
    exact = Exact()
    measured = exact.measured()
    for step in (23, 24):
        speed = exact.speed("pan", step)
        way = 1.05 * speed**2 / exact.acceleration
        measured.step_trips["pan"][step] = exact.trip("pan", way, speed)
    assert [*learned(measured).measured.not_reached] == ["pan step 23", "pan step 24"]


@pytest.mark.parametrize(("share", "known"), [(0.4, True), (0.9, True), (0.98, False), (None, False)])
def test_a_slow_mode_that_is_hardly_slower_is_none(share: float | None, known: bool) -> None:
    head = learned(Exact(slow_share=share).measured())
    assert (head.model.slow is not None) == known
    assert (len(head.measured.slow_pan_steps), len(head.measured.slow_tilt_steps)) == ((24, 23) if known else (0, 0))


@pytest.mark.parametrize("axis", AXES)
def test_a_slow_mode_of_which_few_steps_are_known_on_either_axis_is_not_known(axis: Axis) -> None:
    measured = Exact().measured()
    measured.slow_trips[axis] = {step: measured.slow_trips[axis][step] for step in (3, 4, 5)}
    assert learned(measured).model.slow is None


def test_a_speed_of_the_zoom_that_was_not_measured_follows_those_beside_it() -> None:
    exact = Exact()
    measured = exact.measured()
    del measured.zoom_drives[0]
    measured.zoom_drives[4] = measured.zoom_drives[4][:3]
    head = learned(measured)
    driven = [exact.drive_share * speed for speed in PUBLISHED.zoom.drive_counts_per_s]
    assert head.model.zoom.drive_counts_per_s == pytest.approx(driven, rel=0.002)
    assert [spread > 0.01 for spread in head.measured.zoom_drive] == [index in (0, 4) for index in range(8)]


WAYS = (5.0, 10.0, 20.0, 30.0, 45.0, 60.0, 80.0, 100.0, 120.0, 15.0, 25.0, 70.0)


def test_what_whole_moves_take_longer_is_due_to_looking_but_one_that_the_network_held_up() -> None:
    exact = Exact(slow_share=None)
    measured = exact.measured()
    measured.whole_moves += [exact.whole_move(way, extra=0.5) for way in WAYS[1:]]
    measured.whole_moves.append(exact.whole_move(WAYS[0], extra=4.0))
    settle = learned(measured).model
    for each in (settle.settle, settle.settle_of_tilt):
        assert each.base_seconds == pytest.approx(exact.lag + exact.looking + 0.5, abs=0.01)


def test_two_whole_moves_say_nothing_of_looking() -> None:
    exact = Exact(slow_share=None)
    measured = exact.measured()
    measured.whole_moves += [exact.whole_move(way, extra=0.5) for way in WAYS[:2]]
    model = learned(measured).model
    assert model.settle.base_seconds == pytest.approx(exact.lag + exact.looking, abs=0.01)


def test_whole_moves_that_differ_make_settling_as_uncertain() -> None:
    """The deviation of what is normally distributed is 1.4826 times its median absolute deviation."""
    exact, rng = Exact(slow_share=None), random.Random(1)
    measured = exact.measured()
    extras = [rng.gauss(0.4, 0.15) for _ in range(5 * len(WAYS))]
    measured.whole_moves += [exact.whole_move(way, extra) for way, extra in zip(WAYS * 5, extras, strict=True)]
    head = learned(measured)
    assert head.model.settle.base_seconds * head.model.spread.settling == pytest.approx(pstdev(extras), rel=0.3)
    assert head.measured.settling == head.model.spread.settling


def test_a_lens_that_waited_more_often_than_not_sets_out_after_the_report_of_the_heads_end() -> None:
    exact = Exact(slow_share=None)
    measured = exact.measured()
    measured.lens_delays[:] = [0.02] * 2
    measured.lens_waits += [0.05] * 10
    model = learned(measured).model
    assert model.lens_waits
    assert model.lens_delay_seconds == pytest.approx(exact.lag + 0.05, abs=0.004), "it is counted from the stop"


def test_what_one_axis_does_in_mid_move_is_not_taken_for_what_the_other_does_unless_they_share_a_speed() -> None:
    measured = Exact(slow_share=None).measured()
    refused = RenewalTrial("pan", True, [], [(0.0, 8), (0.4, 8)], 1.0, refused=True, landed=True)
    measured.renewals += [refused] * 4
    assert learned(measured).model.renewal == "unknown"
    assert learned(measured, replace(PUBLISHED, shared_speed=True)).model.renewal == "refused"
    measured.renewals += [replace(refused, axis="tilt")] * 4
    assert learned(measured).model.renewal == "refused"


def swung(exact: Exact, axis: Axis, step: int, deg_per_deg_per_s: float, hertz: float, damping: float) -> Stop:
    """A stop after which the mount swings as any textbook of vibration has it: A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t)."""
    speed, omega = exact.speed(axis, step), 2.0 * pi * hertz
    way = 1.5 * speed**2 / exact.acceleration + 2.0
    per_degree = (DIALECT.pan if axis == "pan" else DIALECT.tilt).counts_per_degree
    stopped, rng = exact.latency + exact.travels(way, speed), random.Random(f"{axis} {step}")
    readings, since = list[Reading](), 0.04
    while since < 3.0:
        wide = deg_per_deg_per_s * speed * per_degree * exp(-damping * omega * since)
        readings.append(Reading(stopped + since, round(wide * cos(omega * sqrt(1.0 - damping**2) * since))))
        since += rng.uniform(0.01, 0.05)
    return Stop(axis, way, step, 0.01, readings)


def test_each_axis_swings_as_it_was_seen_to_and_the_swing_is_not_due_to_looking() -> None:
    exact = Exact(slow_share=None)
    measured = exact.measured()
    for step in (24, 20, 17, 14):
        measured.stops += [
            swung(exact, "pan", step, 0.004, 2.5, 0.06),
            swung(exact, "tilt", min(step, 23), 0.002, 2.5, 0.06),
        ]
    # As long as the swing of a stop from full speed is to be seen, its moves end later.
    swinging = log(0.004 * exact.speed("pan", 24) * 51.2 / 1.5) / (0.06 * 2.0 * pi * 2.5)
    measured.whole_moves += [exact.whole_move(way, extra=swinging) for way in (60.0, 80.0, 100.0, 120.0)]
    model = learned(measured).model
    for settle, grows in ((model.settle, 0.004), (model.settle_of_tilt, 0.002)):
        assert settle.natural_rad_per_s == pytest.approx(2.0 * pi * 2.5, rel=0.03)
        assert settle.damping_ratio == pytest.approx(0.06, rel=0.15)
        assert settle.swing_deg_per_deg_per_s == pytest.approx(grows, rel=0.15)
        assert settle.base_seconds == pytest.approx(exact.lag + exact.looking, abs=0.01)
