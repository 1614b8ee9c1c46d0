"""Whether a move on air can be watched: how fast the picture travels, against the seven-second rule.

Picture travel is counted in picture widths per second, for whatever point of the picture travels fastest. Through a
pinhole that is a corner: a pan or a tilt moves the points at the side faster than the middle, a zoom moves a point away
from the middle in proportion to its distance from it, and a pan at a steep tilt turns the picture.

Nothing should cross the whole picture in under seven seconds at 24 frames/s and a 180° shutter, and the limit scales
with the frame rate ("Panning speed best practices", RED 101). So the limit is what the fastest point does in a level
pan that is just that fast: a seventh of a width per second at 24 frames/s on a long lens, and a little more on a wide
one, whose corners travel faster than what crosses the picture does on the average.

A move is judged at moments of it, each with its own speeds, tilt and focal length: the fastest pan, the narrowest
picture and the fastest zoom seldom come at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import ceil, cos, floor, hypot, log, radians, sin, sqrt

from .direct_plan import STANDING_COUNTS, STANDING_DEG
from .head import HeadModel
from .lens import Lens
from .optics import Sensor, angle_of_view_deg, panning_limit_deg_per_s
from .pose import AxisSpeeds, Pose
from .profile import course_at, mean_acceleration, peak_speed, seconds_for_axis

# Of an axis's way, beside the moments at which it has changed its speed; of the zoom's so many that the steepest place
# of a lens table is among them.
SAMPLES = 48
ZOOM_SAMPLES = 128
_NEAR_SHARE = 1 / 128  # of the zoom's reach, to either side of a position, its growth is read: tables are rounded
_LONGEST_MM = 10_000.0


@dataclass(frozen=True, slots=True)
class MoveVerdict:
    """Whether a move can be watched. Its travel and the limit are those of its worst moment.

    `seconds_needed` is the shortest length at which it could be, from the order's leaving to arrival, were the
    head's speeds not in steps; None where even its slowest speeds are too fast, those of its slow mode if it is known.
    """

    widths_per_s: float
    limit_widths_per_s: float
    watchable: bool
    seconds_needed: float | None
    sentence: str


def watching_limit_widths_per_s(sensor: Sensor, focal_mm: float, frame_rate: float) -> float:
    """Return the fastest picture travel that can be watched, in picture widths per second."""
    level_pan = radians(panning_limit_deg_per_s(angle_of_view_deg(sensor.width_mm, focal_mm), frame_rate))
    x, y, f = sensor.width_mm / 2.0, sensor.height_mm / 2.0, focal_mm
    return level_pan * hypot(f + x * x / f, x * y / f) / sensor.width_mm  # what `_fastest_corner` is without a tilt


def picture_speed_widths_per_s(
    sensor: Sensor, lens: Lens, tilt_deg: float, zoom_counts: float, speeds: AxisSpeeds
) -> float:
    """Return how fast the fastest point of the picture travels at one moment."""
    reach = lens.points[0][0], lens.points[-1][0]
    return _Eye(sensor, lens, 1.0, reach).moment(tilt_deg, zoom_counts, speeds).widths_per_s


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
    eye = _Eye.on_a_move(sensor, lens, frame_rate, from_, to)
    worst = eye.worst(_direct_samples(head, from_, to, pan, tilt, head.zoom.direct_counts_per_s))
    return _verdict(head, eye, from_, to, worst, _seconds_at_one_speed(head, eye, from_, to))


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
    eye = _Eye.on_a_move(sensor, lens, frame_rate, from_, to)
    worst = eye.worst(samples)
    needed = head.latency_seconds + (seconds - head.latency_seconds) * worst.strain
    return _verdict(head, eye, from_, to, worst, needed)


@dataclass(frozen=True, slots=True)
class _Moment:
    """What is seen at one moment of a move."""

    tilt_deg: float
    focal_mm: float
    speeds: AxisSpeeds
    widths_per_s: float
    limit_widths_per_s: float

    @property
    def strain(self) -> float:
        """The share of the limit; above 1 is too fast."""
        return self.widths_per_s / self.limit_widths_per_s


@dataclass(frozen=True, slots=True)
class _Eye:
    """Whoever watches, and the part of the zoom's reach, least first, that is gone through meanwhile."""

    sensor: Sensor
    lens: Lens
    frame_rate: float
    zooms_through: tuple[float, float]
    _known: dict[float, tuple[float, float, float]] = field(default_factory=dict, init=False)  # by zoom position

    @classmethod
    def on_a_move(cls, sensor: Sensor, lens: Lens, frame_rate: float, from_: Pose, to: Pose) -> _Eye:
        zooms = sorted((from_.zoom_counts, to.zoom_counts))
        return cls(sensor, lens, frame_rate, (zooms[0], zooms[1]))

    def worst(self, samples: Iterable[tuple[Pose, AxisSpeeds]]) -> _Moment:
        """Return the moment of the most strain."""
        moments = (self.moment(pose.tilt_deg, pose.zoom_counts, speeds) for pose, speeds in samples)
        return max(moments, key=lambda moment: moment.strain)

    def moment(self, tilt_deg: float, zoom_counts: float, speeds: AxisSpeeds) -> _Moment:
        known = self._known.get(zoom_counts)
        if known is None:
            focal_mm = self.lens.focal_length_mm(zoom_counts)
            known = focal_mm, self._growth_per_count(zoom_counts), self._limit(focal_mm)
            self._known[zoom_counts] = known
        focal_mm, growth, limit = known
        return self._seen(tilt_deg, focal_mm, speeds, speeds.zoom_counts_per_s * growth, limit)

    def longest_mm(self, moment: _Moment) -> float:
        """Return up to which focal length the same pan and tilt could be watched, without a zoom."""
        least, most = 0.0, _LONGEST_MM
        while most - least > 0.01:
            middle = (least + most) / 2.0
            if self._seen(moment.tilt_deg, middle, moment.speeds, 0.0, self._limit(middle)).strain <= 1.0:
                least = middle
            else:
                most = middle
        return least

    def _seen(self, tilt_deg: float, focal_mm: float, speeds: AxisSpeeds, growth: float, limit: float) -> _Moment:
        widths = _fastest_corner(self.sensor, focal_mm, tilt_deg, speeds.pan_deg_per_s, speeds.tilt_deg_per_s, growth)
        return _Moment(tilt_deg, focal_mm, speeds, widths, limit)

    def _limit(self, focal_mm: float) -> float:
        return watching_limit_widths_per_s(self.sensor, focal_mm, self.frame_rate)

    def _growth_per_count(self, zoom_counts: float) -> float:
        """By what share the focal length grows for a count at a zoom position."""
        near = _NEAR_SHARE * (self.lens.points[-1][0] - self.lens.points[0][0])
        wider = max(self.zooms_through[0], self.lens.points[0][0], zoom_counts - near)
        closer = min(self.zooms_through[1], self.lens.points[-1][0], zoom_counts + near)
        if closer <= wider:  # beyond an end nothing grows
            return 0.0
        return log(self.lens.focal_length_mm(closer) / self.lens.focal_length_mm(wider)) / (closer - wider)


def _fastest_corner(
    sensor: Sensor, focal_mm: float, tilt_deg: float, pan_deg_per_s: float, tilt_deg_per_s: float, growth: float
) -> float:
    """Return how fast the fastest point of the picture travels, in picture widths per second.

    A pinhole camera that turns sees a point at x, y (from the middle, to the right and up) move as the textbooks of
    computer vision have it (Trucco and Verri 1998, "Introductory Techniques for 3-D Computer Vision", motion field of
    a rotation); a pan turns it about the vertical, which at a tilt lies aslant in the picture.
    """
    across, about = radians(pan_deg_per_s) * cos(radians(tilt_deg)), radians(pan_deg_per_s) * sin(radians(tilt_deg))
    up = radians(tilt_deg_per_s)
    x, y, f = sensor.width_mm / 2.0, sensor.height_mm / 2.0, focal_mm
    right_at_side, up_at_top, aslant = across * (f + x * x / f), up * (f + y * y / f), x * y / f
    fastest = 0.0
    for to_right, to_top in ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)):
        both = to_right * to_top * aslant
        u = -right_at_side - up * both + about * to_top * y + growth * to_right * x
        v = -up_at_top - across * both - about * to_right * x + growth * to_top * y
        fastest = max(fastest, hypot(u, v))
    return fastest / sensor.width_mm


def _way(from_: Pose, to: Pose) -> AxisSpeeds:
    """How far each axis goes: so fast it would be in one second. One that all but stands there is not seen to move."""
    pan, tilt, zoom = to.pan_deg - from_.pan_deg, to.tilt_deg - from_.tilt_deg, to.zoom_counts - from_.zoom_counts
    return AxisSpeeds(
        pan if abs(pan) >= STANDING_DEG else 0.0,
        tilt if abs(tilt) >= STANDING_DEG else 0.0,
        zoom if abs(zoom) > STANDING_COUNTS else 0.0,
    )


def _direct_samples(
    head: HeadModel, from_: Pose, to: Pose, pan: float, tilt: float, zoom: float
) -> list[tuple[Pose, AxisSpeeds]]:
    """Where a move is and how fast at moments of it, if each axis aims at the speed given."""
    way = _way(from_, to)
    zooming = head.zoom.acceleration_counts_per_s2
    axes = [
        (distance, top, axis.acceleration_deg_per_s2, axis.deceleration_deg_per_s2, axis.s_share)
        for distance, top, axis in ((way.pan_deg_per_s, pan, head.pan), (way.tilt_deg_per_s, tilt, head.tilt))
    ]
    axes.append((way.zoom_counts_per_s, zoom, zooming, zooming, 0.0))
    moments = [0.0]
    for (distance, top, starting, braking, _), count in zip(axes, (SAMPLES, SAMPLES, ZOOM_SAMPLES), strict=True):
        if distance:
            mean = mean_acceleration(starting, braking)
            end, peak = seconds_for_axis(distance, top, mean), peak_speed(distance, top, mean)
            moments += [peak / starting, end - peak / braking, *(end * part / count for part in range(1, count + 1))]
    samples = []
    for at in moments:
        come = [course_at(*axis[:3], at, *axis[3:]) for axis in axes]
        pose = Pose(from_.pan_deg + come[0][0], from_.tilt_deg + come[1][0], from_.zoom_counts + come[2][0], None)
        samples.append((pose, AxisSpeeds(come[0][1], come[1][1], come[2][1])))
    return samples


def _seconds_at_one_speed(head: HeadModel, eye: _Eye, from_: Pose, to: Pose) -> float:
    """How long the way takes at the limit, with all axes together; never sooner than they can speed up and stop."""
    way = _way(from_, to)
    ramps = (
        abs(way.pan_deg_per_s) / head.pan.mean_acceleration_deg_per_s2,
        abs(way.tilt_deg_per_s) / head.tilt.mean_acceleration_deg_per_s2,
        abs(way.zoom_counts_per_s) / head.zoom.acceleration_counts_per_s2,
    )
    slowest_ramp = max(ramps)
    if slowest_ramp == 0.0:
        return 0.0
    strain = max(
        eye.moment(
            from_.tilt_deg + share * way.tilt_deg_per_s, from_.zoom_counts + share * way.zoom_counts_per_s, way
        ).strain
        for share in (part / ZOOM_SAMPLES for part in range(ZOOM_SAMPLES + 1))
    )
    cruise = max(strain, sqrt(slowest_ramp))
    return head.latency_seconds + cruise + slowest_ramp / cruise


def _verdict(head: HeadModel, eye: _Eye, from_: Pose, to: Pose, worst: _Moment, needed: float) -> MoveVerdict:
    widths, limit = worst.widths_per_s, worst.limit_widths_per_s
    figures = (
        f"the picture travels up to {widths:.3f} widths/s, the limit at {eye.frame_rate:g} frames/s is {limit:.3f}"
    )
    if widths <= limit:
        return MoveVerdict(widths, limit, True, needed, f"can be watched: {figures}")
    table = head.slow or head
    pan, tilt = table.pan.steps_deg_per_s[0], table.tilt.steps_deg_per_s[0]
    slowest = eye.worst(_direct_samples(head, from_, to, pan, tilt, head.zoom.drive_counts_per_s[0]))
    if slowest.strain > 1.0:
        when = "" if head.slow is None else " of slow mode"
        return MoveVerdict(widths, limit, False, None, _too_fast_at_any_length(eye, slowest, when))
    stretched = f"stretched as it is, it would need {ceil(needed * 10.0) / 10.0:.1f} s"
    return MoveVerdict(widths, limit, False, needed, f"too fast to watch: {figures}; {stretched}")


def _too_fast_at_any_length(eye: _Eye, slowest: _Moment, when: str) -> str:
    speeds = slowest.speeds
    names = [
        f"{name} {abs(speed):.3g}{unit}"
        for name, speed, unit in (
            ("pan", speeds.pan_deg_per_s, "°/s"),
            ("tilt", speeds.tilt_deg_per_s, "°/s"),
            ("zoom", speeds.zoom_counts_per_s, " counts/s"),
        )
        if speed
    ]
    sentence = (
        f"even the slowest speeds{when} ({', '.join(names)}) are too fast to watch at {slowest.focal_mm:.0f} mm: "
        f"the picture travels {slowest.widths_per_s:.3f} widths/s, the limit is {slowest.limit_widths_per_s:.3f}; "
        "make this move off air"
    )
    longest_mm = floor(eye.longest_mm(slowest))
    return sentence if speeds.zoom_counts_per_s or not longest_mm else f"{sentence}, or at {longest_mm} mm at most"
