"""Whoever reads a position now and then sees a swing end when the readings say so: against a drawn-out imitation.

The imitation looks at A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t) at random moments, 400 times over, with a swing as uncertain as
a measured one.
"""

from __future__ import annotations

import random
from dataclasses import replace
from math import cos, exp, sqrt
from statistics import fmean

import pytest

from ptzd.motion import SettleModel

RAIL = SettleModel(
    base_seconds=0.3,
    swing_deg_per_deg_per_s=0.0109,
    damping_ratio=0.12,
    natural_rad_per_s=13.8,
    tolerance_deg=0.039,
    most_swing_deg=0.094,
    reading_seconds=0.11,
    still_seconds=0.2,
)


def looked(model: SettleModel, swing_deg: float, rng: random.Random) -> float:
    """Look every now and then, twice as often as may be said that it is still; return when it was said."""
    rate = model.damping_ratio * model.natural_rad_per_s
    pace = model.natural_rad_per_s * sqrt(1 - model.damping_ratio**2)
    seconds, since, turn = rng.uniform(0, model.reading_seconds), None, 0
    while True:
        if abs(swing_deg * exp(-rate * seconds) * cos(pace * seconds)) > model.tolerance_deg:
            since = None
        else:
            since = seconds if since is None else since
            if turn % 2 == 0 and seconds - since >= model.still_seconds - 1e-9:
                return seconds
        seconds += 0.5 * model.reading_seconds
        turn += 1


@pytest.mark.parametrize("tolerance_deg", [0.039, 0.0098, 0.005])
@pytest.mark.parametrize("peak", [5.0, 20.0, 100.0])
def test_the_delay_is_that_of_the_readings_on_average(tolerance_deg: float, peak: float) -> None:
    model, rng = replace(RAIL, tolerance_deg=tolerance_deg), random.Random(3)
    swinging = [looked(model, model.swing_deg(peak) * rng.uniform(0.9, 1.1), rng) for _ in range(400)]
    at_rest = [looked(model, 0.0, rng) for _ in range(400)]
    assert model.seen_still_seconds(peak) == pytest.approx(fmean(swinging) - fmean(at_rest), abs=0.06)


def test_a_swing_within_the_tolerance_delays_nothing() -> None:
    assert replace(RAIL, tolerance_deg=0.1).seen_still_seconds(120.0) == 0.0


def test_where_somebody_always_looks_it_is_the_swing_itself() -> None:
    model = replace(RAIL, reading_seconds=0.0)
    assert model.seen_still_seconds(60.0) == model.swing_seconds(60.0) > 0.0


def test_a_swing_grows_no_further_than_the_deceleration_bends_the_mount() -> None:
    # Common practice: a long deceleration a bends a mount by a/ω², whatever the speed was.
    assert RAIL.swing_deg(5.0) == pytest.approx(0.0545)
    assert RAIL.swing_deg(50.0) == RAIL.swing_deg(120.0) == 0.094


@pytest.mark.parametrize("field", ["most_swing_deg", "reading_seconds", "still_seconds"])
def test_figures_below_zero_are_errors(field: str) -> None:
    with pytest.raises(ValueError):
        replace(RAIL, **{field: -0.1})
