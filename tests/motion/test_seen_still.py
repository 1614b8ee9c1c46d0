"""Whoever reads a position now and then knows from a measured head when its last crest is over: against an imitation.

The imitation looks at A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t) at moments that wander, 400 times over, with a swing as uncertain
as a measured one: when it is over, as far as is known, and from then on until the readings have agreed for 0.3 s. When
the last crest is over it finds by looking at every millisecond.
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
    still_seconds=0.36,
)
LOOKING_SECONDS = 0.5  # where nothing swings
AGREEING_SECONDS, LATE_SECONDS = 0.3, 0.03
SINCE_SECONDS = 0.1  # from the stop until looking begins


def outside(model: SettleModel, swing_deg: float, seconds: float) -> bool:
    rate = model.damping_ratio * model.natural_rad_per_s
    pace = model.natural_rad_per_s * sqrt(1 - model.damping_ratio**2)
    return abs(swing_deg * exp(-rate * seconds) * cos(pace * seconds)) > model.tolerance_deg


def last_outside(model: SettleModel, swing_deg: float) -> float:
    """Return when a swing is outside for the last time, in seconds since its stop; 0 where it never is."""
    return max((0.001 * tick for tick in range(12000) if outside(model, swing_deg, 0.001 * tick)), default=0.0)


def looked(model: SettleModel, swing_deg: float, counts_from: float, rng: random.Random) -> float:
    """Return when it was said to be still, counted from the beginning of looking."""
    now = counts_from + LATE_SECONDS * rng.uniform(0.0, 2.0)
    within_since = None if outside(model, swing_deg, now) else now
    while within_since is None or now < within_since + AGREEING_SECONDS:
        last = now if within_since is None else within_since + AGREEING_SECONDS + LATE_SECONDS * rng.uniform(0.0, 2.0)
        now = last if now < last < now + 2 * model.reading_seconds else now + model.reading_seconds
        if outside(model, swing_deg, now):
            within_since = None
        elif within_since is None:
            within_since = now
    return max(LOOKING_SECONDS, now - SINCE_SECONDS)


def test_the_last_crest_outside_is_over_when_the_readings_of_every_millisecond_say_so() -> None:
    rng = random.Random(11)
    for _ in range(60):
        model = replace(
            RAIL,
            natural_rad_per_s=2 * pi * rng.uniform(0.8, 6.0),
            damping_ratio=rng.uniform(0.06, 0.25),
            tolerance_deg=0.02,
        )
        swing_deg = 0.02 * rng.uniform(0.5, 12.0)
        left = Swing(model, swing_deg, 0.0).left_seconds()
        assert last_outside(model, swing_deg) <= left + 0.002
        assert left <= last_outside(model, 1.1 * swing_deg) + 0.002
        assert Swing(model, swing_deg, 0.3).left_seconds() == pytest.approx(max(0.0, left - 0.3))


@pytest.mark.parametrize("tolerance_deg", [0.039, 0.0098, 0.005])
@pytest.mark.parametrize("peak", [5.0, 20.0, 100.0])
@pytest.mark.parametrize("hertz", [0.8, 2.2])
def test_the_delay_is_that_of_the_readings_and_nothing_swings_out_again(
    tolerance_deg: float, peak: float, hertz: float
) -> None:
    model, rng = replace(RAIL, tolerance_deg=tolerance_deg, natural_rad_per_s=2 * pi * hertz), random.Random(3)
    swing = Swing(model, model.swing_deg(peak), SINCE_SECONDS)
    delay, counts_from = seen_still_delay([swing], LOOKING_SECONDS), SINCE_SECONDS + swing.left_seconds()
    swinging = [looked(model, model.swing_deg(peak) * rng.uniform(0.96, 1.04), counts_from, rng) for _ in range(400)]
    assert last_outside(model, 1.04 * model.swing_deg(peak)) <= SINCE_SECONDS + min(swinging)
    assert delay.likely == pytest.approx(fmean(swinging) - LOOKING_SECONDS, abs=0.04)
    assert delay.least <= delay.likely <= delay.most
    held = [delay.least - 0.04 <= each - LOOKING_SECONDS <= delay.most + 0.04 for each in swinging]
    assert sum(held) >= 0.9 * len(held)


def test_of_two_axes_the_one_that_swings_longer_counts() -> None:
    rail = replace(RAIL, tolerance_deg=0.005)
    long, short = Swing(rail, 0.09, 0.1), Swing(rail, 0.03, 0.1)
    one, other, alone = (seen_still_delay(swings, 0.2) for swings in ([long, short], [short, long], [long]))
    assert one == other == alone
    assert seen_still_delay([short], 0.2).likely < alone.likely


def test_a_swing_within_the_tolerance_delays_nothing_and_one_that_is_over_neither() -> None:
    assert seen_still_delay([Swing(RAIL, 0.03, 0.0)], LOOKING_SECONDS).most == 0.0
    assert seen_still_delay([Swing(RAIL, 0.09, 60.0)], LOOKING_SECONDS).most == 0.0


def test_a_swing_grows_no_further_than_the_deceleration_bends_the_mount() -> None:
    # Common practice: a long deceleration a bends a mount by a/ω², whatever the speed was.
    assert RAIL.swing_deg(5.0) == pytest.approx(0.0545)
    assert RAIL.swing_deg(50.0) == RAIL.swing_deg(120.0) == 0.094


@pytest.mark.parametrize("field", ["most_swing_deg", "reading_seconds", "told_seconds", "still_seconds"])
def test_figures_below_zero_are_errors(field: str) -> None:
    with pytest.raises(ValueError):
        replace(RAIL, **{field: -0.1})
