"""When a camera that is being halted counts as standing still: by its own readings, and by nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ptzd.visca import Dialect

LEAST_READINGS = 4
LEAST_SECONDS = 0.4
STILL_COUNTS = 1  # a reading may flicker by one between two counts
SLOWER_BY = 0.9  # a head's own steps are off the table's by some per cent


@dataclass(frozen=True, slots=True)
class Seen:
    """One axis, as it was told at some moment between a question and its answer. Times in seconds of one clock."""

    asked_at: float
    answered_at: float
    counts: int


def window_seconds(dialect: Dialect) -> float:
    """Return for how long readings must be alike, so that no head could have moved at its slowest step meanwhile."""
    slowest = min(axis.steps_deg_per_s[0] * axis.counts_per_degree for axis in (dialect.pan, dialect.tilt))
    return max(LEAST_SECONDS, (STILL_COUNTS + 1) / (slowest * SLOWER_BY))


def stands_still(readings: Sequence[Seen], seconds: float) -> bool:
    """Return whether the latest readings of an axis, over `seconds` and four at least, are within one count."""
    alike: list[Seen] = []
    least = most = readings[-1].counts if readings else 0
    for reading in reversed(readings):
        least, most = min(least, reading.counts), max(most, reading.counts)
        if most - least > STILL_COUNTS:
            return False
        alike.append(reading)
        if len(alike) >= LEAST_READINGS and alike[0].asked_at - reading.answered_at >= seconds:
            return True
    return False
