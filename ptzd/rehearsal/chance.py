"""How likely a move has settled within some time, as far as its range tells; and times drawn from that range.

The planner's range ends 2.25 standard deviations from what it predicts (`ptzd.motion.prediction`: each uncertain figure
of the head is off by a log-normal factor, and what each does to the time is added in quadrature). On either side of
the prediction the time is taken as normally distributed with a deviation of its own, so that these ends come out again:
before the early end it has settled once in eighty times, after the late end it has not once in eighty.
"""

from __future__ import annotations

import random
from math import erf, sqrt

from ptzd.motion.prediction import DEVIATIONS

ROUNDING_SECONDS = 1e-6  # sums of times are not exact to the last bit; nothing a head does is known to a thousandth


def chance_within(seconds: float, needed: float, least: float, most: float) -> float:
    """Return how likely a move that needs `needed` seconds, `least` to `most`, has settled within `seconds`."""
    over = seconds - needed + ROUNDING_SECONDS
    deviation = (most - needed if over >= 0.0 else needed - least) / DEVIATIONS
    if deviation <= 0.0:
        return 1.0 if over >= 0.0 else 0.0
    return 0.5 * (1.0 + erf(over / (deviation * sqrt(2.0))))


def drawn_seconds(needed: float, least: float, most: float, rng: random.Random) -> float:
    """Return how long such a move takes once, never below 0."""
    deviations = rng.gauss(0.0, 1.0) / DEVIATIONS
    return max(0.0, needed + deviations * (most - needed if deviations >= 0.0 else needed - least))
