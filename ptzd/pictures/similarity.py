"""How one picture of the same thing differs from another."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Similarity:
    """How a picture differs from a still: what is seen lies so much further right and up, larger, and turned clockwise.

    Shifts are shares of the width and of the height, of what is in the middle; `larger` is 0.012 for 1.2 %.
    """

    right: float
    up: float
    larger: float
    roll_deg: float
    sure: float  # the share of the picture's blocks that agree, of those that could be found again
