"""Whether the figures of a learned head fit together, and explain the very trials that they came from.

A fit always brings figures. What it takes for granted (that a motor reached its speed, that nothing slipped, that the
table is this head's) shows only where two ways of measuring meet: those are held against each other here.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from ptzd.motion import AxisModel, FitError, HeadModel

from .measurements import WholeMove, beyond_predicted

MOST_OFF = 2.0  # times as fast or as slow as another way of measuring tells; no unit is off by half of that
LEAST_UNEXPLAINED_SECONDS = 0.6
LEAST_UNEXPLAINED_SHARE = 0.15


def require_consistent(model: HeadModel, published: HeadModel, moves: Sequence[WholeMove]) -> None:
    """Raise FitError, with what contradicts what, for figures that can't all be so."""
    for name, axis, table in (("pan", model.pan, published.pan), ("tilt", model.tilt, published.tilt)):
        share = median(_shares(axis, table))
        if _far(share):
            raise FitError(
                f"{name} turns {share:.2g} times as fast as the table of its dialect says; see whether that is the "
                "right dialect, and whether a slow mode was chosen in the camera's own menu"
            )
    direct, fastest = model.zoom.direct_counts_per_s, model.zoom.drive_counts_per_s[-1]
    if _far(direct / fastest):
        raise FitError(
            f"sent to a position the zoom made {direct:.0f} counts/s, driven at its fastest {fastest:.0f}; see whether "
            "its motor slips or something holds the ring"
        )
    rests = [(beyond_predicted(model, move), move) for move in moves]
    far = [rest for rest, move in rests if abs(rest) > _most_unexplained(move)]
    if 2 * len(far) > len(rests):
        raise FitError(
            f"{len(far)} of {len(rests)} moves took other times than all that was measured would have it, by "
            f"{median(map(abs, far)):.1f} s; see whether the head or the zoom is held or slips"
        )


def _shares(axis: AxisModel, table: AxisModel) -> list[float]:
    return [is_ / said for is_, said in zip(axis.steps_deg_per_s, table.steps_deg_per_s, strict=True)]


def _far(share: float) -> bool:
    return not 1.0 / MOST_OFF <= share <= MOST_OFF


def _most_unexplained(move: WholeMove) -> float:
    return max(LEAST_UNEXPLAINED_SECONDS, LEAST_UNEXPLAINED_SHARE * move.still_seconds)
