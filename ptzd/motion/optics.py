"""What the viewer sees: how wide, how fine, and how fast a picture may pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import atan, degrees, hypot, inf

PICTURE_SHAPE = 16.0 / 9.0  # width by height of a video picture (ITU-R BT.709)
PANNING_SECONDS = 7.0  # nothing crosses the picture faster, at 24 frames/s and a 180° shutter ("Panning speed best
PANNING_FRAMES_PER_S = 24.0  # practices", RED 101); the limit scales with the frame rate


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor, or the part of it that makes the picture. Raises ValueError unless both sides are above zero."""

    width_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        if not (self.width_mm > 0.0 and self.height_mm > 0.0):
            raise ValueError(f"a sensor is wider and higher than zero, not {self.width_mm:g} × {self.height_mm:g} mm")

    @property
    def picture(self) -> Sensor:
        """The largest part of it that has the shape of a video picture: of 36 × 24 mm, 36 × 20.25."""
        return Sensor(
            min(self.width_mm, self.height_mm * PICTURE_SHAPE), min(self.height_mm, self.width_mm / PICTURE_SHAPE)
        )

    @property
    def diagonal_mm(self) -> float:
        """From corner to corner."""
        return hypot(self.width_mm, self.height_mm)


class Shot(StrEnum):
    """How a person fills the picture (common practice). A wide shot goes by what is to be seen, not by a person."""

    FULL = "full"  # head to foot
    MEDIUM = "medium"  # waist up
    MEDIUM_CLOSE = "medium-close"  # chest up
    CLOSE = "close"  # head and shoulders


SHOT_HEIGHT_M = {Shot.FULL: 2.0, Shot.MEDIUM: 1.1, Shot.MEDIUM_CLOSE: 0.75, Shot.CLOSE: 0.5}


def angle_of_view_deg(side_mm: float, focal_length_mm: float) -> float:
    """Return the angle that one side (or the diagonal) of the sensor sees: 2·atan(s / 2f), both above zero."""
    return 2.0 * degrees(atan(side_mm / (2.0 * focal_length_mm)))


def picture_size_m(side_mm: float, focal_length_mm: float, distance_m: float) -> float:
    """Return how wide (or high) the picture is at a distance: s·D/f."""
    return side_mm * distance_m / focal_length_mm


def focal_length_for_picture_mm(side_mm: float, distance_m: float, picture_m: float) -> float:
    """Return the focal length at which the picture is that wide (or high) at a distance."""
    return side_mm * distance_m / picture_m


def focal_length_for_shot_mm(sensor: Sensor, shot: Shot, distance_m: float) -> float:
    """Return the focal length for a shot of a person at a distance."""
    return focal_length_for_picture_mm(sensor.height_mm, distance_m, SHOT_HEIGHT_M[shot])


def hyperfocal_m(focal_length_mm: float, aperture: float, circle_mm: float) -> float:
    """Return the least distance that a lens is to be focused on for infinity to look sharp: f²/(N·c) + f."""
    return (focal_length_mm * focal_length_mm / (aperture * circle_mm) + focal_length_mm) / 1000.0


def depth_of_field_m(
    focal_length_mm: float, aperture: float, circle_mm: float, distance_m: float
) -> tuple[float, float]:
    """Return from where to where all looks sharp with a lens that is focused on a distance; infinity may be the end.

    `aperture` is the f-number, `circle_mm` how large a disc still looks like a point on the sensor (Greenleaf,
    "Photographic Optics", 1950).
    """
    focal_m, hyperfocal = focal_length_mm / 1000.0, hyperfocal_m(focal_length_mm, aperture, circle_mm)
    near = distance_m * (hyperfocal - focal_m) / (hyperfocal + distance_m - 2.0 * focal_m)
    far = distance_m * (hyperfocal - focal_m) / (hyperfocal - distance_m) if distance_m < hyperfocal else inf
    return near, far


def pixels_per_count(counts_per_degree: float, picture_angle_deg: float, picture_pixels: int) -> float:
    """Return by how many pixels the picture moves for one count of pan (or tilt), on average over the picture.

    No position stored in counts lands closer than half of that.
    """
    return picture_pixels / (counts_per_degree * picture_angle_deg)


def panning_limit_deg_per_s(picture_angle_deg: float, frames_per_s: float) -> float:
    """Return the fastest pan (or tilt) that can be watched, by the seven-second rule."""
    return picture_angle_deg / PANNING_SECONDS * frames_per_s / PANNING_FRAMES_PER_S


@dataclass(frozen=True, slots=True)
class PanningVerdict:
    """Which of an axis's steps can be watched at a given angle of view; with `slow_mode`, only while that is on."""

    fastest_watchable_step: int | None  # None where even step 1 is too fast
    sentence: str
    slow_mode: bool = False


def judge_panning(
    steps_deg_per_s: Sequence[float],
    picture_angle_deg: float,
    frames_per_s: float,
    slow_steps_deg_per_s: Sequence[float] = (),
) -> PanningVerdict:
    """Judge an axis's steps (index 0 is step 1, none slower than the one before) against the panning limit.

    Where none can be watched, those of its slow mode are judged, if they are known.
    """
    limit = panning_limit_deg_per_s(picture_angle_deg, frames_per_s)
    step = sum(speed <= limit for speed in steps_deg_per_s)
    if step == 0:
        slow_step = sum(speed <= limit for speed in slow_steps_deg_per_s)
        if slow_step:
            sentence = (
                f"in slow mode, as moves on air use it, steps up to {slow_step} "
                f"({slow_steps_deg_per_s[slow_step - 1]:.2g}°/s) can be watched: the limit is {limit:.2f}°/s"
            )
            return PanningVerdict(slow_step, sentence, slow_mode=True)
        slowest = steps_deg_per_s[0]
        when = ""
        if slow_steps_deg_per_s:
            slowest, when = slow_steps_deg_per_s[0], " of slow mode"
        sentence = (
            f"even the slowest step{when}, {slowest:g}°/s, is too fast to watch at this focal length: "
            f"the limit is {limit:.2f}°/s"
        )
        return PanningVerdict(None, sentence)
    sentence = f"steps up to {step} ({steps_deg_per_s[step - 1]:g}°/s) can be watched: the limit is {limit:.2f}°/s"
    return PanningVerdict(step, sentence)
