"""A camera's reach as a picture: where its positions lie, how much each shows, where it looks now. For a dark room.

Degrees of pan run to the right and degrees of tilt upwards, both at the same scale. What the camera looks at is shown
large; a small map below tells which part of the whole reach that is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import cos, radians
from typing import Self

from ptzd.cameras import CameraSettings, reach_of
from ptzd.line import Framing
from ptzd.motion import angle_of_view_deg
from ptzd.positions import StoredPosition
from ptzd.visca import DialectError

from .elements import SVG, Element, add, put, root, shape, written

WIDTH, HEIGHT = 640.0, 360.0
EDGE = 12.0
MAP_WIDTH, MAP_HEIGHT = 120.0, 64.0
LEAST_SPAN_DEG = 30.0  # shown from left to right
ROOM = 0.12  # of what is shown, left free on each side
LABEL_PX, LETTER_PX = 14.0, 7.6
MOST_LABEL_LETTERS = 24
STEPS_DEG = (1, 2, 5, 10, 20, 30, 45)  # between lines; there are about eight

GROUND, REACH, LINES = "#101214", "#1b2024", "#333b42"
WORDS, MARK, HERE = "#c8d0d6", "#8fa3b3", "#ffd166"


@dataclass(frozen=True, slots=True)
class _Area:
    """A part of what a head can look at, in degrees."""

    left: float
    right: float
    low: float
    high: float

    @classmethod
    def around(cls, pan_deg: float, tilt_deg: float, wide_deg: float, high_deg: float) -> Self:
        """What a picture shows; near the zenith a given width is a long way of pan."""
        half = min(90.0, wide_deg / 2 / max(0.1, cos(radians(tilt_deg))))
        return cls(pan_deg - half, pan_deg + half, tilt_deg - high_deg / 2, tilt_deg + high_deg / 2)

    @classmethod
    def holding(cls, areas: Sequence[_Area]) -> Self:
        """The smallest that holds all of them."""
        left, low = min(one.left for one in areas), min(one.low for one in areas)
        return cls(left, max(one.right for one in areas), low, max(one.high for one in areas))

    def within(self, other: _Area) -> _Area:
        """The part of it that lies in another."""
        return _Area(
            max(self.left, other.left),
            min(self.right, other.right),
            max(self.low, other.low),
            min(self.high, other.high),
        )


@dataclass(frozen=True, slots=True)
class _Paper:
    """Where degrees are drawn."""

    area: _Area
    x: float
    y: float
    wide: float
    high: float

    def place(self, pan_deg: float, tilt_deg: float) -> tuple[float, float]:
        scale = self.wide / (self.area.right - self.area.left)
        return self.x + (pan_deg - self.area.left) * scale, self.y + (self.area.high - tilt_deg) * scale

    def box(self, area: _Area) -> dict[str, float]:
        x, y = self.place(area.left, area.high)
        right, bottom = self.place(area.right, area.low)
        return {"x": x, "y": y, "width": max(1.0, right - x), "height": max(1.0, bottom - y)}


def chart(settings: CameraSettings, positions: Mapping[str, StoredPosition], here: Framing | None) -> str:
    """Return the chart of a camera as SVG that stands on its own; `here` is where it looks now, if that is known.

    A position shows as wide as its picture where the configuration names sensor and lens, else as a point. One that the
    camera can't be sent to is left out.
    """
    reach = _whole(settings)
    shown = {name: area for name, one in positions.items() if (area := _shown(settings, one)) is not None}
    looks = None if here is None else _seen(settings, here)
    paper = _large(reach, [*shown.values(), *([] if looks is None else [looks])])
    svg = root("svg", xmlns=SVG, viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img", font_family="sans-serif")
    put(svg, "title", f"Where camera {settings.name} can look, and where its positions lie")
    shape(svg, "rect", width=WIDTH, height=HEIGHT, fill=GROUND)
    shape(svg, "rect", **paper.box(reach.within(paper.area)), fill=REACH)
    _lines(svg, paper)
    taken: list[tuple[float, float, float]] = []
    for name, area in shown.items():
        _mark(svg, paper, area, MARK, 1.2)
        _label(svg, paper, area, name, taken)
    if looks is not None:
        _cross(svg, paper, looks)
    _map(svg, reach, paper.area, looks)
    if not shown:
        put(svg, "text", "no positions yet", x=WIDTH / 2, y=EDGE + 20, fill=WORDS, font_size=15, text_anchor="middle")
    return written(svg)


def _whole(settings: CameraSettings) -> _Area:
    window = settings.window or reach_of(settings.dialect)
    return _Area(*window.pan_deg, *window.tilt_deg)


def _shown(settings: CameraSettings, position: StoredPosition) -> _Area | None:
    try:
        return _seen(settings, position.framing_for(settings.dialect))
    except DialectError:
        return None


def _seen(settings: CameraSettings, framing: Framing) -> _Area:
    dialect, optics = settings.dialect, settings.optics
    wide = high = 0.0
    if optics is not None:
        focal_mm = optics.lens.focal_length_mm(framing.zoom_counts)
        wide = angle_of_view_deg(optics.sensor.width_mm, focal_mm)
        high = angle_of_view_deg(optics.sensor.height_mm, focal_mm)
    return _Area.around(dialect.pan.degrees(framing.pan_counts), dialect.tilt.degrees(framing.tilt_counts), wide, high)


def _large(reach: _Area, areas: list[_Area]) -> _Paper:
    """The paper on which all areas have room."""
    wide, high = WIDTH - 2 * EDGE, HEIGHT - 2 * EDGE
    held = _Area.holding(areas) if areas else reach
    span = max(held.right - held.left, (held.high - held.low) * wide / high, LEAST_SPAN_DEG) * (1 + 2 * ROOM)
    middle_pan, middle_tilt = (held.left + held.right) / 2, (held.low + held.high) / 2
    tall = span * high / wide
    area = _Area(middle_pan - span / 2, middle_pan + span / 2, middle_tilt - tall / 2, middle_tilt + tall / 2)
    return _Paper(area, EDGE, EDGE, wide, high)


def _lines(svg: Element, paper: _Paper) -> None:
    area = paper.area
    step = next((each for each in STEPS_DEG if (area.right - area.left) / each <= 9), 90)
    for pan in range(-int(-area.left // step) * step, int(area.right) + 1, step):
        x, _ = paper.place(pan, 0)
        shape(svg, "line", x1=x, x2=x, y1=EDGE, y2=HEIGHT - EDGE, stroke=LINES)
        put(svg, "text", f"{pan}\u00b0", x=x + 3, y=HEIGHT - EDGE - 4, fill=WORDS, font_size=11)
    for tilt in range(-int(-area.low // step) * step, int(area.high) + 1, step):
        _, y = paper.place(0, tilt)
        shape(svg, "line", x1=EDGE, x2=WIDTH - EDGE, y1=y, y2=y, stroke=LINES)
        put(svg, "text", f"{tilt}\u00b0", x=EDGE + 3, y=y - 3, fill=WORDS, font_size=11)


def _mark(svg: Element, paper: _Paper, area: _Area, colour: str, thick: float) -> None:
    if area.right - area.left > 0:
        shape(svg, "rect", **paper.box(area), fill="none", stroke=colour, stroke_width=thick)
    else:
        x, y = paper.place(area.left, area.low)
        shape(svg, "circle", cx=x, cy=y, r=4, fill=colour)


def _label(svg: Element, paper: _Paper, area: _Area, name: str, taken: list[tuple[float, float, float]]) -> None:
    """Write a name at an area, lower where another stands already."""
    words = name if len(name) <= MOST_LABEL_LETTERS else f"{name[: MOST_LABEL_LETTERS - 1]}…"
    long = len(words) * LETTER_PX
    x, y = paper.place(area.left, area.high)
    x, y = min(x + 4, WIDTH - EDGE - long), y + LABEL_PX
    while any(abs(y - other_y) < LABEL_PX and x < end and other_x < x + long for other_x, other_y, end in taken):
        y += 2
    taken.append((x, y, x + long))
    put(svg, "text", words, x=x, y=min(y, HEIGHT - EDGE - 2), fill=WORDS, font_size=LABEL_PX)


def _cross(svg: Element, paper: _Paper, area: _Area) -> None:
    """Where it looks now: a cross, the picture's outline dashed, and the word."""
    x, y = paper.place((area.left + area.right) / 2, (area.low + area.high) / 2)
    if area.right - area.left > 0:
        shape(svg, "rect", **paper.box(area), fill="none", stroke=HERE, stroke_width=2, stroke_dasharray="7 4")
    shape(svg, "path", d=f"M{x - 9:.1f} {y:.1f}h18M{x:.1f} {y - 9:.1f}v18", stroke=HERE, stroke_width=2)
    put(svg, "text", "now", x=x + 7, y=y - 6, fill=HERE, font_size=LABEL_PX, font_weight="bold")


def _map(svg: Element, reach: _Area, shown: _Area, looks: _Area | None) -> None:
    """The whole reach, small, with the part that is shown large."""
    wide = min(MAP_WIDTH, MAP_HEIGHT * (reach.right - reach.left) / (reach.high - reach.low))
    high = wide * (reach.high - reach.low) / (reach.right - reach.left)
    paper = _Paper(reach, WIDTH - EDGE - wide - 8, HEIGHT - EDGE - high - 22, wide, high)
    corner = add(svg, "g", opacity=0.92)
    shape(corner, "rect", **paper.box(reach), fill=GROUND, stroke=WORDS)
    part = shown.within(reach)
    if part.right > part.left and part.high > part.low:
        shape(corner, "rect", **paper.box(part), fill=LINES, stroke=WORDS)
    if looks is not None:
        x, y = paper.place((looks.left + looks.right) / 2, (looks.low + looks.high) / 2)
        shape(corner, "circle", cx=x, cy=y, r=2.5, fill=HERE)
