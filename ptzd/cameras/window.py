"""Between which angles a head may turn: what is planned stays inside, and what is driven ends before the edge.

A window's edges count in whole counts, rounded inwards: what is sent to the head never lies outside by a rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, floor, sqrt
from typing import TYPE_CHECKING, Literal

from ptzd.line import Framing
from ptzd.visca import AxisScale, Corner, Dialect, PanTiltLimitSet

if TYPE_CHECKING:  # whoever learns a head knows windows, not the other way round
    from .learning import LearnLimits

HeadAxis = Literal["pan", "tilt"]

_ROUNDING_COUNTS = 1e-6  # of an edge that lies on a count, as it comes from degrees


@dataclass(frozen=True, slots=True)
class Window:
    """Between which angles a head may turn, least first; nothing drives or sends it beyond."""

    pan_deg: tuple[float, float]
    tilt_deg: tuple[float, float]

    def edges_deg(self, axis: HeadAxis) -> tuple[float, float]:
        """Return the least and the most of one axis."""
        return self.pan_deg if axis == "pan" else self.tilt_deg

    def counts(self, dialect: Dialect, axis: HeadAxis) -> tuple[int, int]:
        """Return the least and the most counts inside it that the head can reach."""
        scale = _scale(dialect, axis)
        least, most = (deg * scale.counts_per_degree for deg in self.edges_deg(axis))
        return (
            max(scale.least_counts, ceil(least - _ROUNDING_COUNTS)),
            min(scale.most_counts, floor(most + _ROUNDING_COUNTS)),
        )

    def leaves_out(self, dialect: Dialect, framing: Framing, *, beyond_deg: float = 0.0) -> str | None:
        """Return a sentence on the first axis of a framing that lies outside by more than `beyond_deg`, or None."""
        axes: tuple[tuple[HeadAxis, int], ...] = (("pan", framing.pan_counts), ("tilt", framing.tilt_counts))
        for axis, counts in axes:
            least, most = self.counts(dialect, axis)
            beyond = beyond_deg * _scale(dialect, axis).counts_per_degree
            if not least - beyond <= counts <= most + beyond:
                edges = "{:g}° to {:g}°".format(*self.edges_deg(axis))
                deg = _scale(dialect, axis).degrees(counts)
                return f"{axis} {deg:.1f}° is outside this camera's window in the configuration, which is {edges}"
        return None

    def clamped(self, axis: HeadAxis, deg: float) -> float:
        """Return the angle inside that is nearest to this one: the farthest that an axis may be sent to."""
        least, most = self.edges_deg(axis)
        return min(max(deg, least), most)

    def room(self, axis: HeadAxis, deg: float, sign: int) -> float:
        """Return how many degrees are left from `deg` to the edge ahead, `sign` being 1 (right, up) or -1.

        0 at the edge and beyond it. An axis that stands outside may always come back, and has room to the far edge.
        """
        least, most = self.edges_deg(axis)
        return max(0.0, most - deg if sign > 0 else deg - least)

    def fastest_deg_per_s(
        self, axis: HeadAxis, deg: float, sign: int, *, braking_deg_per_s2: float, seconds: float
    ) -> float:
        """Return the speed from which an axis still comes to rest inside, if it is told to only in `seconds`.

        `seconds` is the time until the next look at where it stands, and whatever an order needs until it is obeyed.
        That much way and the braking itself, v·t + v²/2a, just fill the room that is left. 0 where there is none.
        """
        room = self.room(axis, deg, sign)
        brakes_by = braking_deg_per_s2 * seconds  # °/s, in the time that it is not braked
        return sqrt(brakes_by * brakes_by + 2.0 * braking_deg_per_s2 * room) - brakes_by


def reach_of(dialect: Dialect) -> Window:
    """Return between which angles the head itself can turn."""
    return Window(dialect.pan.reach_deg, dialect.tilt.reach_deg)


def open_to(dialect: Dialect, window: Window | None) -> Window:
    """Return a camera's window, or the head's own reach where it has none, with edges that are whole counts."""
    window = window or reach_of(dialect)
    pan_deg, tilt_deg = (
        (scale.degrees(least), scale.degrees(most))
        for scale, (least, most) in (
            (dialect.pan, window.counts(dialect, "pan")),
            (dialect.tilt, window.counts(dialect, "tilt")),
        )
    )
    return Window(pan_deg, tilt_deg)


def limit_orders(dialect: Dialect, window: Window | None) -> list[PanTiltLimitSet]:
    """Return the orders that write a window into the head; none without a window, or where a head takes no limits."""
    if window is None or not dialect.limits:
        return []
    (left, right), (down, up) = window.counts(dialect, "pan"), window.counts(dialect, "tilt")
    return [PanTiltLimitSet(Corner.DOWN_LEFT, left, down), PanTiltLimitSet(Corner.UP_RIGHT, right, up)]


def within(window: Window | None, limits: LearnLimits) -> LearnLimits:
    """Return what of a range to be learned in lies inside a window; none of it may, or too little to learn in."""
    if window is None:
        return limits
    (left, right), (down, up) = limits.pan_deg, limits.tilt_deg
    return replace(
        limits,
        pan_deg=(max(left, window.pan_deg[0]), min(right, window.pan_deg[1])),
        tilt_deg=(max(down, window.tilt_deg[0]), min(up, window.tilt_deg[1])),
    )


def _scale(dialect: Dialect, axis: HeadAxis) -> AxisScale:
    return dialect.pan if axis == "pan" else dialect.tilt
