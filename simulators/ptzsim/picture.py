"""What a simulated camera sees: the stage through a pinhole, from where its head and its lens truly are.

A pan turns a camera about the vertical of its mount, a tilt about its own horizontal axis. What lies nearer or
farther than what the lens is focused on is blurred, over the whole picture as much as what is seen in its middle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from ptzd.visca import Dialect

from .camera import PLUMB, Knock, SimulatedCamera
from .stage import Colour, Point, Stage, distance_m

WIDTH, HEIGHT = 640, 360
FINER = 2  # times as fine as the picture is what is drawn before it is made smaller: edges come out smooth
NEAR_M = 0.2  # nothing nearer is drawn
SPECK = 1.5  # nothing smaller in what is drawn is
JPEG_QUALITY = 85
PICTURE_WIDTH_MM = 35.9  # of the sensor
STOP = 4.0  # the f-number, assumed
SHARP_PIXELS = 0.4  # a blur of less is none
MOST_BLUR_PIXELS = 12.0

Floats = NDArray[np.float64]
_Drawn = tuple[tuple[Point, ...], Colour, int]  # corners, and which figure they sway with, or -1


@dataclass(frozen=True, slots=True)
class Glass:
    """What a zoom lens has at both ends."""

    wide_mm: float = 100.0
    tele_mm: float = 400.0

    @classmethod
    def parse(cls, text: str) -> Glass:
        """Return the lens of a text such as 28-135. Raises ValueError for another."""
        wide, tele = (float(each) for each in text.split("-"))
        if not 1.0 <= wide < tele <= 10000.0:
            raise ValueError(f"{text} is no zoom lens")
        return cls(wide_mm=wide, tele_mm=tele)


PLACES: dict[str, Point] = {"gallery": (0.0, -14.0, 4.2), "left": (-7.0, -6.0, 1.7), "right": (6.8, -6.5, 2.6)}


def place_of(name: str, index: int = 0) -> Point:
    """Return where the camera of a name stands; one whose name says nothing, on the rail of the gallery."""
    beside = (-1) ** index * (index + 1) // 2
    return PLACES.get(name) or (0.8 * beside, -14.0, 4.0)


@dataclass(frozen=True, slots=True)
class View:
    """Which way a camera looked at one moment, and through what."""

    pan_deg: float
    tilt_deg: float
    focal_length_mm: float
    focus_m: float  # what is sharp; infinite beyond the far end of the scale
    at: float  # by the clock by which people sway
    knocked: Knock = PLUMB  # how the mount stands


class Eye:
    """One camera's look at the stage, straight to it at pan 0. What does not change is worked out once."""

    def __init__(self, stage: Stage, place: Point, glass: Glass = Glass()) -> None:
        self._stage = stage
        self._glass = glass
        self._place = place
        self._eye = np.array(place)
        faces: list[_Drawn] = [(face.points, face.colour, -1) for face in stage.ground]
        upon: list[tuple[float, list[_Drawn]]] = [
            (self._away(thing.place), [(face.points, face.colour, -1) for face in thing.faces])
            for thing in stage.things
        ]
        aside = np.zeros((len(stage.figures) + 1, 3))  # the last is for what stands still
        for index, figure in enumerate(stage.figures):
            x, y, z = figure.place
            across, along = x - place[0], y - place[1]
            right, back = along / math.hypot(across, along), -across / math.hypot(across, along)
            aside[index] = (right, back, 0.0)
            drawn: list[_Drawn] = [
                (tuple((x + right * a, y + back * a, z + b) for a, b in outline), colour, index)
                for outline, colour in figure.parts
            ]
            upon.append((self._away(figure.place), drawn))
        for _, those in sorted(upon, key=lambda one: -one[0]):
            faces += those
        self._points: Floats = np.array([point for points, _, _ in faces for point in points])
        self._starts = np.cumsum([0, *(len(points) for points, _, _ in faces)])
        self._owners = np.repeat([owner for _, _, owner in faces], np.diff(self._starts))
        self._colours = [colour for _, colour, _ in faces]
        self._aside = aside

    def focal_length_mm(self, dialect: Dialect, zoom_counts: float) -> float:
        """Return the focal length at a zoom position: 1/f is straight between the points of the dialect's table."""
        longest = math.log(dialect.zoom.ratios[-1][0])
        growth = math.log(self._glass.tele_mm / self._glass.wide_mm)
        powers = [math.exp(-growth * math.log(ratio) / longest) for ratio, _ in dialect.zoom.ratios]
        counts = [at for _, at in dialect.zoom.ratios]
        return self._glass.wide_mm / float(np.interp(zoom_counts, counts, powers))

    def sees(self, camera: SimulatedCamera, now: float) -> View:
        """Return which way a camera looks now, as it truly is."""
        zoom = camera.lens.zoom_counts(now)
        return View(
            camera.head.picture_pan_deg(now),
            camera.head.picture_tilt_deg(now),
            self.focal_length_mm(camera.dialect, zoom) * (1.0 + camera.zoom_slipped),
            _focus_m(camera.dialect, camera.lens.focus_counts(now)),
            now,
            camera.knocked,
        )

    def distance_m(self, pan_deg: float, tilt_deg: float, knocked: Knock = PLUMB) -> float:
        """Return how far away what is in the middle of the picture is."""
        _, _, ahead = self.axes(pan_deg, tilt_deg, knocked)
        return distance_m(self._place, (float(ahead[0]), float(ahead[1]), float(ahead[2])))

    def draw(self, view: View) -> Image.Image:
        """Return the picture."""
        shown, outlines = self._outlines(view)
        picture = Image.new("RGB", (WIDTH * FINER, HEIGHT * FINER), (18, 16, 15))
        draw = ImageDraw.Draw(picture)
        for index, outline in zip(shown, outlines, strict=True):
            draw.polygon(outline, self._colours[index])
        picture = picture.reduce(FINER)
        if (blur := self._blur_pixels(view)) > SHARP_PIXELS:
            picture = picture.filter(ImageFilter.BoxBlur(blur))
        return picture

    def jpeg(self, view: View) -> bytes:
        """Return the picture as a JPEG."""
        out = BytesIO()
        self.draw(view).save(out, "JPEG", quality=JPEG_QUALITY)
        return out.getvalue()

    def _outlines(self, view: View) -> tuple[list[int], list[list[float]]]:
        """Return the faces that are to be seen, by number, and x and y of their corners in what is drawn."""
        sways = np.array([figure.sway_m(view.at) for figure in self._stage.figures] + [0.0])
        points = self._points - self._eye + (self._aside * sways[:, None])[self._owners]
        right, up, ahead = self.axes(view.pan_deg, view.tilt_deg, view.knocked)
        seen = points @ np.stack([right, up, ahead]).T
        starts, ends = self._starts[:-1], self._starts[1:]
        depth = seen[:, 2]
        scale = view.focal_length_mm / PICTURE_WIDTH_MM * WIDTH * FINER
        safe = np.maximum(depth, NEAR_M)
        x = WIDTH * FINER / 2 + seen[:, 0] / safe * scale - 0.5
        y = HEIGHT * FINER / 2 - seen[:, 1] / safe * scale - 0.5
        nearest = np.minimum.reduceat(depth, starts)
        left, right_end = np.minimum.reduceat(x, starts), np.maximum.reduceat(x, starts)
        top, bottom = np.minimum.reduceat(y, starts), np.maximum.reduceat(y, starts)
        within = (right_end >= 0) & (left < WIDTH * FINER) & (bottom >= 0) & (top < HEIGHT * FINER)
        worth_it = within & ((right_end - left > SPECK) | (bottom - top > SPECK))
        before = nearest >= NEAR_M
        across = (np.maximum.reduceat(depth, starts) > NEAR_M) & ~before
        shown = np.flatnonzero((before & worth_it) | across)
        flat = np.stack([x, y], axis=1).ravel().tolist()
        outlines = [
            flat[2 * start : 2 * end] for start, end in zip(starts[shown].tolist(), ends[shown].tolist(), strict=True)
        ]
        for order in np.flatnonzero(across[shown]):
            cut = _before(seen[starts[shown[order]] : ends[shown[order]]])
            outlines[order] = [
                place
                for a, b, c in cut
                for place in (WIDTH * FINER / 2 + a / c * scale - 0.5, HEIGHT * FINER / 2 - b / c * scale - 0.5)
            ]
        return shown.tolist(), outlines

    def axes(self, pan_deg: float, tilt_deg: float, knocked: Knock = PLUMB) -> tuple[Floats, Floats, Floats]:
        """Return what lies to the right, upwards and ahead of the camera: units of the stage's x, y and z."""
        east, north, upright = np.eye(3)
        right, up, ahead = _turned((east, upright, north), knocked.right_deg, knocked.up_deg)
        roll = math.radians(knocked.clockwise_deg)
        right, up = right * math.cos(roll) - up * math.sin(roll), up * math.cos(roll) + right * math.sin(roll)
        return _turned((right, up, ahead), pan_deg, tilt_deg)

    def _away(self, place: Point) -> float:
        return math.dist(place[:2], self._place[:2])

    def _blur_pixels(self, view: View) -> float:
        """The radius of the disc that a point in the middle becomes, by the thin lens."""
        metres = self.distance_m(view.pan_deg, view.tilt_deg, view.knocked)
        focal_m = view.focal_length_mm / 1000.0
        disc_m = focal_m**2 / STOP * abs(1.0 / view.focus_m - 1.0 / metres)
        return min(MOST_BLUR_PIXELS, disc_m * 1000.0 / PICTURE_WIDTH_MM * WIDTH / 2)


def _turned(axes: tuple[Floats, Floats, Floats], pan_deg: float, tilt_deg: float) -> tuple[Floats, Floats, Floats]:
    """To the right, upwards and ahead after a turn about what was upwards, and then about what is to the right."""
    right, up, ahead = axes
    pan, tilt = math.radians(pan_deg), math.radians(tilt_deg)
    right, level = right * math.cos(pan) - ahead * math.sin(pan), ahead * math.cos(pan) + right * math.sin(pan)
    return right, up * math.cos(tilt) - level * math.sin(tilt), level * math.cos(tilt) + up * math.sin(tilt)


def _focus_m(dialect: Dialect, counts: float) -> float:
    """What is sharp at a focus position: 1/distance is straight between the points of the dialect's table."""
    table = dialect.focus.distances
    nearness = float(np.interp(counts, [at for _, at in table], [1.0 / metres for metres, _ in table]))
    return 1.0 / nearness if nearness > 0 else math.inf


def _before(seen: Floats) -> list[tuple[float, float, float]]:
    """The part of a face that lies before the camera (Sutherland and Hodgman, for one plane)."""
    cut: list[tuple[float, float, float]] = []
    corners = [(float(a), float(b), float(c)) for a, b, c in seen]
    for (a0, b0, c0), (a1, b1, c1) in zip(corners, (*corners[1:], corners[0]), strict=True):
        if c0 >= NEAR_M:
            cut.append((a0, b0, c0))
        if (c0 >= NEAR_M) != (c1 >= NEAR_M):
            share = (NEAR_M - c0) / (c1 - c0)
            cut.append((a0 + share * (a1 - a0), b0 + share * (b1 - b0), NEAR_M))
    return cut
