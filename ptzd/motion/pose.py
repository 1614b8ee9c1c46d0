"""Where a camera points, in the units that the sums are done in."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pose:
    """Degrees grow to the right and upwards; zoom and focus stay in the counts of the camera's dialect."""

    pan_deg: float
    tilt_deg: float
    zoom_counts: float
    focus_counts: float | None  # None where the camera focuses by itself: then focus takes no part in a move
