"""How a hand holds a camera: a full push goes across the picture in a set time, however long the lens is.

Whatever the picture shows passes as fast up and down as it does to the sides, so that a push goes the way in which it
is pushed. A head has steps: the nearest is taken, and where even its slowest is too fast, that one. None is ordered
that the head, as it was measured to speed up, has not come to by the next order.
"""

from __future__ import annotations

from math import copysign, isfinite
from typing import NamedTuple

from ptzd.line import Framing
from ptzd.motion import AxisModel, Grip, nearest_step, panning_deg_per_s, tilting_deg_per_s, zooming_counts_per_s

from .settings import CameraSettings

LENS_SPEEDS = 7  # zoom and focus speeds are 0..7
SLOWEST_LENS = 0.25 / LENS_SPEEDS  # a push that is speed 0, which is not standing still
NEXT_ORDER_SECONDS = 0.1  # between two messages of a stick, or two readings


class Deflection(NamedTuple):
    """Each axis from -1 to 1 of its fastest: right, up, tele and far are positive."""

    pan: float
    tilt: float
    zoom: float
    focus: float


class Hold:
    """One drive, from its first push on."""

    def __init__(self, now: float) -> None:
        self._at = now - NEXT_ORDER_SECONDS
        self._pan = self._tilt = 0.0  # °/s that it has risen to

    def shares(
        self, settings: CameraSettings, framing: Framing, grip: Grip | None, push: Deflection, now: float
    ) -> Deflection:
        """Return the shares of the head's own fastest that a push stands for; focus is such a share already.

        So is all of it without a grip, and where nobody knows how wide the picture is.
        """
        optics, head = settings.optics, settings.head
        if grip is None or optics is None or not all(map(isfinite, push)):  # orders can't be made of what is no number
            return push
        seconds = settings.seconds_across.of(grip)
        focal_mm = optics.lens.focal_length_mm(framing.zoom_counts)
        tilt_deg = settings.dialect.tilt.degrees(framing.tilt_counts)
        passed, self._at = now - self._at, now
        pan = push.pan * panning_deg_per_s(optics.sensor, focal_mm, tilt_deg, seconds)
        tilt = push.tilt * tilting_deg_per_s(optics.sensor, focal_mm, seconds)
        self._pan, pan_share = _risen(head.pan, self._pan, pan, passed)
        self._tilt, tilt_share = _risen(head.tilt, self._tilt, tilt, passed)
        zoom = push.zoom * zooming_counts_per_s(optics.lens, framing.zoom_counts, seconds)
        return Deflection(pan_share, tilt_share, _zoom_share(head.zoom.drive_counts_per_s, zoom), push.focus)


def seconds_across(settings: CameraSettings, framing: Framing, grip: Grip) -> float | None:
    """Return how long a full push of pan takes across the picture, by the head's steps; None where nobody knows."""
    if settings.optics is None:
        return None
    focal_mm = settings.optics.lens.focal_length_mm(framing.zoom_counts)
    tilt_deg = settings.dialect.tilt.degrees(framing.tilt_counts)
    whole = panning_deg_per_s(settings.optics.sensor, focal_mm, tilt_deg, 1.0)
    steps = settings.head.pan.steps_deg_per_s
    return whole / steps[nearest_step(steps, whole / settings.seconds_across.of(grip))]


def _risen(axis: AxisModel, before: float, wanted: float, seconds: float) -> tuple[float, float]:
    """Return the speed that an axis is to have now, on its way from one before to a wanted one, and its share."""
    if not wanted:
        return 0.0, 0.0
    already = abs(before) if before * wanted > 0.0 else 0.0
    most = already + axis.acceleration_deg_per_s2 * seconds
    step = nearest_step(axis.steps_deg_per_s, abs(wanted))
    while step and axis.steps_deg_per_s[step] > most:
        step -= 1
    speed = min(abs(wanted), most)
    return copysign(speed, wanted), copysign((step + 0.5) / len(axis.steps_deg_per_s), wanted)


def _zoom_share(speeds: tuple[float, ...], wanted: float) -> float:
    if not wanted:
        return 0.0
    return copysign(max(nearest_step(speeds, abs(wanted)) / LENS_SPEEDS, SLOWEST_LENS), wanted)
