"""A stage plan as a drawing, seen from above: cameras, marks, and what each shot's picture takes in. For print.

A shot is a wedge from its camera to its mark, as wide as the picture, with a bar where the picture is; a number on it
stands before its line in the list. Cameras differ by colour and by the dashes of their wedges.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle
from math import ceil, floor, hypot, radians, tan

from .elements import SVG, Element, add, put, root, shape, written
from .text import shortened, width

WIDTH = 1180.0
DRAWN_WIDTH = 760.0  # of which so much is the plan; the list stands beside it
TALLEST = 1000.0
EDGE, HEAD = 28.0, 66.0
ROOM_M = 1.5  # around all that stands in the plan
STEPS_M = (1, 2, 5, 10, 20, 50, 100)  # between lines; there are twelve at most
LINE_PX = 22.0  # of the list
DISC_PX = 9.5
LABEL_PX = 13.0
INK, WORDS, LINES, FINE = "#16191c", "#454d54", "#c3cad0", "#e8ecef"
COLOURS = ("#0b5c8a", "#8f1720", "#3f6a1c", "#6a3d8a", "#8a5a00")
DASHES = ("none", "9 4", "3 3", "12 3 3 3")
NOT_RECKONED = "Who stands in front of whom is not reckoned."

_Box = tuple[float, float, float, float]  # left, top, right and bottom of what stands on the paper
Flat = tuple[float, float]  # to the right and ahead, in metres
Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class DrawnShot:
    """One shot, as far as it is drawn: from where, of what, through what."""

    camera: str
    position: str
    eye: Point
    thing: Point
    focal_length_mm: float
    view_deg: float

    @property
    def away_m(self) -> float:
        """How far its mark is away on the plan."""
        return hypot(self.thing[0] - self.eye[0], self.thing[1] - self.eye[1])

    def across(self, share: float, side: float) -> Flat:
        """Return a place of its wedge: so much of the way, and from -1, its left edge, to 1."""
        right, ahead = self.thing[0] - self.eye[0], self.thing[1] - self.eye[1]
        aside = side * tan(radians(self.view_deg / 2.0))
        return (
            self.eye[0] + share * (right + aside * ahead),
            self.eye[1] + share * (ahead - aside * right),
        )


@dataclass(frozen=True, slots=True)
class _Paper:
    """Where metres are drawn."""

    left_m: float
    far_m: float
    scale: float
    wide: float
    high: float

    @classmethod
    def holding(cls, places: Sequence[Flat]) -> _Paper:
        least_x, most_x = (pick(x for x, _ in places) for pick in (min, max))
        least_y, most_y = (pick(y for _, y in places) for pick in (min, max))
        wide_m, high_m = most_x - least_x + 2 * ROOM_M, most_y - least_y + 2 * ROOM_M
        scale = min(DRAWN_WIDTH / wide_m, TALLEST / high_m)
        spare_m = DRAWN_WIDTH / scale - wide_m
        return cls(least_x - ROOM_M - spare_m / 2, most_y + ROOM_M, scale, DRAWN_WIDTH, high_m * scale)

    def place(self, x: float, y: float) -> Flat:
        return EDGE + (x - self.left_m) * self.scale, HEAD + (self.far_m - y) * self.scale


def drawn_plan(
    title: str,
    cameras: Mapping[str, tuple[Point, float]],
    marks: Mapping[str, Flat],
    shots: Sequence[DrawnShot],
) -> str:
    """Return the drawing as SVG that stands on its own; cameras have a place, and which way they look at pan 0."""
    shots = sorted(shots, key=lambda one: [*cameras].index(one.camera))
    ends = [one.across(1.0, side) for one in shots for side in (-1.0, 1.0)]
    paper = _Paper.holding([*(place[:2] for place, _ in cameras.values()), *marks.values(), *ends])
    high = HEAD + max(paper.high, LINE_PX * (len(shots) + len(cameras) + 3)) + EDGE + 14
    svg = root(
        "svg",
        xmlns=SVG,
        viewBox=f"0 0 {WIDTH:g} {high:g}",
        role="img",
        font_family="Liberation Sans, Arial, sans-serif",
    )
    put(svg, "title", f"{title}: cameras, marks and angles of view, from above")
    shape(svg, "rect", width=WIDTH, height=high, fill="#fff")
    put(
        svg,
        "text",
        shortened(title, WIDTH - 2 * EDGE, 24, bold=True),
        x=EDGE,
        y=38,
        fill=INK,
        font_size=24,
        font_weight="bold",
    )
    _lines(svg, paper)
    looks = dict(zip(cameras, zip(cycle(COLOURS), cycle(DASHES)), strict=False))
    for one in shots:
        _wedge(svg, paper, one, *looks[one.camera])
    taken: list[_Box] = []
    for name, place in marks.items():
        _mark(svg, paper, name, place, taken)
    for name, (eye, facing_deg) in cameras.items():
        _camera(svg, paper, name, eye, facing_deg, looks[name][0], taken)
    for number, one in enumerate(shots, 1):
        _disc(svg, *_free(paper, one, taken), number, looks[one.camera][0])
    _list(svg, cameras, shots, looks)
    put(svg, "text", NOT_RECKONED, x=EDGE, y=high - 14, fill=WORDS, font_size=LABEL_PX)
    return written(svg)


def _lines(svg: Element, paper: _Paper) -> None:
    """A net of metres, with figures along two sides."""
    right_m, near_m = paper.left_m + paper.wide / paper.scale, paper.far_m - paper.high / paper.scale
    step = next((each for each in STEPS_M if (right_m - paper.left_m) / each <= 12), STEPS_M[-1])
    bottom = HEAD + paper.high
    for x_m in range(ceil(paper.left_m / step) * step, floor(right_m) + 1, step):
        x, _ = paper.place(x_m, 0.0)
        shape(svg, "line", x1=x, x2=x, y1=HEAD, y2=bottom, stroke=LINES if x_m == 0 else FINE)
        put(svg, "text", f"{x_m} m", x=x + 3, y=bottom - 5, fill=WORDS, font_size=11)
    for y_m in range(ceil(near_m / step) * step, floor(paper.far_m) + 1, step):
        _, y = paper.place(0.0, y_m)
        shape(svg, "line", x1=EDGE, x2=EDGE + paper.wide, y1=y, y2=y, stroke=LINES if y_m == 0 else FINE)
        put(svg, "text", f"{y_m} m", x=EDGE + 3, y=y - 4, fill=WORDS, font_size=11)
    shape(svg, "rect", x=EDGE, y=HEAD, width=paper.wide, height=paper.high, fill="none", stroke=LINES)


def _wedge(svg: Element, paper: _Paper, one: DrawnShot, colour: str, dashes: str) -> None:
    eye = paper.place(*one.eye[:2])
    left, right = (paper.place(*one.across(1.0, side)) for side in (-1.0, 1.0))
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in (left, eye, right))
    shape(svg, "path", d=f"{path}z", fill=colour, fill_opacity=0.07)
    shape(svg, "path", d=path, fill="none", stroke=colour, stroke_width=1.1, stroke_dasharray=dashes)
    shape(svg, "line", x1=left[0], y1=left[1], x2=right[0], y2=right[1], stroke=colour, stroke_width=3)


def _mark(svg: Element, paper: _Paper, name: str, place: Flat, taken: list[_Box]) -> None:
    x, y = paper.place(*place)
    shape(svg, "circle", cx=x, cy=y, r=4.5, fill=INK, stroke="#fff", stroke_width=1.5)
    taken.append((x - 6, y - 6, x + 6, y + 6))
    _label(svg, name, x + 9, y - 7, INK, taken)


def _camera(
    svg: Element,
    paper: _Paper,
    name: str,
    eye: Point,
    facing_deg: float,
    colour: str,
    taken: list[_Box],
) -> None:
    """A body with a lens that looks the way of pan 0, and its name."""
    x, y = paper.place(*eye[:2])
    turned = add(svg, "g", transform=f"translate({x:.1f} {y:.1f}) rotate({facing_deg:.1f})")
    shape(turned, "path", d="M-5 -8L-8 -17H8L5 -8z", fill=colour)
    shape(turned, "rect", x=-10, y=-9, width=20, height=20, rx=4, fill=colour, stroke="#fff", stroke_width=1.5)
    taken.append((x - 19, y - 19, x + 19, y + 19))
    _label(svg, f"{name}, {eye[2]:g} m up", x + 16, y + 20, colour, taken)


def _label(svg: Element, words: str, x: float, y: float, colour: str, taken: list[_Box]) -> None:
    """Write words where they cover nothing, lower where something stands already."""
    long = width(words, LABEL_PX, bold=True)
    x = min(x, EDGE + DRAWN_WIDTH - long - 2)
    while _covers((x, y - LABEL_PX, x + long, y + 3), taken):
        y += 2.0
    taken.append((x, y - LABEL_PX, x + long, y + 3))
    halo: dict[str, str | float] = {
        "stroke": "#fff",
        "stroke_width": 3.5,
        "stroke_linejoin": "round",
        "paint_order": "stroke",
    }
    put(svg, "text", words, x=x, y=y, fill=colour, font_size=LABEL_PX, font_weight="bold", **halo)


def _free(paper: _Paper, one: DrawnShot, taken: list[_Box]) -> Flat:
    """Where on a shot's wedge its number covers nothing; in its middle where there is no such place."""
    shares = (0.6, 0.5, 0.7, 0.4, 0.8, 0.3, 0.9, 0.55, 0.65, 0.45, 0.75, 0.35, 0.85, 0.25, 0.95, 0.2)
    for share in (*shares, 0.5):
        x, y = paper.place(*one.across(share, 0.0))
        box = (x - DISC_PX - 1, y - DISC_PX - 1, x + DISC_PX + 1, y + DISC_PX + 1)
        if not _covers(box, taken):
            break
    taken.append(box)
    return x, y


def _covers(box: _Box, taken: Iterable[_Box]) -> bool:
    left, top, right, bottom = box
    return any(left < other[2] and other[0] < right and top < other[3] and other[1] < bottom for other in taken)


def _disc(svg: Element, x: float, y: float, number: int, colour: str) -> None:
    shape(svg, "circle", cx=x, cy=y, r=DISC_PX, fill="#fff", stroke=colour, stroke_width=1.8)
    put(svg, "text", str(number), x=x, y=y + 4, fill=colour, font_size=11, font_weight="bold", text_anchor="middle")


def _list(
    svg: Element,
    cameras: Mapping[str, tuple[Point, float]],
    shots: Sequence[DrawnShot],
    looks: Mapping[str, tuple[str, str]],
) -> None:
    x, y = EDGE + DRAWN_WIDTH + 34, HEAD + 14
    for camera in cameras:
        colour, dashes = looks[camera]
        shape(
            svg, "line", x1=x, x2=x + 34, y1=y - 4, y2=y - 4, stroke=colour, stroke_width=2.2, stroke_dasharray=dashes
        )
        put(svg, "text", camera, x=x + 44, y=y, fill=colour, font_size=15, font_weight="bold")
        y += LINE_PX
        for number, one in enumerate(shots, 1):
            if one.camera != camera:
                continue
            _disc(svg, x + DISC_PX, y - 4, number, colour)
            name = shortened(one.position, 150, LABEL_PX)
            put(svg, "text", name, x=x + 28, y=y, fill=INK, font_size=LABEL_PX)
            for at, words in (
                (228, f"{one.focal_length_mm:.0f} mm"),
                (284, f"{one.view_deg:.1f}°"),
                (346, f"{one.away_m:.1f} m"),
            ):
                put(svg, "text", words, x=x + at, y=y, fill=WORDS, font_size=LABEL_PX, text_anchor="end")
            y += LINE_PX
        y += LINE_PX / 2
