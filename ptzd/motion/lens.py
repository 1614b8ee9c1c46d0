"""What focal length a zoom position stands for, and the way back."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf, log


@dataclass(frozen=True)
class Lens:
    """A zoom lens as a table of (zoom counts, focal length in mm), both growing; two points at least.

    In between, 1/f follows a monotone cubic (Fritsch and Butland's): it never
    overshoots, and of f, log f and 1/f it is 1/f that comes closest to a published point left out of its own table.
    Raises ValueError for a table that does not grow.
    """

    points: tuple[tuple[int, float], ...]
    _slopes: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise ValueError("a zoom lens needs two points at least: its wide end and its tele end")
        for (counts, focal), (next_counts, next_focal) in pairwise(self.points):
            if next_counts <= counts or next_focal <= focal:
                raise ValueError(
                    f"zoom counts and focal lengths must grow together, but {next_counts} ({next_focal:g} mm) "
                    f"follows {counts} ({focal:g} mm)"
                )
        if self.wide_mm <= 0.0:
            raise ValueError(f"a focal length must be above zero, not {self.wide_mm:g} mm")
        powers = [1.0 / focal for _, focal in self.points]
        object.__setattr__(self, "_slopes", _monotone_slopes([counts for counts, _ in self.points], powers))

    @property
    def wide_mm(self) -> float:
        """The shortest focal length."""
        return self.points[0][1]

    @property
    def tele_mm(self) -> float:
        """The longest focal length."""
        return self.points[-1][1]

    def focal_length_mm(self, zoom_counts: float) -> float:
        """Return the focal length at a zoom position; beyond an end of the table it is that end's."""
        if zoom_counts <= self.points[0][0]:
            return self.wide_mm
        if zoom_counts >= self.points[-1][0]:
            return self.tele_mm
        index = bisect_right(self.points, (zoom_counts, inf)) - 1
        (left, left_mm), (right, right_mm) = self.points[index : index + 2]
        width = right - left
        t = (zoom_counts - left) / width
        power = (
            (1.0 + 2.0 * t) * (1.0 - t) ** 2 / left_mm
            + t * (1.0 - t) ** 2 * width * self._slopes[index]
            + t * t * (3.0 - 2.0 * t) / right_mm
            + t * t * (t - 1.0) * width * self._slopes[index + 1]
        )
        return 1.0 / power

    def zoom_counts(self, focal_length_mm: float) -> int:
        """Return the zoom position whose focal length is nearest; beyond an end of the lens it is that end's."""
        least, most = self.points[0][0], self.points[-1][0]
        while most - least > 1:
            middle = (least + most) // 2
            if self.focal_length_mm(middle) <= focal_length_mm:
                least = middle
            else:
                most = middle
        below = focal_length_mm - self.focal_length_mm(least)
        above = self.focal_length_mm(most) - focal_length_mm
        return least if below <= above else most


def lens_between(wide_mm: float, tele_mm: float, ratios: Sequence[tuple[float, int]]) -> Lens:
    """Return a lens of which only both ends are known, on a zoom whose ratios are.

    `ratios` are (times the wide end, zoom counts), both growing, from ×1 on. A lens that is no more or less long than
    the zoom's own ratio says grows as the zoom does on a logarithmic scale: assumed, a measured table is better.
    Raises ValueError unless 0 < wide_mm < tele_mm.
    """
    if not 0.0 < wide_mm < tele_mm:
        raise ValueError(
            f"a zoom lens is longer at its tele end than at its wide end, not {wide_mm:g} to {tele_mm:g} mm"
        )
    longest = log(ratios[-1][0])
    return Lens(tuple((counts, wide_mm * (tele_mm / wide_mm) ** (log(ratio) / longest)) for ratio, counts in ratios))


def _monotone_slopes(x: Sequence[float], y: Sequence[float]) -> tuple[float, ...]:
    """Slopes at each point that make a cubic through all of them monotone wherever the points are."""
    widths = [right - left for left, right in pairwise(x)]
    rises = [(y[i + 1] - y[i]) / width for i, width in enumerate(widths)]
    if len(rises) == 1:
        return (rises[0], rises[0])
    inner = []
    for i in range(1, len(rises)):
        before, after = 2 * widths[i] + widths[i - 1], widths[i] + 2 * widths[i - 1]
        inner.append((before + after) / (before / rises[i - 1] + after / rises[i]))
    return (
        _end_slope(widths[0], widths[1], rises[0], rises[1]),
        *inner,
        _end_slope(widths[-1], widths[-2], rises[-1], rises[-2]),
    )


def _end_slope(width: float, next_width: float, rise: float, next_rise: float) -> float:
    """The slope of a parabola through the three points at an end, but flat where that one would turn back.

    With both rises of one sign it is below twice the first, well within what stays monotone.
    """
    slope = ((2 * width + next_width) * rise - width * next_rise) / (width + next_width)
    return slope if slope * rise > 0.0 else 0.0
