"""Heads that were knocked, drawn at random, and how near two sightings bring their positions back.

`.venv/bin/python tests/drawn_knocks.py --knocks 200` turns a head by 0.5 to 8 degrees in pan, tilt and roll after 30
positions were stored, sights two of them about a quarter turn apart, each with one count of noise on both axes, and
tells by how many counts the others are off before and after. Where each thing truly is then, scipy's rotations tell;
what comes of the sightings is the product's. "middle" are positions in the inner half of the range that is used,
"window" all of it, "edges" others at the ends of the head's own reach, where nothing was sighted.
"""

from __future__ import annotations

import argparse
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from ptzd.motion.attitude import Sighted, find_attitude

COUNTS_PER_DEGREE = (51.2, 45.33, 14.4)  # of the families of heads
PAN_DEG, TILT_DEG = (-60.0, 60.0), (-15.0, 30.0)  # the window of the gallery in configs/granary.toml
EDGES_DEG = ((-165.0, 85.0), (165.0, 85.0), (-165.0, -15.0), (165.0, -15.0), (0.0, 80.0))
POSITIONS = 30
SIGHTED_APART_DEG = 80.0  # about a quarter turn, as the README advises
ZONES = ("middle", "window", "edges")

Angles = tuple[float, float]


def ahead(angles: Angles) -> NDArray[np.float64]:
    """The direction of a pan and a tilt, by scipy: to the right, up, ahead."""
    turned = Rotation.from_euler("YX", [angles[0], -angles[1]], degrees=True)
    return np.asarray(turned.apply([0.0, 0.0, 1.0]))


def angles_of(way: NDArray[np.float64], near_pan: float) -> Angles:
    pan, tilt = np.degrees(np.arctan2(way[0], way[2])), np.degrees(np.arcsin(np.clip(way[1], -1.0, 1.0)))
    return float(pan + 360.0 * np.round((near_pan - pan) / 360.0)), float(tilt)


@dataclass(frozen=True)
class Knock:
    """How a head came to stand: to the right, up, clockwise, in degrees."""

    right: float
    up: float
    clockwise: float

    @classmethod
    def draw(cls, rng: random.Random) -> Knock:
        return cls(*(rng.choice((-1.0, 1.0)) * rng.uniform(0.5, 8.0) for _ in range(3)))

    @property
    def head(self) -> Rotation:
        """Its axes, as they stood before."""
        return Rotation.from_euler("YXZ", [self.right, -self.up, -self.clockwise], degrees=True)

    def now(self, before: Angles) -> Angles:
        """Where a thing is looked for now that was at these angles."""
        return angles_of(np.asarray(self.head.inv().apply(ahead(before))), before[0])


@dataclass
class Off:
    """By how many counts positions of a zone are off: of pan, of tilt, and on the picture."""

    before: list[float] = field(default_factory=list)
    pan: list[float] = field(default_factory=list)
    tilt: list[float] = field(default_factory=list)
    seen: list[float] = field(default_factory=list)


def offs(knocks: int, seed: int, counts_per_degree: float) -> dict[str, Off]:
    """Knock so many heads, bring each back by two sightings, and return what is off by zone."""
    rng = random.Random(seed)
    found = {zone: Off() for zone in ZONES}
    for _ in range(knocks):
        knock = Knock.draw(rng)
        stored = [
            (whole(rng.uniform(*PAN_DEG), counts_per_degree), whole(rng.uniform(*TILT_DEG), counts_per_degree))
            for _ in range(POSITIONS)
        ]
        ways = np.array([ahead(each) for each in stored])
        between = np.degrees(np.arccos(np.clip(ways @ ways.T, -1.0, 1.0)))
        one, other = divmod(int(np.abs(between - SIGHTED_APART_DEG).argmin()), POSITIONS)
        sighted = [stored[one], stored[other]]
        aligned = find_attitude(
            [_sighted(each, knock, counts_per_degree, rng) for each in sighted], 1 / counts_per_degree
        )
        for zone, before in zones([each for each in stored if each not in sighted]):
            true, now = knock.now(before), aligned.now(before)
            reached = (whole(now[0], counts_per_degree), whole(now[1], counts_per_degree))
            off = found[zone]
            off.before.append(apart_deg(true, before) * counts_per_degree)
            off.pan.append(abs((reached[0] - true[0] + 180.0) % 360.0 - 180.0) * counts_per_degree)
            off.tilt.append(abs(reached[1] - true[1]) * counts_per_degree)
            off.seen.append(apart_deg(reached, true) * counts_per_degree)
    return found


def zones(stored: list[Angles]) -> Iterator[tuple[str, Angles]]:
    """Each position with the zones that it lies in; those at the edges are nobody's and come too."""
    for each in stored:
        inner = all(
            abs(value - (least + most) / 2) <= (most - least) / 4
            for value, (least, most) in zip(each, (PAN_DEG, TILT_DEG), strict=True)
        )
        yield "window", each
        if inner:
            yield "middle", each
    for each in EDGES_DEG:
        yield "edges", each


def whole(deg: float, counts_per_degree: float) -> float:
    return round(deg * counts_per_degree) / counts_per_degree


def apart_deg(one: Angles, other: Angles) -> float:
    return float(np.degrees(np.arccos(np.clip(ahead(one) @ ahead(other), -1.0, 1.0))))


def _sighted(before: Angles, knock: Knock, counts_per_degree: float, rng: random.Random) -> Sighted:
    true = knock.now(before)
    pan, tilt = ((round(deg * counts_per_degree) + rng.choice((-1, 0, 1))) / counts_per_degree for deg in true)
    return Sighted(before, (pan, tilt), 1.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--knocks", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print("counts/deg  zone    positions   before: median    after: pan  tilt  on the picture (worst; median)")
    for counts_per_degree in COUNTS_PER_DEGREE:
        for zone, off in offs(asked.knocks, asked.seed, counts_per_degree).items():
            print(
                f"{counts_per_degree:10.2f}  {zone:7} {len(off.seen):9}   {np.median(off.before):14.0f}"
                f"    {max(off.pan):10.2f} {max(off.tilt):5.2f}  {max(off.seen):8.2f}; {np.median(off.seen):.2f}"
            )


if __name__ == "__main__":
    main()
