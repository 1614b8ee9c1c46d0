"""Where a camera points and how fast it moves, in the units that the sums are done in."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pose:
    """Degrees grow to the right and upwards; zoom and focus stay in the counts of the camera's dialect."""

    pan_deg: float
    tilt_deg: float
    zoom_counts: float
    focus_counts: float | None  # None where the camera focuses by itself: then focus takes no part in a move


@dataclass(frozen=True, slots=True)
class AxisSpeeds:
    """How fast each axis moves at one moment: above zero to the right, upwards and in."""

    pan_deg_per_s: float
    tilt_deg_per_s: float
    zoom_counts_per_s: float
