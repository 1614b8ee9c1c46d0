"""How fast the picture moves on the screen, whatever makes it move.

A point that crosses the whole picture in one second moves at 1 picture width per second. Pan and tilt move every point
alike. Zoom moves a point at the side edge away from the centre, at half a width times the growth of the focal length.
The three are taken as one vector, so that a jolt of pan and a jolt of zoom at the same time count as more than either.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

from .lens import Lens
from .optics import Sensor, angle_of_view_deg

SLOPE_COUNTS = 32.0  # over which the growth of the focal length is taken


@dataclass(frozen=True, slots=True)
class Picture:
    """The lens and the sensor that make the picture."""

    lens: Lens
    sensor: Sensor

    def widths_per_degree(self, zoom_counts: float) -> float:
        """Return how many picture widths the picture moves for one degree of pan or tilt."""
        return 1.0 / angle_of_view_deg(self.sensor.width_mm, self.lens.focal_length_mm(zoom_counts))

    def widths_per_count(self, zoom_counts: float) -> float:
        """Return how many picture widths the side edge moves for one count of zoom."""
        near = self.lens.focal_length_mm(zoom_counts - SLOPE_COUNTS / 2)
        far = self.lens.focal_length_mm(zoom_counts + SLOPE_COUNTS / 2)
        return 0.5 * log(far / near) / SLOPE_COUNTS
