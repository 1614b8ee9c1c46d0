"""Stills and pictures drawn at random, in which people have moved, and what is told of them.

`.venv/bin/python tests/drawn_drifts.py --pairs 1000` holds as many pictures against their stills, cameras untouched:
whatever is told is a false alarm. Then as many of cameras that were knocked and zoom rings that slipped: what is told
must be right, to a pixel of 640 and 0.3 %. What was done to a camera is known, and not taken from the product's sums.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO

import numpy as np
from PIL import Image
from ptzsim.picture import Eye, View, place_of
from ptzsim.stage import Stage

from ptzd.cameras import CameraSettings, Optics
from ptzd.daemon.drift import changes_of
from ptzd.line import Framing, Landing, Tolerance
from ptzd.motion import Lens, Sensor, published_head
from ptzd.pictures import Similarity
from ptzd.pictures.drift import compared
from ptzd.positions import StoredPosition
from ptzd.visca import load_dialect

SHOTS = (  # camera, pan, tilt, mm: the whole choir, one person, the audience, the piano…
    ("gallery", 0.0, -8.0, 114.0), ("gallery", 5.9, -8.1, 216.0), ("gallery", 30.0, -17.0, 100.0),
    ("left", 25.5, 3.9, 135.0), ("left", 49.3, 1.0, 200.0), ("left", 45.0, 1.2, 182.0),
    ("right", -53.7, -5.2, 128.0), ("right", -23.6, -1.5, 140.0), ("right", -55.9, -4.9, 231.0),
)  # fmt: skip
EVENINGS = 8  # on which people stand elsewhere, all of them
NOISE = 4.0  # of 255: a camera's in the half dark, assumed

DIALECT = load_dialect("nibble4-51")
HEAD = published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s)
SETTINGS = CameraSettings(
    "left", DIALECT, HEAD, 24, Tolerance(), optics=Optics(Sensor(35.9, 20.2), Lens(((0, 100.0), (0x4000, 400.0))), 25.0)
)
EXACTLY = Landing(0, 0, 0, 0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Pair:
    """A still and a picture of one shot, and what was done to the camera between them."""

    still: bytes
    picture: bytes
    focal_mm: float
    right: float  # so much further right lies what is in the middle, in pixels of 640
    down: float
    larger: float

    def off_pixels(self, found: Similarity) -> float:
        return math.hypot(found.right * 640 - self.right, -found.up * 360 - self.down)

    def alarm(self, found: Similarity) -> list[str]:
        zoom = round(0x4000 * (1 / 100 - 1 / self.focal_mm) / (1 / 100 - 1 / 400))
        framing = Framing(0, 0, zoom, 0x2000, "manual")
        position = StoredPosition("left", "shot", framing, "nibble4-51", None, None, "", datetime.now(UTC))
        return changes_of(SETTINGS, position, EXACTLY, found)[0]


class Drawing:
    """Draws pairs; the same seed draws the same."""

    def __init__(self, seed: int) -> None:
        self._rng = random.Random(seed)
        self._noise = np.random.default_rng(seed)
        self._eyes: dict[tuple[int, str], Eye] = {}

    def pair(self, *, drifted: bool) -> Pair:
        rng = self._rng
        name, pan, tilt, focal_mm = rng.choice(SHOTS)
        before, after = rng.sample(range(EVENINGS), 2)
        turned, raised = (rng.uniform(-15.0, 15.0) if drifted else 0.0 for _ in range(2))  # pixels
        larger = rng.uniform(-0.03, 0.03) if drifted else 0.0
        pixels = 640 * focal_mm / 35.9
        new_pan = pan + math.degrees(math.atan(turned / pixels)) / math.cos(math.radians(tilt))
        new_tilt = tilt + math.degrees(math.atan(raised / pixels))
        return Pair(
            self._jpeg(before, name, pan, tilt, focal_mm),
            self._jpeg(after, name, new_pan, new_tilt, focal_mm * (1 + larger)),
            focal_mm,
            -turned * (1 + larger),
            raised * (1 + larger),
            larger,
        )

    def _jpeg(self, evening: int, name: str, pan: float, tilt: float, focal_mm: float) -> bytes:
        eye = self._eyes.setdefault((evening, name), Eye(Stage(evening), place_of(name)))
        drawn = eye.draw(View(pan, tilt, focal_mm, eye.distance_m(pan, tilt), self._rng.uniform(0.0, 9.0)))
        noisy = np.asarray(drawn, dtype=np.float64) + self._noise.normal(0.0, NOISE, (360, 640, 3))
        out = BytesIO()
        Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8)).save(out, "JPEG", quality=85)
        return out.getvalue()


@dataclass(slots=True)
class Tally:
    """What was told of many pairs."""

    pairs: int = 0
    told: int = 0  # whether or not anything has drifted
    alarms: int = 0
    worst_pixels: float = 0.0
    worst_larger: float = 0.0

    def count(self, pair: Pair) -> None:
        self.pairs += 1
        found = compared(pair.still, pair.picture)
        if found is not None:
            self.told += 1
            self.alarms += bool(pair.alarm(found))
            self.worst_pixels = max(self.worst_pixels, pair.off_pixels(found))
            self.worst_larger = max(self.worst_larger, abs(found.larger - pair.larger))

    def __str__(self) -> str:
        return (
            f"{self.pairs} pairs: sure of {self.told}, {self.alarms} told as drifted; "
            f"worst {self.worst_pixels:.2f} px and {self.worst_larger:.2%} off"
        )


def tally(pairs: int, seed: int, *, drifted: bool) -> Tally:
    """Hold so many pictures against their stills."""
    drawing, counted = Drawing(seed), Tally()
    for _ in range(pairs):
        counted.count(drawing.pair(drifted=drifted))
    return counted


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pairs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    untouched = tally(asked.pairs, asked.seed, drifted=False)
    print(f"untouched: {untouched}", flush=True)
    drifted = tally(asked.pairs, asked.seed, drifted=True)
    print(f"knocked and slipped: {drifted}")
    return 1 if untouched.alarms or drifted.worst_pixels > 1.0 or drifted.worst_larger > 0.003 else 0


if __name__ == "__main__":
    sys.exit(main())
