"""A zoom ring that has slipped against the motor that turns it: from then on the motor's counts are off by so many.

The gear has jumped some teeth, so what is off is a number of counts, the same everywhere, and the lens table tells what
that means for the picture: much at the wide end, little at the other, or the other way round.
"""

from __future__ import annotations

from collections.abc import Sequence

from .lens import Lens

ZoomSeen = tuple[int, int]  # counts at which the picture was as wide as it is at these counts now


def slipped_counts(lens: Lens, seen: Sequence[ZoomSeen]) -> float:
    """Return by how many counts all zoom positions are higher now; `seen` is one at least.

    Least squares of what the pictures' widths are off: a sighting counts by how steep the lens is there.
    """
    weights = [max(_steepness(lens, before), 1e-9) ** 2 for before, _ in seen]
    off = sum(weight * (now - before) for weight, (before, now) in zip(weights, seen, strict=True))
    return off / sum(weights)


def larger_by(lens: Lens, slipped: float, seen: ZoomSeen) -> float:
    """Return by which share all is shown larger at these counts than it was, if the ring has slipped so far."""
    before, now = seen
    return lens.focal_length_mm(now - slipped) / lens.focal_length_mm(before) - 1.0


def _steepness(lens: Lens, counts: int) -> float:
    """By which share the focal length grows over a few counts."""
    return lens.focal_length_mm(counts + 16) / lens.focal_length_mm(counts - 16) - 1.0
