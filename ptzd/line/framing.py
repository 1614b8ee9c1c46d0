"""Framings, compared, and carried from one head's scale to another's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ptzd.visca import Dialect

FocusMode = Literal["auto", "manual"]


@dataclass(frozen=True, slots=True)
class Framing:
    """What a camera's optics point at, in the counts of its dialect, as read by inquiry."""

    pan_counts: int
    tilt_counts: int
    zoom_counts: int
    focus_counts: int
    focus_mode: FocusMode


@dataclass(frozen=True, slots=True)
class Landing:
    """How far off a move ended: reported minus wanted. Focus is None where the camera focuses by itself."""

    pan_counts: int
    tilt_counts: int
    zoom_counts: int
    focus_counts: int | None
    pan_deg: float
    tilt_deg: float


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far off still counts as there, in counts of the camera's dialect."""

    pan_counts: int = 1
    tilt_counts: int = 1
    zoom_counts: int = 1
    focus_counts: int = 1

    def holds(self, landing: Landing) -> bool:
        """Whether every axis landed within the tolerance. Focus counts only where it was set by hand."""
        return (
            abs(landing.pan_counts) <= self.pan_counts
            and abs(landing.tilt_counts) <= self.tilt_counts
            and self.holds_lens(landing)
        )

    def holds_lens(self, landing: Landing) -> bool:
        """Whether zoom and focus did."""
        return abs(landing.zoom_counts) <= self.zoom_counts and (
            landing.focus_counts is None or abs(landing.focus_counts) <= self.focus_counts
        )


def landing(dialect: Dialect, reported: Framing, wanted: Framing) -> Landing:
    """Return reported minus wanted on each axis."""
    pan = reported.pan_counts - wanted.pan_counts
    tilt = reported.tilt_counts - wanted.tilt_counts
    by_hand = wanted.focus_mode == "manual"
    return Landing(
        pan_counts=pan,
        tilt_counts=tilt,
        zoom_counts=reported.zoom_counts - wanted.zoom_counts,
        focus_counts=reported.focus_counts - wanted.focus_counts if by_hand else None,
        pan_deg=pan / dialect.pan.counts_per_degree,
        tilt_deg=tilt / dialect.tilt.counts_per_degree,
    )


def carried(framing: Framing, source: Dialect, target: Dialect) -> Framing:
    """Return a framing stored in one head's counts in another's, through degrees: as near as the counts allow.

    Zoom and focus counts stay as they are: they belong to the lens, and no document relates two lenses.
    """
    if source.name == target.name:
        return framing
    return Framing(
        pan_counts=target.pan.counts(source.pan.degrees(framing.pan_counts)),
        tilt_counts=target.tilt.counts(source.tilt.degrees(framing.tilt_counts)),
        zoom_counts=framing.zoom_counts,
        focus_counts=framing.focus_counts,
        focus_mode=framing.focus_mode,
    )


def out_of_reach(dialect: Dialect, framing: Framing) -> str | None:
    """Return a sentence on the first axis whose target the head cannot reach, or None."""
    for axis, scale, counts in (
        ("pan", dialect.pan, framing.pan_counts),
        ("tilt", dialect.tilt, framing.tilt_counts),
    ):
        if not scale.least_counts <= counts <= scale.most_counts:
            least, most = scale.reach_deg
            return (
                f"{axis} {scale.degrees(counts):.1f}° is out of this head's reach, which is {least:.0f}° to {most:.0f}°"
            )
    return None
