"""How fast a head turns, and its zoom runs, for the picture to change at one pace, whatever the lens shows."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, log, log2, radians
from typing import Literal, NamedTuple

from .lens import Lens
from .optics import PANNING_SECONDS, Sensor, angle_of_view_deg

STEEPEST_DEG = 60.0  # of tilt: further up or down, a pan turns the picture rather than shifting it
_NEAR = 2.0 ** (1.0 / 16.0)  # a lens changes little from one focal length to one that is so many times longer

Grip = Literal["fine", "fast"]


class SecondsAcross(NamedTuple):
    """How long a full push by hand takes across the picture, and to halve or double it."""

    fine: float = PANNING_SECONDS  # what a viewer can follow
    fast: float = 2.0  # what brings a camera about before anybody waits for it (common practice)

    def of(self, grip: Grip) -> float:
        return self.fine if grip == "fine" else self.fast


USUAL_SECONDS_ACROSS = SecondsAcross()


def tilting_deg_per_s(sensor: Sensor, focal_mm: float, seconds: float) -> float:
    """Return how fast the angle that the picture's width sees has passed in so many seconds, above zero."""
    return angle_of_view_deg(sensor.width_mm, focal_mm) / seconds


def panning_deg_per_s(sensor: Sensor, focal_mm: float, tilt_deg: float, seconds: float) -> float:
    """Return how fast the head pans for the middle of the picture to pass as fast as it does by `tilting_deg_per_s`.

    A camera that looks steeply down, or up, turns about an axis that is almost its own: what it shows passes slower.
    """
    return tilting_deg_per_s(sensor, focal_mm, seconds) / cos(radians(min(abs(tilt_deg), STEEPEST_DEG)))


def zooming_counts_per_s(lens: Lens, zoom_counts: int, seconds: float) -> float:
    """Return how fast the zoom runs where it stands, for the picture to halve or double in so many seconds; not 0."""
    focal_mm = lens.focal_length_mm(zoom_counts)
    least, most = max(focal_mm / _NEAR, lens.wide_mm), min(focal_mm * _NEAR, lens.tele_mm)
    return (lens.zoom_counts(most) - lens.zoom_counts(least)) / (log2(most / least) * seconds)


def nearest_step(speeds: Sequence[float], wanted: float) -> int:
    """Return the index of the speed that is nearest to one above zero: so many times faster, or slower."""
    return min(range(len(speeds)), key=lambda index: abs(log(speeds[index] / wanted)))
