"""There, and still: the one rule by which a camera is said to stand, and to stand where it was sent.

Only its own readings tell. A head that comes to rest swings with its mount, so that one reading at the right place says
nothing: they must agree for longer than half a swing of a balcony rail takes.
"""

from __future__ import annotations

from itertools import pairwise
from math import inf

from ptzd.visca import Dialect

from .framing import Framing, Tolerance, landing

STILL_SECONDS = 0.3
GRAIN_SECONDS = 0.001  # no time is that exact, and a camera that answers with each picture must not hang on a hair
LONGEST_HALF_SWING_SECONDS = 0.75  # what heads hang on swings at 0.8 Hz or faster (common practice)
JITTER_COUNTS = 1  # by which the readings of a head at rest may differ
LEAST_READINGS = 4
ASTRAY_SECONDS = 1.0
SLOWER_BY = 0.9  # a head's own steps are off the table's by some per cent


def seconds_to_tell(dialect: Dialect) -> float:
    """Return for how long readings must agree, so that no head could have moved at its slowest step meanwhile."""
    slowest = min(scale.steps_deg_per_s[0] * scale.counts_per_degree for scale in (dialect.pan, dialect.tilt))
    return max(STILL_SECONDS, (JITTER_COUNTS + 1) / (SLOWER_BY * slowest))


class Standing:
    """Since when a camera has stood, wherever that is."""

    def __init__(self, dialect: Dialect) -> None:
        self._seconds = seconds_to_tell(dialect)
        self._anchor: Framing | None = None
        self._since = self._latest = 0.0
        self._readings = 0

    def forget(self) -> None:
        """What was read before tells nothing of what comes: the camera may have been given an order."""
        self._anchor = None
        self._readings = 0

    def take(self, framing: Framing, now: float) -> None:
        """Take in where it is, as read just now (loop time)."""
        if self._anchor is None or not alike(framing, self._anchor):
            self._anchor, self._since, self._readings = framing, now, 0
        self._readings += 1
        self._latest = now

    @property
    def still(self) -> bool:
        """Whether the readings have agreed for long enough."""
        return self._readings >= LEAST_READINGS and self._latest - self._since >= self._seconds


class Arrival:
    """Since when a camera has been within tolerance of where it was sent."""

    def __init__(
        self, dialect: Dialect, wanted: Framing, tolerance: Tolerance, swings_seconds: float | None = None
    ) -> None:
        """`swings_seconds` is for how long after its end its mount swings: what is read before that does not count.

        Where that is not known, swings that are seen to pass from one side to the other tell for how long it must be
        there.
        """
        self._swings_seconds = swings_seconds
        self._told_at = inf  # its end
        self._agreeing = STILL_SECONDS
        self._side: bool | None = None  # on which it was out of the tolerance last
        self._came_at: list[float] = []  # to one side, from the other
        self._dialect = dialect
        self.wanted = wanted
        self._tolerance = tolerance
        self._since: float | None = None

    def forget(self) -> None:
        """It was sent anew."""
        self._since = self._side = None
        self._came_at.clear()

    def told_its_end(self, now: float) -> None:
        """Begin to look whether it is still."""
        self.forget()
        self._told_at = now

    def take(self, framing: Framing, now: float) -> None:
        """Take in where it is, as read just now (loop time)."""
        off = landing(self._dialect, framing, self.wanted)
        if not self._tolerance.holds(off):
            self._since = None
            if self._swings_seconds is None:
                self._swung(off.pan_counts if abs(off.pan_counts) > abs(off.tilt_counts) else off.tilt_counts, now)
        elif self._since is None:
            self._since = now

    def _swung(self, counts: int, now: float) -> None:
        """Take in on which side it is: that it comes to the one so long after it came to the other is half a swing."""
        if self._side is not None and self._side is not (counts > 0):
            self._came_at.append(now)
            halves = [later - sooner for sooner, later in pairwise(self._came_at)]
            if halves:
                self._agreeing = max(STILL_SECONDS, min(*halves, LONGEST_HALF_SWING_SECONDS))
        self._side = counts > 0

    def lens_is_there(self, framing: Framing) -> bool:
        """Whether zoom and focus are where they were sent, wherever the head is."""
        return self._tolerance.holds_lens(landing(self._dialect, framing, self.wanted))

    @property
    def there(self) -> bool:
        """Whether it was there at the last reading."""
        return self._since is not None

    def seconds(self, now: float) -> float:
        """Return for how long it has been there; 0 where it is not."""
        return 0.0 if self._since is None else now - self._since

    def still(self, now: float) -> bool:
        """Whether it has been there for long enough."""
        return self.due_at is not None and now >= self.due_at - GRAIN_SECONDS

    @property
    def due_at(self) -> float | None:
        """When it will have been there for long enough, if it stays; None where it is not there, or told no end yet."""
        if self._since is None or self._told_at == inf:
            return None
        return max(self._since, self.counts_from) + self._agreeing

    @property
    def counts_from(self) -> float:
        """When its mount will have swung out, as far as that is known: what is read sooner does not count."""
        return self._told_at + (self._swings_seconds or 0.0)

    def astray(self, now: float) -> bool:
        """Whether it has told its end, and is not there though it was given time to swing: it may be sweeping."""
        return self._since is None and now - self._told_at > ASTRAY_SECONDS


def alike(one: Framing, other: Framing) -> bool:
    """Whether two readings may be of one place. A camera that focuses by itself may do so at rest."""
    by_hand = "manual" in (one.focus_mode, other.focus_mode)
    return (
        abs(one.pan_counts - other.pan_counts) <= JITTER_COUNTS
        and abs(one.tilt_counts - other.tilt_counts) <= JITTER_COUNTS
        and abs(one.zoom_counts - other.zoom_counts) <= JITTER_COUNTS
        and (not by_hand or abs(one.focus_counts - other.focus_counts) <= JITTER_COUNTS)
    )
