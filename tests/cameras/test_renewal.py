"""What a head does with a new order in mid-move is told by the way that it came, and not told where that is not clear.

The way is summed here in steps of a millisecond, from speeds and ramps: nothing of what judges it is used for that.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from ptzd.cameras.learning.renewal import RenewalTrial, agreed, verdict
from ptzd.cameras.learning.trials import Room, renewal_pace
from ptzd.motion import AxisModel, Reading
from ptzd.visca import AxisScale

MODEL = AxisModel((2.0, 4.0, 8.0, 12.0, 24.0), 120.0)
COUNTS = 14.4  # per degree: the coarsest of the published scales
EVERY = 0.25
ORDERS = 7
Lowest = Callable[[int], float | None]  # by the number of the order: to which speed the head falls first, if it does


def smoothly(number: int) -> float | None:
    return None


def to_rest(number: int) -> float | None:
    return 0.0


def travel(
    steps: list[int],
    lowest: Lowest = smoothly,
    *,
    obeys: bool = True,
    braking: float = 1.0,
    pause: float = 0.0,
    seed: int = 1,
    farther_on: bool = False,
) -> RenewalTrial:
    """A trial whose readings come every 20 to 40 ms, up to 15 ms late, in whole counts."""
    rng = random.Random(seed)
    speed = place = now = 0.0
    next_order, falls_to, rests_until = 0, None, 0.0
    wanted = 0.0
    readings: list[Reading] = []
    next_reading = 0.0
    while now < 0.4 + len(steps) * EVERY + 0.3:
        due = 0.0 if next_order == 0 else 0.4 + (next_order - 1) * EVERY
        if next_order < len(steps) and now >= due:
            if obeys or next_order == 0:
                wanted = MODEL.speed_deg_per_s(steps[next_order])
            falls_to = lowest(next_order) if next_order else None
            next_order += 1
        aim = wanted if falls_to is None else falls_to
        if now >= rests_until:
            if speed < aim:
                speed = min(aim, speed + MODEL.acceleration_deg_per_s2 * 0.001)
            elif speed > aim:
                speed = max(aim, speed - braking * MODEL.acceleration_deg_per_s2 * 0.001)
        if falls_to is not None and speed <= falls_to:
            falls_to, rests_until = None, now + pause
        place += 0.001 * speed
        if now >= next_reading:
            readings.append(Reading(now + rng.uniform(0.0, 0.015), round(place * COUNTS) / COUNTS))
            next_reading = now + rng.uniform(0.02, 0.04)
        now += 0.001
    times = [0.0, *(0.4 + number * EVERY for number in range(len(steps) - 1))]
    orders = tuple(zip(times, steps, strict=True))
    return RenewalTrial("pan", farther_on, readings, orders, times[-1] + EVERY, refused=False, landed=True)


IN_TURN = [4, 3, 4, 3, 4, 3, 4]
ALIKE = [4] * ORDERS


def judged(trial: RenewalTrial) -> str:
    return verdict(trial, MODEL, COUNTS)


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("braking", [0.5, 1.0, 2.0])
def test_a_head_that_passes_from_speed_to_speed_goes_on_smoothly(seed: int, braking: float) -> None:
    assert judged(travel(IN_TURN, braking=braking, seed=seed)) == "smooth"
    assert judged(travel(ALIKE, braking=braking, seed=seed, farther_on=True)) == "smooth"


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize(("braking", "pause"), [(1.0, 0.0), (2.0, 0.0), (0.7, 0.0), (1.0, 0.05), (2.0, 0.2)])
def test_a_head_that_comes_to_rest_each_time_stops_however_short_the_rest(
    seed: int, braking: float, pause: float
) -> None:
    assert judged(travel(IN_TURN, to_rest, braking=braking, pause=pause, seed=seed)) == "stops"
    assert judged(travel(ALIKE, to_rest, braking=braking, pause=pause, seed=seed, farther_on=True)) == "stops"


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("order", [1, 3, 5])
def test_a_head_that_stops_once_is_not_smooth(seed: int, order: int) -> None:
    def once(number: int) -> float | None:
        return 0.0 if number == order else None

    assert judged(travel(IN_TURN, once, seed=seed)) != "smooth"
    assert judged(travel(ALIKE, once, seed=seed, farther_on=True)) != "smooth"


@pytest.mark.parametrize("seed", range(10))
def test_a_head_that_falls_to_a_third_of_its_speed_is_not_smooth(seed: int) -> None:
    assert judged(travel(ALIKE, lambda number: 4.0, seed=seed, farther_on=True)) != "smooth"


@pytest.mark.parametrize("seed", range(10))
def test_orders_that_change_nothing_are_refused(seed: int) -> None:
    assert judged(travel(IN_TURN, obeys=False, seed=seed)) == "refused"


def test_a_head_that_says_no_or_stays_short_of_the_last_target_refuses() -> None:
    assert judged(replace(travel(IN_TURN), refused=True)) == "refused"
    assert judged(replace(travel(ALIKE, farther_on=True), landed=False)) == "refused"
    assert judged(replace(travel(IN_TURN), landed=False)) == "unknown", "all went to the same place"


def test_nothing_is_said_of_ways_too_slow_to_tell() -> None:
    # From 2°/s a stop costs v²/a = 0.033°, half a count.
    assert judged(travel([1] * ORDERS, farther_on=True)) == "unknown"
    assert judged(travel([1] * ORDERS, to_rest, farther_on=True)) == "unknown"


def several(*trials: RenewalTrial) -> str:
    return agreed(trials, {"pan": MODEL}, {"pan": COUNTS, "tilt": COUNTS})


def test_trials_that_do_not_agree_leave_it_unknown() -> None:
    smooth, stops = travel(IN_TURN), travel(IN_TURN, to_rest)
    assert several(smooth, smooth, smooth, smooth) == "smooth"
    assert several(smooth, smooth, smooth, stops) == "unknown"
    assert several(stops, stops, stops) == "stops"
    assert several(smooth, smooth, smooth, replace(smooth, refused=True)) == "unknown"


def test_too_few_clear_trials_of_an_axis_leave_it_unknown() -> None:
    smooth = travel(IN_TURN)
    assert several(smooth, smooth) == "unknown"
    both = {"pan": MODEL, "tilt": MODEL}
    trials = [smooth] * 4 + [replace(smooth, axis="tilt")] * 2
    assert agreed(trials, both, {"pan": COUNTS, "tilt": COUNTS}) == "unknown"  # type: ignore[arg-type]


@pytest.mark.parametrize("deg", [5.0, 10.0, 25.0, 60.0, 300.0])
def test_every_way_stays_within_its_range(deg: float) -> None:
    scale = AxisScale(
        counts_per_degree=COUNTS, least_counts=-2448, most_counts=2448, steps_deg_per_s=(1.0,), steps_source="a test"
    )
    room = Room(scale, 0, round(deg * COUNTS))
    pace = renewal_pace(room, MODEL)
    assert 0 < pace.travel <= room.counts
    assert pace.orders >= 3
    assert pace.slow_step < pace.fast_step or deg < 6.2, "no step but the slowest fits"
