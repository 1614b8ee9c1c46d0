"""How long a move will take, and between which bounds.

A move has ended when its slowest axis has, and the picture is still: latency, travel, settling.

Bounds. Each uncertain figure is taken to be off by a log-normal factor with the head's spread, speeds and
accelerations of one axis independently of each other. Each axis's end is evaluated with one figure at a time moved
by 2.25 standard deviations, and the differences are added in quadrature. 2.25 on one side leaves out 1.2 %, so that
even four axes that end together are all within at least nine times in ten.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot
from typing import Literal

from .head import AxisModel, HeadModel
from .pose import Pose
from .profile import peak_speed, seconds_for_axis
from .seen_still import NO_DELAY, Swing, seen_still_delay

Axis = Literal["pan", "tilt", "zoom", "focus"]

DEVIATIONS = 2.25


@dataclass(frozen=True, slots=True)
class Prediction:
    """Seconds count from the moment the order leaves. The seconds of an axis are its travel alone."""

    seconds_to_arrival: float
    seconds_to_settled: float
    least_seconds: float  # to settled, with at least 90 % confidence together with `most_seconds`
    most_seconds: float
    pan_seconds: float
    tilt_seconds: float
    zoom_seconds: float
    focus_seconds: float
    slowest_axis: Axis | None  # None where nothing has to move
    swings_seconds: float = 0.0  # after its end was told, for which no reading counts


def zoom_seconds(head: HeadModel, from_: Pose, to: Pose) -> float:
    """Return how long the zoom travels when it is sent to a position: it has but one speed."""
    zoom = head.zoom
    return seconds_for_axis(
        to.zoom_counts - from_.zoom_counts, zoom.direct_counts_per_s, zoom.acceleration_counts_per_s2
    )


def focus_seconds(head: HeadModel, from_: Pose, to: Pose) -> float:
    """Return how long the focus travels; 0 where it is the camera's own affair."""
    if from_.focus_counts is None or to.focus_counts is None:
        return 0.0
    way = abs(to.focus_counts - from_.focus_counts)
    if head.focus_acceleration_counts_per_s2 is None:
        return way / head.focus_counts_per_s
    return seconds_for_axis(way, head.focus_counts_per_s, head.focus_acceleration_counts_per_s2)


def predict(head: HeadModel, from_: Pose, to: Pose, pan_step: int, tilt_step: int) -> Prediction:
    """Predict a move from rest to rest at the given steps. Raises ValueError for a step the head has not."""
    pan_deg = to.pan_deg - from_.pan_deg
    tilt_deg = to.tilt_deg - from_.tilt_deg
    pan_speed = head.pan.speed_deg_per_s(pan_step)
    tilt_speed = head.tilt.speed_deg_per_s(tilt_step)
    pan = seconds_for_axis(pan_deg, pan_speed, head.pan.mean_acceleration_deg_per_s2)
    tilt = seconds_for_axis(tilt_deg, tilt_speed, head.tilt.mean_acceleration_deg_per_s2)
    zoom = zoom_seconds(head, from_, to)
    focus = focus_seconds(head, from_, to)

    # The lens is told where to go even where it stands there already.
    delay = lens_starts_after(head, max(pan, tilt))
    slowest: Axis | None = None
    longest = 0.0
    for name, seconds in _named(pan, tilt, zoom + delay if zoom else 0.0, focus + delay if focus else 0.0):
        if seconds > longest:
            slowest, longest = name, seconds
    travel = max(longest, delay)

    spread = head.spread
    pan_swing = head.settle.swing_deg(peak_speed(pan_deg, pan_speed, head.pan.mean_acceleration_deg_per_s2))
    tilt_swing = head.settle_of_tilt.swing_deg(peak_speed(tilt_deg, tilt_speed, head.tilt.mean_acceleration_deg_per_s2))
    if head.settle.reading_seconds:
        # Looking begins when the last axis has ended, and is told to have.
        since = travel + head.settle.told_seconds
        swings = (Swing(head.settle, pan_swing, since - pan), Swing(head.settle_of_tilt, tilt_swing, since - tilt))
        swings_seconds = max(swing.left_seconds() for swing in swings)
        seen = seen_still_delay(swings, head.settle.base_seconds - head.settle.told_seconds)
        pan_seconds = tilt_seconds = 0.0
    else:
        seen, swings_seconds = NO_DELAY, 0.0
        pan_seconds = head.settle.seconds_within(pan_swing)
        tilt_seconds = head.settle_of_tilt.seconds_within(tilt_swing)
    # The speeds of zoom and focus are but one figure each; the zoom's acceleration matters little beside it.
    pan_less, pan_more = _travel_deviations(pan_deg, pan_speed, head.pan, head)
    tilt_less, tilt_more = _travel_deviations(tilt_deg, tilt_speed, head.tilt, head)
    lens = max(zoom, focus)
    lens_less, lens_more = _relative(lens, spread.lens)
    if head.lens_waits:
        lens_less = hypot(lens_less, pan_less if pan > tilt else tilt_less)
        lens_more = hypot(lens_more, pan_more if pan > tilt else tilt_more)
    ends = (
        _bounds(pan, pan_seconds, pan_less, pan_more, spread.settling),
        _bounds(tilt, tilt_seconds, tilt_less, tilt_more, spread.settling),
        _bounds(delay + lens, 0.0, lens_less, lens_more, 0.0),
    )
    least, likely, most = (max(column) for column in zip(*ends, strict=True))
    latency, base = head.latency_seconds, head.settle.base_seconds
    latency_less, latency_more = _relative(latency, spread.latency)
    base_less, base_more = _relative(base, spread.settling)
    settled = latency + likely + base + seen.likely
    return Prediction(
        seconds_to_arrival=latency + travel,
        seconds_to_settled=settled,
        least_seconds=settled - hypot(likely - least, latency_less, base_less, seen.likely - seen.least),
        most_seconds=settled + hypot(most - likely, latency_more, base_more, seen.most - seen.likely),
        pan_seconds=pan,
        tilt_seconds=tilt,
        zoom_seconds=zoom,
        focus_seconds=focus,
        slowest_axis=slowest,
        swings_seconds=swings_seconds,
    )


def lens_starts_after(head: HeadModel, head_seconds: float) -> float:
    """Return how long after the head the lens sets out, where the head travels so long."""
    return head.lens_delay_seconds + (head_seconds if head.lens_waits else 0.0)


def _named(pan: float, tilt: float, zoom: float, focus: float) -> tuple[tuple[Axis, float], ...]:
    return (("pan", pan), ("tilt", tilt), ("zoom", zoom), ("focus", focus))


def _relative(seconds: float, deviation: float) -> tuple[float, float]:
    """How much less and more a figure may be that is off by a log-normal factor."""
    factor = exp(DEVIATIONS * deviation)
    return seconds - seconds / factor, seconds * factor - seconds


def _travel_deviations(distance: float, speed: float, axis: AxisModel, head: HeadModel) -> tuple[float, float]:
    """How much less and more an axis may travel, for its speed and its acceleration."""
    acceleration = axis.mean_acceleration_deg_per_s2
    likely = seconds_for_axis(distance, speed, acceleration)
    by_speed = exp(DEVIATIONS * head.spread.speed)
    by_acceleration = exp(DEVIATIONS * head.spread.acceleration)
    less = hypot(
        likely - seconds_for_axis(distance, speed * by_speed, acceleration),
        likely - seconds_for_axis(distance, speed, acceleration * by_acceleration),
    )
    more = hypot(
        seconds_for_axis(distance, speed / by_speed, acceleration) - likely,
        seconds_for_axis(distance, speed, acceleration / by_acceleration) - likely,
    )
    return less, more


def _bounds(
    travel: float, swing: float, less: float, more: float, settling_deviation: float
) -> tuple[float, float, float]:
    """The least, likely and most seconds until an axis has ended and its swing is over."""
    swing_less, swing_more = _relative(swing, settling_deviation)
    likely = travel + swing
    return likely - hypot(less, swing_less), likely, likely + hypot(more, swing_more)
