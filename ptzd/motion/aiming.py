"""Where a camera must turn so that what it shows at some place of its picture comes to the middle, and fills it.

Places in the picture are shares of its width and height from its top left; (0.5, 0.5) is the middle. A camera shows
what a pinhole would: a pan turns it about the vertical, a tilt about its own horizontal axis.
"""

from __future__ import annotations

from math import atan2, cos, degrees, hypot, radians, sin

from .optics import Sensor

Place = tuple[float, float]  # in the picture
Point = tuple[float, float, float]  # of a room, in metres: to the right, ahead and up


def aimed_at(eye: Point, facing_deg: float, thing: Point) -> tuple[float, float, float]:
    """Return the pan and tilt at which a camera sees a thing in the middle, and how many metres away that is.

    `facing_deg` is which way the camera looks at pan 0: degrees to the right of straight ahead. Pan is -180 to 180.
    """
    right, ahead, up = (there - here for here, there in zip(eye, thing, strict=True))
    pan_deg = degrees(atan2(right, ahead)) - facing_deg
    pan_deg -= 360.0 * round(pan_deg / 360.0)
    return pan_deg, degrees(atan2(up, hypot(right, ahead))), hypot(right, ahead, up)


def turned_to(sensor: Sensor, focal_mm: float, pan_deg: float, tilt_deg: float, place: Place) -> tuple[float, float]:
    """Return the pan and tilt at which what is seen at a place, within the picture or beside it, is in the middle."""
    right, up, forward = _level(sensor, focal_mm, tilt_deg, place)
    return pan_deg + degrees(atan2(right, forward)), degrees(atan2(up, hypot(right, forward)))


def filling_mm(
    sensor: Sensor, focal_mm: float, pan_deg: float, tilt_deg: float, top_left: Place, bottom_right: Place
) -> tuple[float, float, float]:
    """Return the pan, the tilt and the focal length at which a part of the picture fills it.

    Its middle comes to the middle; its corners, which a turned camera sees aslant, are all just in the picture. Raises
    ValueError for a part without width or height.
    """
    (x0, y0), (x1, y1) = top_left, bottom_right
    if not (x0 < x1 and y0 < y1):
        raise ValueError(f"a part of the picture is wider and higher than zero, not {x1 - x0:g} × {y1 - y0:g}")
    pan, tilt = turned_to(sensor, focal_mm, pan_deg, tilt_deg, ((x0 + x1) / 2.0, (y0 + y1) / 2.0))
    turned, aslant = radians(pan - pan_deg), radians(tilt)
    longest_mm = float("inf")
    for corner in ((x0, y0), (x0, y1), (x1, y0), (x1, y1)):
        right, up, forward = _level(sensor, focal_mm, tilt_deg, corner)
        right, forward = right * cos(turned) - forward * sin(turned), right * sin(turned) + forward * cos(turned)
        up, forward = up * cos(aslant) - forward * sin(aslant), up * sin(aslant) + forward * cos(aslant)
        longest_mm = min(
            longest_mm, sensor.width_mm / 2.0 * forward / abs(right), sensor.height_mm / 2.0 * forward / abs(up)
        )
    return pan, tilt, longest_mm


def _level(sensor: Sensor, focal_mm: float, tilt_deg: float, place: Place) -> tuple[float, float, float]:
    """The direction in which a place is seen: to the right, up and ahead of a level camera with the same pan."""
    right = (place[0] - 0.5) * sensor.width_mm / focal_mm
    higher = (0.5 - place[1]) * sensor.height_mm / focal_mm
    tilt = radians(tilt_deg)
    return right, sin(tilt) + higher * cos(tilt), cos(tilt) - higher * sin(tilt)
