"""Until when a mount that swings is not still, and by how much that delays the moment at which a camera is seen to be.

Nobody sees a swing itself. Readings come now and then, and between two crests a head is where it was sent: by luck of
the moment it seems to be still there, or is read to be outside by a last crest. So where a head was measured, nothing
counts that is read before its last crest outside the tolerance is over, as far as its figures tell; from then on
readings must agree for as long as those of any head. Whoever looks and whoever predicts reckon with the same moment.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import asin, cos, exp, floor, log, pi, sqrt

from .head import SettleModel

SURELY = 1.05  # times as wide as was measured: a crest that is just outside would be read now and then
PERHAPS = 1.15
BISECTIONS = 10  # of a quarter of a swing, 0.3 s at most


@dataclass(frozen=True, slots=True)
class Delay:
    """Seconds beyond those that a head needs which does not swing."""

    least: float
    likely: float
    most: float


NO_DELAY = Delay(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Swing:
    """The swing of one axis, `since_seconds` after its stop, as wide as it was then."""

    settle: SettleModel
    amplitude_deg: float
    since_seconds: float

    def left_seconds(self, share: float = SURELY) -> float:
        """How long it is until its last crest outside the tolerance is over; 0 where it is, or none is outside.

        `share` is how many times as wide it is as was measured. Crests are those of A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t).
        """
        settle = self.settle
        width = share * self.amplitude_deg / settle.tolerance_deg
        if width <= 1.0:
            return 0.0
        rate = settle.damping_ratio * settle.natural_rad_per_s
        pace = settle.natural_rad_per_s * sqrt(1.0 - settle.damping_ratio**2)
        sooner = asin(settle.damping_ratio)  # by that phase a crest comes before its cosine does
        crest = max(0, floor((log(width * cos(sooner)) / rate * pace + sooner) / pi)) * pi
        outside, inside = max(0.0, crest - sooner) / pace, (crest + pi / 2) / pace
        for _ in range(BISECTIONS):
            middle = 0.5 * (outside + inside)
            if width * exp(-rate * middle) * cos(pace * middle - crest) > 1.0:
                outside = middle
            else:
                inside = middle
        return max(0.0, inside - self.since_seconds)


def seen_still_delay(swings: Sequence[Swing], looking_seconds: float) -> Delay:
    """Return how much later those see it still who begin to look now, and need `looking_seconds` where nothing swings.

    `settle.reading_seconds` is above 0.
    """
    settle = swings[0].settle
    perhaps = max(swing.left_seconds(PERHAPS) for swing in swings)
    if perhaps == 0.0:
        return NO_DELAY
    surely = max(swing.left_seconds() for swing in swings)
    wait, longest = (max(0.0, left + settle.still_seconds - looking_seconds) for left in (surely, perhaps))
    return Delay(wait, wait, longest + settle.reading_seconds)
