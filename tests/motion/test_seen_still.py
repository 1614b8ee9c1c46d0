"""Whoever reads a position now and then sees a swing end when the readings say so: against a drawn-out imitation.

The imitation looks at A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t) at moments that wander, 400 times over, with a swing as uncertain
as a measured one: first once at everything, then at pan and tilt until these have agreed for long enough.
"""

from __future__ import annotations

import random
from dataclasses import replace
from math import cos, exp, pi, sqrt
from statistics import fmean

import pytest

from ptzd.motion import SettleModel
from ptzd.motion.seen_still import Swing, seen_still_delay

RAIL = SettleModel(
    base_seconds=0.3,
    swing_deg_per_deg_per_s=0.0109,
    damping_ratio=0.12,
    natural_rad_per_s=13.8,
    tolerance_deg=0.039,
    most_swing_deg=0.094,
    reading_seconds=0.11,
    whole_reading_seconds=0.4,
    still_seconds=0.3,
)
SINCE_SECONDS = 0.1  # from the stop until looking begins


def looked(model: SettleModel, swing_deg: float, rng: random.Random) -> float:
    """Return when it was said to be still, counted from the beginning of looking."""
    rate = model.damping_ratio * model.natural_rad_per_s
    pace = model.natural_rad_per_s * sqrt(1 - model.damping_ratio**2)

    def outside(seconds: float) -> bool:
        return abs(swing_deg * exp(-rate * seconds) * cos(pace * seconds)) > model.tolerance_deg

    begins = SINCE_SECONDS + rng.uniform(-0.3, 0.3) * model.reading_seconds
    first = begins + model.whole_reading_seconds / 3.0  # pan and tilt come first of three
    known = [begins + model.whole_reading_seconds]  # and when all was known
    within_since = None if outside(first) else known[0]
    while within_since is None or known[-1] - within_since < model.still_seconds - 1e-9:
        known.append(known[-1] + model.reading_seconds)
        if outside(known[-1]):
            within_since = None
        elif within_since is None:
            within_since = known[-1]
    return known[-1] - begins


@pytest.mark.parametrize("tolerance_deg", [0.039, 0.0098, 0.005])
@pytest.mark.parametrize("peak", [5.0, 20.0, 100.0])
def test_the_delay_is_that_of_the_readings_on_average(tolerance_deg: float, peak: float) -> None:
    model, rng = replace(RAIL, tolerance_deg=tolerance_deg), random.Random(3)
    swinging = [looked(model, model.swing_deg(peak) * rng.uniform(0.9, 1.1), rng) for _ in range(400)]
    at_rest = [looked(model, 0.0, rng) for _ in range(400)]
    delay = seen_still_delay([Swing(model, model.swing_deg(peak), SINCE_SECONDS)])
    assert delay.likely == pytest.approx(fmean(swinging) - fmean(at_rest), abs=0.08)
    assert delay.least <= delay.likely <= delay.most


def test_of_two_axes_the_one_that_swings_longer_counts() -> None:
    long, short = Swing(RAIL, 0.09, 0.1), Swing(RAIL, 0.05, 0.1)
    assert seen_still_delay([long, short]) == seen_still_delay([short, long]) == seen_still_delay([long])
    assert seen_still_delay([short]).likely < seen_still_delay([long]).likely


def test_where_a_slow_swing_is_to_be_seen_readings_must_agree_until_it_has_come_to_a_peak() -> None:
    # Half a swing of 0.8 Hz takes 0.625 s.
    slow = replace(RAIL, natural_rad_per_s=0.8 * 2 * pi, damping_ratio=0.08, swinging_seconds=0.625)
    seen, unseen = Swing(slow, 0.09, 0.1), Swing(slow, 0.03, 0.1)
    assert (seen.agreeing_seconds, unseen.agreeing_seconds) == (0.625, 0.3)
    rng = random.Random(5)
    swinging = [looked(replace(slow, still_seconds=0.625), 0.09 * rng.uniform(0.9, 1.1), rng) for _ in range(400)]
    at_rest = [looked(slow, 0.0, rng) for _ in range(400)]
    assert seen_still_delay([seen]).likely == pytest.approx(fmean(swinging) - fmean(at_rest), abs=0.08)
    assert seen_still_delay([unseen]).likely == 0.0


def test_a_swing_within_the_tolerance_delays_nothing_and_one_that_is_over_neither() -> None:
    assert seen_still_delay([Swing(RAIL, 0.03, 0.0)]).most == 0.0
    assert seen_still_delay([Swing(RAIL, 0.09, 60.0)]).most == 0.0


def test_a_swing_grows_no_further_than_the_deceleration_bends_the_mount() -> None:
    # Common practice: a long deceleration a bends a mount by a/ω², whatever the speed was.
    assert RAIL.swing_deg(5.0) == pytest.approx(0.0545)
    assert RAIL.swing_deg(50.0) == RAIL.swing_deg(120.0) == 0.094


@pytest.mark.parametrize(
    "field",
    ["most_swing_deg", "reading_seconds", "whole_reading_seconds", "told_seconds", "still_seconds", "swinging_seconds"],
)
def test_figures_below_zero_are_errors(field: str) -> None:
    with pytest.raises(ValueError):
        replace(RAIL, **{field: -0.1})
