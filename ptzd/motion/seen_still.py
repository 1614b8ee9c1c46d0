"""By how much the swing of a mount delays the moment at which a camera is seen to be still.

Nobody sees a swing itself. Readings come now and then: first one of everything, then of pan and tilt alone until these
have been within the tolerance for a while; one that finds the head outside begins that anew. On a camera that answers
late, tenths of a second pass between two of them, and a swing ends sooner or later than that by luck of the moment: so
the same is reckoned for several moments, and several swings around the likely one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, cos, exp, sqrt

from .head import SettleModel

# How much sooner or later the first reading is, as a share of the time between two, and the share of the swing.
_CHANCES = ((-0.3, 0.93), (0.2, 0.98), (-0.1, 1.02), (0.3, 1.07))
_SEEN_SHARE = 1.0 / 3.0  # of the time that a reading of everything takes: then it has told pan and tilt


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

    @property
    def left_seconds(self) -> float:
        """How long it will still be wider than the tolerance; below 0 where it no longer is."""
        return self.settle.seconds_within(self.amplitude_deg) - self.since_seconds

    @property
    def agreeing_seconds(self) -> float:
        """For how long readings must agree, until it is seen to be still."""
        plain, swinging = self.settle.still_seconds, self.settle.swinging_seconds
        return plain if swinging is None or self.left_seconds <= 0.0 else swinging


def seen_still_delay(swings: Sequence[Swing]) -> Delay:
    """Return how much later those see it still who begin to read now; `settle.reading_seconds` is above 0."""
    visible = [swing for swing in swings if swing.left_seconds > 0.0]
    if not visible:
        return NO_DELAY
    delays = [_delay(visible, sooner, share) for sooner, share in _CHANCES]
    return Delay(min(delays), sum(delays) / len(delays), max(delays))


def _delay(swings: Sequence[Swing], later: float, share: float) -> float:
    settle = swings[0].settle
    reading, whole = settle.reading_seconds, settle.whole_reading_seconds
    plain = ceil(settle.still_seconds / reading - 1e-9)
    enough = ceil(max(swing.agreeing_seconds for swing in swings) / reading - 1e-9)
    waves = [_wave(swing, share, later * reading) for swing in swings]
    begun = within = 0  # readings of pan and tilt, and how many of them since it was first seen within
    seen = _SEEN_SHARE * whole
    while True:
        for amplitude, rate, pace, since, over_at in waves:
            seconds = seen + since
            if seconds < over_at and abs(amplitude * exp(-rate * seconds) * cos(pace * seconds)) > 1.0:
                within = -1
                break
        if within == enough:
            return (begun - plain) * reading
        within += 1
        begun += 1
        seen = whole + begun * reading


def _wave(swing: Swing, share: float, later: float) -> tuple[float, float, float, float, float]:
    """Amplitude in tolerances, rate, pace, how long it has swung already, and when it is over."""
    settle = swing.settle
    rate = settle.damping_ratio * settle.natural_rad_per_s
    pace = settle.natural_rad_per_s * sqrt(1.0 - settle.damping_ratio**2)
    over_at = swing.left_seconds + swing.since_seconds + 0.1 / rate  # for the largest share, too
    return share * swing.amplitude_deg / settle.tolerance_deg, rate, pace, swing.since_seconds + later, over_at
