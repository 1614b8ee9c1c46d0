"""Whether a move on air can be watched: how fast the picture travels, against the seven-second rule.

Picture travel is counted in picture widths per second, for whatever point of the picture travels fastest:

- a pan moves the picture by its degrees, times the cosine of the tilt, of the degrees that the picture is wide;
- a tilt by its degrees, of the same picture width;
- a zoom moves a point away from the middle in proportion to its distance from it, so the corners are fastest.

Nothing should cross the whole picture in under seven seconds at 24 frames/s and a 180° shutter, and the limit scales
with the frame rate ("Panning speed best practices", RED 101): a seventh of a width per second, at 24 frames/s.

Where only the highest speeds of a move are known, they are taken to meet at its worst moment: at the narrowest
picture on the way and at the tilt nearest to the horizon. The viewer never sees more than that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, cos, degrees, floor, hypot, log, pi, radians, sqrt, tan

from .direct_plan import STANDING_COUNTS, STANDING_DEG
from .head import HeadModel
from .lens import Lens
from .optics import Sensor, angle_of_view_deg, panning_limit_deg_per_s
from .pose import Pose
from .profile import peak_speed

_NEAR_SHARE = 1 / 128  # of the zoom's reach, to either side of a position, its speed is read: tables are rounded
_PARTS = 256  # of the zoom's reach, to find where a count changes the focal length most


@dataclass(frozen=True, slots=True)
class AxisSpeeds:
    """How fast each axis moves, at its fastest or at one moment. Directions do not matter."""

    pan_deg_per_s: float
    tilt_deg_per_s: float
    zoom_counts_per_s: float


@dataclass(frozen=True, slots=True)
class MoveVerdict:
    """Whether a move can be watched.

    `seconds_needed` is the shortest length at which it could be, from the order's leaving to arrival, were the
    head's speeds not in steps; None where even its slowest speeds are too fast, those of its slow mode if it is known.
    """

    widths_per_s: float
    limit_widths_per_s: float
    watchable: bool
    seconds_needed: float | None
    sentence: str


def watching_limit_widths_per_s(frame_rate: float) -> float:
    """Return the fastest picture travel that can be watched, in picture widths per second."""
    return panning_limit_deg_per_s(1.0, frame_rate)


def picture_speed_widths_per_s(
    sensor: Sensor, lens: Lens, tilt_deg: float, zoom_counts: float, speeds: AxisSpeeds
) -> float:
    """Return how fast the fastest point of the picture travels at one moment."""
    focal_mm = lens.focal_length_mm(zoom_counts)
    growth = _growth_per_count(lens, zoom_counts)
    return _View(sensor, focal_mm, cos(radians(tilt_deg)), growth).widths_per_s(speeds)


def judge_move(
    head: HeadModel,
    sensor: Sensor,
    lens: Lens,
    frame_rate: float,
    from_: Pose,
    to: Pose,
    pan_step: int,
    tilt_step: int,
) -> MoveVerdict:
    """Judge a direct move at the given steps. Raises ValueError for a step the head has not.

    `seconds_needed` is for a move whose axes start and end together, each at one speed.
    """
    pan, tilt = head.pan.speed_deg_per_s(pan_step), head.tilt.speed_deg_per_s(tilt_step)
    view = _worst_view(sensor, lens, from_, to)
    speeds = _reached(head, from_, to, pan, tilt, head.zoom.direct_counts_per_s)
    limit = watching_limit_widths_per_s(frame_rate)
    needed = _seconds_at_one_speed(head, _way(from_, to), view, limit)
    return _verdict(head, view, from_, to, view.widths_per_s(speeds), frame_rate, needed)


def judge_speeds(
    head: HeadModel,
    sensor: Sensor,
    lens: Lens,
    frame_rate: float,
    from_: Pose,
    to: Pose,
    fastest: AxisSpeeds,
    seconds: float,
) -> MoveVerdict:
    """Judge a move of any profile that arrives after `seconds`, by the highest speed that each axis reaches.

    `seconds_needed` is for the same profile, stretched or shortened.
    """
    view = _worst_view(sensor, lens, from_, to)
    widths = view.widths_per_s(fastest)
    needed = _stretched(head, seconds, widths, watching_limit_widths_per_s(frame_rate))
    return _verdict(head, view, from_, to, widths, frame_rate, needed)


def judge_samples(
    head: HeadModel,
    sensor: Sensor,
    lens: Lens,
    frame_rate: float,
    samples: Sequence[tuple[Pose, AxisSpeeds]],
    seconds: float,
) -> MoveVerdict:
    """Judge a move of any profile that arrives after `seconds`, by where it is and how fast at some moments of it.

    The first sample is where it starts, the last where it ends. `seconds_needed` is for the same profile, stretched
    or shortened. Raises ValueError without samples.
    """
    if not samples:
        raise ValueError("a move has two samples at least: where it starts and where it ends")
    from_, to = samples[0][0], samples[-1][0]
    widths = max(
        picture_speed_widths_per_s(sensor, lens, pose.tilt_deg, pose.zoom_counts, speeds) for pose, speeds in samples
    )
    needed = _stretched(head, seconds, widths, watching_limit_widths_per_s(frame_rate))
    return _verdict(head, _worst_view(sensor, lens, from_, to), from_, to, widths, frame_rate, needed)


@dataclass(frozen=True, slots=True)
class _View:
    """What makes speeds of the axes a speed of the picture."""

    sensor: Sensor
    focal_mm: float
    level: float  # the cosine of the tilt
    growth_per_count: float  # of the focal length, relative

    def widths_per_s(self, speeds: AxisSpeeds) -> float:
        """Of the corner towards which pan and tilt move the picture: there the zoom adds to both."""
        angle_deg = angle_of_view_deg(self.sensor.width_mm, self.focal_mm)
        growth = abs(speeds.zoom_counts_per_s) * self.growth_per_count
        return hypot(
            abs(speeds.pan_deg_per_s) * self.level / angle_deg + growth / 2.0,
            abs(speeds.tilt_deg_per_s) / angle_deg + growth / 2.0 * self.sensor.height_mm / self.sensor.width_mm,
        )


def _worst_view(sensor: Sensor, lens: Lens, from_: Pose, to: Pose) -> _View:
    nearest_the_horizon = 0.0
    if from_.tilt_deg * to.tilt_deg > 0.0:
        nearest_the_horizon = min(abs(from_.tilt_deg), abs(to.tilt_deg))
    wide, tele = sorted((from_.zoom_counts, to.zoom_counts))
    growth = 0.0
    if tele - wide > STANDING_COUNTS:
        part = _reach(lens) / _PARTS
        begin, end = (min(max(0, round((counts - lens.points[0][0]) / part)), _PARTS) for counts in (wide, tele))
        growth = max(_growths(lens)[max(0, begin - 1) : end + 2])
    return _View(sensor, lens.focal_length_mm(tele), cos(radians(nearest_the_horizon)), growth)


def _growth_per_count(lens: Lens, zoom_counts: float) -> float:
    """By what share the focal length grows for a count at a zoom position."""
    near = _NEAR_SHARE * _reach(lens)
    wider = max(lens.points[0][0], zoom_counts - near)
    closer = min(lens.points[-1][0], zoom_counts + near)
    if closer <= wider:  # beyond an end nothing grows
        return 0.0
    return log(lens.focal_length_mm(closer) / lens.focal_length_mm(wider)) / (closer - wider)


@lru_cache(maxsize=64)
def _growths(lens: Lens) -> tuple[float, ...]:
    """The same from the wide end on to the tele end, in `_PARTS` equal steps."""
    first, part = lens.points[0][0], _reach(lens) / _PARTS
    return tuple(_growth_per_count(lens, first + index * part) for index in range(_PARTS + 1))


def _reach(lens: Lens) -> int:
    return lens.points[-1][0] - lens.points[0][0]


def _way(from_: Pose, to: Pose) -> AxisSpeeds:
    """How far each axis goes: so fast it would be in one second. One that all but stands there is not seen to move."""
    pan, tilt = abs(to.pan_deg - from_.pan_deg), abs(to.tilt_deg - from_.tilt_deg)
    zoom = abs(to.zoom_counts - from_.zoom_counts)
    return AxisSpeeds(
        pan if pan >= STANDING_DEG else 0.0,
        tilt if tilt >= STANDING_DEG else 0.0,
        zoom if zoom > STANDING_COUNTS else 0.0,
    )


def _reached(head: HeadModel, from_: Pose, to: Pose, pan: float, tilt: float, zoom: float) -> AxisSpeeds:
    """How fast each axis gets on its way if it aims at the speeds given."""
    way = _way(from_, to)
    return AxisSpeeds(
        peak_speed(way.pan_deg_per_s, pan, head.pan.acceleration_deg_per_s2),
        peak_speed(way.tilt_deg_per_s, tilt, head.tilt.acceleration_deg_per_s2),
        peak_speed(way.zoom_counts_per_s, zoom, head.zoom.acceleration_counts_per_s2),
    )


def _seconds_at_one_speed(head: HeadModel, way: AxisSpeeds, view: _View, limit: float) -> float:
    """How long the way takes at the limit, with all axes together; never sooner than they can speed up and stop."""
    ramps = (
        way.pan_deg_per_s / head.pan.acceleration_deg_per_s2,
        way.tilt_deg_per_s / head.tilt.acceleration_deg_per_s2,
        way.zoom_counts_per_s / head.zoom.acceleration_counts_per_s2,
    )
    slowest_ramp = max(ramps)
    if slowest_ramp == 0.0:
        return 0.0
    cruise = max(view.widths_per_s(way) / limit, sqrt(slowest_ramp))
    return head.latency_seconds + cruise + slowest_ramp / cruise


def _stretched(head: HeadModel, seconds: float, widths: float, limit: float) -> float:
    return head.latency_seconds + (seconds - head.latency_seconds) * widths / limit


def _verdict(
    head: HeadModel, view: _View, from_: Pose, to: Pose, widths: float, frame_rate: float, needed: float
) -> MoveVerdict:
    limit = watching_limit_widths_per_s(frame_rate)
    figures = f"the picture travels up to {widths:.3f} widths/s, the limit at {frame_rate:g} frames/s is {limit:.3f}"
    if widths <= limit:
        return MoveVerdict(widths, limit, True, needed, f"can be watched: {figures}")
    table = head.slow or head
    slowest = _reached(
        head, from_, to, table.pan.steps_deg_per_s[0], table.tilt.steps_deg_per_s[0], head.zoom.drive_counts_per_s[0]
    )
    if view.widths_per_s(slowest) > limit:
        when = "" if head.slow is None else " of slow mode"
        return MoveVerdict(widths, limit, False, None, _too_fast_at_any_length(view, slowest, limit, when))
    tenths = ceil(needed * 10.0) / 10.0
    return MoveVerdict(widths, limit, False, needed, f"too fast to watch: {figures}; it would need {tenths:.1f} s")


def _too_fast_at_any_length(view: _View, slowest: AxisSpeeds, limit: float, when: str) -> str:
    names = [
        f"{name} {speed:.3g}{unit}"
        for name, speed, unit in (
            ("pan", slowest.pan_deg_per_s, "°/s"),
            ("tilt", slowest.tilt_deg_per_s, "°/s"),
            ("zoom", slowest.zoom_counts_per_s, " counts/s"),
        )
        if speed > 0.0
    ]
    sentence = (
        f"even the slowest speeds{when} ({', '.join(names)}) are too fast to watch at {view.focal_mm:.0f} mm: "
        f"the picture travels {view.widths_per_s(slowest):.3f} widths/s, the limit is {limit:.3f}; "
        "make this move off air"
    )
    if slowest.zoom_counts_per_s > 0.0:
        return sentence
    angle_deg = hypot(slowest.pan_deg_per_s * view.level, slowest.tilt_deg_per_s) / limit
    if angle_deg >= degrees(pi):
        return sentence
    longest_mm = view.sensor.width_mm / (2.0 * tan(radians(angle_deg) / 2.0))
    return f"{sentence}, or at {floor(longest_mm)} mm at most"
