"""How a head stands on its mount now, from things that it saw before and sees now: after a knock, or a swap.

A pan and a tilt are a direction as the head has it: (right, up, ahead) of its own pan 0 and tilt 0. Where the head is
turned as a whole, one rotation takes the old direction of each thing into the new one. Two things tell it, more tell it
better: the rotation that leaves the least squares of what is off (Wahba's problem, "A Least Squares Estimate of
Satellite Attitude", 1965), by the singular values of the sum of their outer products (Kabsch 1976, Markley 1988). One
thing alone can't tell whether the head has rolled about it: then there are two offsets, and no more is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import acos, asin, atan2, cos, degrees, hypot, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

Angles = tuple[float, float]  # pan and tilt in degrees
Matrix = NDArray[np.float64]

LEAST_KNOWN_DEG = 1.0  # a rotation of which one count of noise leaves more unknown than that about some axis is none


class UntoldError(ValueError):
    """Sightings that can't tell how the head stands: too near to each other, or right opposite; a sentence on it."""


@dataclass(frozen=True, slots=True)
class Sighted:
    """A thing that was in the middle of the picture at one pan and tilt, and is at another now."""

    before: Angles
    now: Angles
    allowed_deg: float  # how far off the middle it may have been framed


@dataclass(frozen=True, slots=True)
class Offsets:
    """What one sighting tells: how far pan and tilt are off there. Whether the head has rolled stays unknown."""

    pan_deg: float
    tilt_deg: float

    def now(self, before: Angles) -> Angles:
        """Return the pan and tilt at which a thing is to be looked for now; right only near the sighting."""
        return before[0] + self.pan_deg, before[1] + self.tilt_deg

    def off_deg(self, sighted: Sighted) -> float:
        """Return how far from where it was seen a thing is looked for."""
        return apart_deg(self.now(sighted.before), sighted.now)


@dataclass(frozen=True, slots=True)
class Attitude:
    """The rotation that takes old directions into new ones, and how well it is known."""

    rotation: Matrix
    covariance: Matrix  # of its error as a small turn about (right, up, ahead), in square radians

    def now(self, before: Angles) -> Angles:
        """Return the pan and tilt at which a thing is in the middle now; of pans a turn apart the nearest."""
        right, up, ahead = (float(each) for each in self.rotation @ direction(before))
        pan = degrees(atan2(right, ahead))
        return pan + 360.0 * round((before[0] - pan) / 360.0), degrees(atan2(up, hypot(right, ahead)))

    def off_deg(self, sighted: Sighted) -> float:
        """Return how far from where it was seen a thing is looked for."""
        return apart_deg(self.now(sighted.before), sighted.now)

    def uncertain_deg(self, before: Angles) -> float:
        """Return how far off a thing is to be expected (a standard deviation), by how far off the sightings are."""
        turned = self.rotation @ direction(before)
        about = self.covariance
        return degrees(sqrt(max(0.0, float(np.trace(about) - turned @ about @ turned))))

    def leans_deg(self, before: Angles) -> float:
        """Return by how much the picture of a thing is turned clockwise now. No pan and tilt take that back."""
        right, up = _picture_axes(before)
        seen = self.rotation.T @ _picture_axes(self.now(before))[0]
        # A camera that leans clockwise, its right side down, shows all turned the other way.
        return degrees(atan2(float(seen @ up), float(seen @ right)))

    @property
    def angle_deg(self) -> float:
        """By how much the head is turned in all, about whatever axis: half a turn where two sightings are swapped."""
        return degrees(acos(min(1.0, max(-1.0, (float(np.trace(self.rotation)) - 1.0) / 2.0))))

    @property
    def turned_deg(self) -> tuple[float, float, float]:
        """How the head is turned: to the right, then up, then clockwise about where it looks, as it sees that."""
        head = self.rotation.T  # its axes, as it stood before
        ahead = (float(head[0, 2]), float(head[1, 2]), float(head[2, 2]))
        right = degrees(atan2(ahead[0], ahead[2]))
        up = degrees(atan2(ahead[1], hypot(ahead[0], ahead[2])))
        level, upright = _picture_axes((right, up))
        return right, up, degrees(atan2(-float(head[:, 0] @ upright), float(head[:, 0] @ level)))


def find_offsets(sighted: Sighted) -> Offsets:
    """Return what one sighting tells."""
    pan = sighted.now[0] - sighted.before[0]
    return Offsets(pan - 360.0 * round(pan / 360.0), sighted.now[1] - sighted.before[1])


def find_attitude(sightings: Sequence[Sighted], noise_deg: float) -> Attitude:
    """Return the rotation that fits two or more sightings best, each off by `noise_deg` either way (above zero).

    Where they are off by more than that explains, its covariance grows by as much (Birge, "The Calculation of Errors
    by the Method of Least Squares", 1932): each tells two angles, of which three in all are found. Raises UntoldError
    where they can't tell it to a degree.
    """
    before = np.array([direction(each.before) for each in sightings])
    now = np.array([direction(each.now) for each in sightings])
    left, _, right = np.linalg.svd(now.T @ before)
    proper = np.diag([1.0, 1.0, np.linalg.det(left) * np.linalg.det(right)])  # no mirror
    told = (len(sightings) * np.eye(3) - now.T @ now) / radians(noise_deg) ** 2  # nothing about a thing's own axis
    least = float(np.linalg.eigvalsh(told)[0])
    if least <= 0.0 or degrees(1.0 / sqrt(least)) > LEAST_KNOWN_DEG:
        widest = max(apart_deg(one.now, other.now) for one in sightings for other in sightings)
        raise UntoldError(f"{widest:.1f}° apart, they can't tell whether the head has rolled")
    found = Attitude(left @ proper @ right, np.linalg.inv(told))
    squares = sum((found.off_deg(each) / noise_deg) ** 2 for each in sightings) / (2 * len(sightings) - 3)
    return replace(found, covariance=found.covariance * max(1.0, squares))


def unfit(sightings: Sequence[Sighted], noise_deg: float) -> tuple[int, ...]:
    """Return which sightings don't fit the others, by their places in the sequence; none where all do.

    More than one is named where each of them may be the wrong one: of two that see another angle between them than
    there was, both. Raises UntoldError as `find_attitude` does.
    """
    everyone = tuple(range(len(sightings)))
    if len(sightings) < 2 or _fit(sightings, noise_deg):
        return ()
    suspects = []
    for index in everyone:
        others = [each for other, each in enumerate(sightings) if other != index]
        try:
            if _fit(others, noise_deg):
                suspects.append(index)
        except UntoldError:
            continue
    return tuple(suspects) or everyone


def _fit(sightings: Sequence[Sighted], noise_deg: float) -> bool:
    found = find_attitude(sightings, noise_deg)
    if len(sightings) == 2:  # each shares in what the angle between them is off
        return not angle_is_another(*sightings)
    return all(found.off_deg(each) <= each.allowed_deg for each in sightings)


def angle_is_another(one: Sighted, other: Sighted) -> bool:
    """Return whether two things are seen at another angle to each other than before: no turn of the head does that."""
    off = abs(apart_deg(one.before, other.before) - apart_deg(one.now, other.now))
    return off > one.allowed_deg + other.allowed_deg


def direction(angles: Angles) -> NDArray[np.float64]:
    """Return a pan and tilt as a unit to the right, up and ahead."""
    pan, tilt = radians(angles[0]), radians(angles[1])
    return np.array([sin(pan) * cos(tilt), sin(tilt), cos(pan) * cos(tilt)])


def apart_deg(one: Angles, other: Angles) -> float:
    """Return the angle between two directions."""
    chord = float(np.linalg.norm(direction(one) - direction(other)))
    return 2.0 * degrees(asin(min(1.0, chord / 2.0)))


def _picture_axes(angles: Angles) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """To the right and upwards in the picture of a head that looks there."""
    pan, tilt = radians(angles[0]), radians(angles[1])
    return (
        np.array([cos(pan), 0.0, -sin(pan)]),
        np.array([-sin(pan) * sin(tilt), cos(tilt), -cos(pan) * sin(tilt)]),
    )
