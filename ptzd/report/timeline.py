"""The evening as a picture: a lane for each camera over time, cues as lines across them, conflicts marked beneath.

What it says, it says in shapes and words; colour only helps. A camera on air is a dark bar, off air a light one; a
move is hatched, settling is dotted. A cue's number stands in a box (with round ends where somebody calls it) on its
line, with the label after it. A conflict is a numbered disc under the lane, with a bar as long as it lasts.

Labels: no two overlap. A number is never cut; a label is cut by the next one on its level, of which there are three,
or more where the numbers alone would overlap.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ptzd.files import number_text
from ptzd.rehearsal import Conflict, PlannedMove, Rehearsal, RehearsedCue, doubts

from .elements import Element, Pen, add, clock, figures, put, shape, span_text
from .lanes import Lane, State, Stretch, lanes
from .text import Place, places, shortened, width, wrapped

PICTURE_WIDTH = 1080.0  # prints on A4 across with letters of 8 points
_LABEL_SIZE, _NAME_SIZE, _SMALL_SIZE = 10.5, 12.0, 9.5
_LEVEL, _LEVELS, _LONGEST_LABEL = 17.0, 3, 170.0
_BAR, _GAP = 21.0, 6.0
_MARK_LEVEL = 20.5
_HATCH, _DOT = 7.0, 3.3  # twice the latter stands in the style
_SHORTEST_HATCH = 0.1
_STATES: tuple[State, ...] = ("slewing", "settling", "standing")
_RULER = 18.0
_TICK_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600, 7200, 21600)
_LEAST_TICK = 74.0

STYLE = """
svg text{font-family:"Liberation Sans",Arial,Helvetica,sans-serif;fill:#16191c;unicode-bidi:isolate}
.off{fill:#eceff2;fill-opacity:.78;stroke:#6d7780;stroke-width:.8}
.air{fill:#8f1720;stroke:#4d090e;stroke-width:.8}
.moved.off{fill:#fff;fill-opacity:1}
.slewing{stroke-width:1.5}.settling{stroke-width:1.8;stroke-linecap:round;stroke-dasharray:0 6.6}
.off-ink{stroke:#16191c}.air-ink{stroke:#fff}
.held{font-size:10.5px}.held-air{font-size:10.5px;font-weight:700;fill:#fff!important}
.name{font-size:12px;font-weight:700}
.when{font-size:12px;font-weight:700}.small{font-size:9.5px;fill:#454d54!important}
.hour{font-size:9.5px;fill:#454d54!important;text-anchor:middle}
.cue{stroke:#343b41;stroke-width:1}
.tag{fill:#fff;stroke:#16191c;stroke-width:1}
.number{font-size:10.5px;font-weight:700;text-anchor:middle}.label{font-size:10.5px}
.veil{fill:#fff}.hint{fill:none;pointer-events:all}
.tick{stroke:#6d7780;stroke-width:.8}.grid{stroke:#d5dadf;stroke-width:.8}
.end{stroke:#16191c;stroke-width:2.5}
.trouble{fill:#ffc233;stroke:#16191c;stroke-width:1}
.disc{fill:#ffc233;stroke:#16191c;stroke-width:1.4}
.disc-number{font-size:10.5px;font-weight:700;text-anchor:middle}
.range{stroke:#16191c;stroke-width:1.4;fill:none}
.due{stroke:#16191c;stroke-width:2.4}
"""


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the evening and the part of the picture, in its own units, that it fills."""

    from_seconds: float
    until_seconds: float
    left: float
    right: float

    def x(self, seconds: float) -> float:
        """Return where a moment lies; what is outside lies on the edge."""
        share = (seconds - self.from_seconds) / (self.until_seconds - self.from_seconds)
        return self.left + (self.right - self.left) * min(1.0, max(0.0, share))


class Chart:
    """A rehearsal made ready to be drawn: what lies in a window is found without going through the whole evening."""

    def __init__(self, rehearsal: Rehearsal) -> None:
        self.rehearsal = rehearsal
        self.lanes = lanes(rehearsal)
        self.lane_of = {lane.camera: lane for lane in self.lanes}
        self._starts = {lane.camera: [stretch.from_seconds for stretch in lane.stretches] for lane in self.lanes}
        self._cue_times = [cue.at_seconds for cue in rehearsal.cues]
        self._conflicts: dict[str, list[tuple[int, Conflict]]] = {camera: [] for camera in rehearsal.cameras}
        for number, conflict in enumerate(rehearsal.conflicts, 1):
            self._conflicts[conflict.camera].append((number, conflict))
        self.gutter = min(210.0, max([76.0, *(width(c, _NAME_SIZE, bold=True) + 12 for c in rehearsal.cameras)]))
        self.tag_room = max([0.0, *(_tag_width(cue) for cue in rehearsal.cues)]) + 4

    def stretches(self, lane: Lane, window: Section) -> Sequence[Stretch]:
        """Return what a camera does in a window."""
        starts = self._starts[lane.camera]
        first = max(0, bisect_right(starts, window.from_seconds) - 1)
        return lane.stretches[first : bisect_left(starts, window.until_seconds)]

    def cues(self, window: Section) -> Sequence[RehearsedCue]:
        """Return the cues of a window; one that comes just as it ends belongs to the next."""
        times = self._cue_times
        return self.rehearsal.cues[bisect_left(times, window.from_seconds) : bisect_left(times, window.until_seconds)]

    def conflicts(self, camera: str, window: Section) -> list[tuple[int, Conflict]]:
        """Return a camera's conflicts in a window with their numbers, in the order of time."""
        found = [
            (number, conflict)
            for number, conflict in self._conflicts[camera]
            if conflict.from_seconds < window.until_seconds
            and (conflict.until_seconds > window.from_seconds or conflict.from_seconds >= window.from_seconds)
        ]
        return sorted(found, key=lambda pair: (pair[1].from_seconds, pair[0]))


def draw_bar(parent: Element, state: State, on_air: bool, left: float, top: float, wide: float, high: float) -> None:
    """Draw a stretch of a lane: plain while the camera stands, hatched while it moves, dotted while it settles.

    Hatching and dots are drawn one by one: patterns to fill with are printed as photographs, and that by the megabyte.
    """
    bars = _Bars()
    bars.add(state, on_air, left, top, wide, high)
    bars.draw(parent)


class _Bars:
    """Bars side by side: all that look alike are one shape, for a page draws a hundred shapes faster than thousands."""

    def __init__(self) -> None:
        self._pens: dict[str, Pen] = {}

    def add(self, state: State, on_air: bool, left: float, top: float, wide: float, high: float) -> None:
        way = "air" if on_air else "off"
        self._pen(f"bar {way}" if state == "standing" else f"bar {way} moved").box(left, top, wide, high)
        if state == "slewing":
            _hatch(self._pen(f"slewing {way}-ink"), left, top, wide, high)
        elif state == "settling":
            _dot(self._pen(f"settling {way}-ink"), left, top, wide, high)

    def draw(self, parent: Element) -> None:
        """Draw what was added: the bars, then what is on them."""
        for look in sorted(self._pens, key=lambda look: not look.startswith("bar")):
            shape(parent, "path", class_=look, d=self._pens[look].d)

    def _pen(self, look: str) -> Pen:
        return self._pens.setdefault(look, Pen())


def draw(
    parent: Element, chart: Chart, drawn: Sequence[Lane], window: Section, top: float, *, closer: bool = False
) -> float:
    """Draw lanes, cues and conflicts in a window, from `top` down. Returns where the drawing ends.

    What has no room in it, it says when pointed at; but not where it is only shown `closer` what was drawn before.
    """
    cues = chart.cues(window)
    tags = [_tag_width(cue) for cue in cues]
    flags = places(
        [window.x(cue.at_seconds) for cue in cues],
        [tag + 3 for tag in tags],
        [tag + min(_LONGEST_LABEL, width(cue.label, _LABEL_SIZE) + 9) for cue, tag in zip(cues, tags, strict=True)],
        _LEVELS,
        window.right + chart.tag_room,
    )
    first_lane = top + _LEVEL * max([1, *(flag.level + 1 for flag in flags)]) + 5
    tops: list[float] = []
    marks: list[tuple[list[tuple[int, Conflict]], tuple[Place, ...]]] = []
    y = first_lane
    for lane in drawn:
        tops.append(y)
        found = chart.conflicts(lane.camera, window)
        placed = _mark_places(found, window)
        marks.append((found, placed))
        y += _BAR + _GAP + _MARK_LEVEL * max([0, *(place.level + 1 for place in placed)])
    ruler = y - _GAP + 4
    _draw_ruler(parent, window, first_lane, ruler)
    _draw_cue_lines(parent, cues, flags, window, first_lane, ruler)
    for lane, y in zip(drawn, tops, strict=True):
        _draw_lane(add(parent, "g"), chart.stretches(lane, window), window, y, hints=not closer)
    _draw_flags(parent, cues, tags, flags, window, first_lane, hints=not closer)
    if window.from_seconds < chart.rehearsal.seconds <= window.until_seconds:
        x = window.x(chart.rehearsal.seconds)
        shape(parent, "line", class_="end", x1=x, x2=x, y1=first_lane - 2, y2=ruler)
    for lane, y, (found, placed) in zip(drawn, tops, marks, strict=True):
        name = shortened(lane.camera, window.left - 8, _NAME_SIZE, bold=True)
        written = add(parent, "text", name, class_="name", x=0, y=y + _BAR / 2 + 4)
        if name != lane.camera:
            put(written, "title", lane.camera)
        # The lowest first: the line that ties it to its moment then lies behind the discs above it.
        for (number, conflict), place in sorted(zip(found, placed, strict=True), key=lambda pair: -pair[1].level):
            linked = parent
            if not closer:
                linked = add(parent, "a", href=f"#conflict-{number}")
                put(linked, "title", f"{number}: {conflict.sentence}")
            _draw_mark(linked, number, conflict, window, y + _BAR, place.level)
    return ruler + _RULER


def draw_range(parent: Element, move: PlannedMove, window: Section, top: float) -> float:
    """Draw when a move will have settled, as a range, and when it must have, where that is in the window.

    Returns where the drawing ends.
    """
    middle = top + 8
    least, most = move.start_seconds + move.least_seconds, move.late_end_seconds
    left, right, settled = window.x(least), window.x(most), window.x(move.settled_seconds)
    path = f"M{figures(left)} {figures(middle - 4)}v8m0-4H{figures(right)}m0-4v8"
    shape(parent, "path", class_="range", d=path)
    shape(parent, "circle", cx=settled, cy=middle, r=3)
    known = "".join(f", {doubt}" for doubt in doubts(move))
    words = [
        f"{move.position}: settles at {clock(move.settled_seconds)}, between {clock(least)} and {clock(most)}{known}"
    ]
    if move.due_seconds is not None and move.margin_seconds is not None:
        if window.from_seconds <= move.due_seconds <= window.until_seconds:
            due = window.x(move.due_seconds)
            shape(parent, "line", class_="due", x1=due, x2=due, y1=top - 1, y2=middle + 8)
        over = "too late" if move.margin_seconds < 0 else "to spare"
        over = f"{span_text(abs(move.margin_seconds))} {over} at the late end"
        words.append(f"must stand at {clock(move.due_seconds)}: {over}")
    y = middle + 8
    for line in (line for part in words for line in wrapped(part, window.right + 40, _SMALL_SIZE)):
        y += 12
        put(parent, "text", line, class_="small", x=0, y=y)
    return y + 6


def disc_width(number: int) -> float:
    """Return how wide the disc with a conflict's number is; it is 15 high."""
    return max(15.0, width(str(number), _LABEL_SIZE, bold=True) + 7)


def draw_disc(parent: Element, number: int, x: float, y: float) -> None:
    """Draw a conflict's number in its disc, with its upper left corner at (x, y)."""
    wide = disc_width(number)
    shape(parent, "rect", class_="disc", x=x, y=y, width=wide, height=15, rx=7.5)
    put(parent, "text", str(number), class_="disc-number", x=x + wide / 2, y=y + 11.3)


def _tag_width(cue: RehearsedCue) -> float:
    return width(number_text(cue.number), _LABEL_SIZE, bold=True) + 8


def _draw_ruler(parent: Element, window: Section, top: float, bottom: float) -> None:
    length = window.until_seconds - window.from_seconds
    a_second = (window.right - window.left) / length
    step = next((step for step in _TICK_STEPS if step * a_second >= _LEAST_TICK), _TICK_STEPS[-1])
    first = math.ceil(window.from_seconds / step - 1e-9)
    last = math.floor(window.until_seconds / step + 1e-9)
    grid, ticks = Pen(), Pen()
    for index in range(first, last + 1):
        x = window.x(index * step)
        grid.line(x, top, 0, bottom - top)
        ticks.line(x, bottom, 0, 5)
    ticks.line(window.left, bottom, window.right - window.left, 0)
    shape(parent, "path", class_="grid", d=grid.d)
    shape(parent, "path", class_="tick", d=ticks.d)
    for index in range(first, last + 1):
        put(parent, "text", clock(index * step), class_="hour", x=window.x(index * step), y=bottom + 15)


def _draw_lane(parent: Element, stretches: Sequence[Stretch], window: Section, y: float, *, hints: bool) -> None:
    bars = _Bars()
    named: list[tuple[Stretch, str]] = []  # as much of a name as there is room for
    for stretch in stretches:
        left, right = window.x(stretch.from_seconds), window.x(stretch.until_seconds)
        bars.add(stretch.state, stretch.on_air, left, y, right - left, _BAR)
        name = ""
        if stretch.state == "standing" and stretch.position is not None:
            name = shortened(stretch.position, right - left - 8, _LABEL_SIZE, bold=stretch.on_air)
        named.append((stretch, name if name == stretch.position or len(name) > 5 else ""))
    bars.draw(parent)
    for stretch, name in named:
        if name:
            x, look = window.x(stretch.from_seconds) + 4, "held-air" if stretch.on_air else "held"
            put(parent, "text", name, class_=look, x=x, y=y + _BAR / 2 + 4)
    if hints:
        for stay in _stays(named):
            left, right = window.x(stay[0].from_seconds), window.x(stay[-1].until_seconds)
            pen = Pen()
            pen.box(left, y, right - left, _BAR)
            put(add(parent, "path", class_="hint", d=pen.d), "title", _stay_text(stay))


def _stays(named: Sequence[tuple[Stretch, str]]) -> Iterator[Sequence[Stretch]]:
    """Each way of a camera to a position with its stay there, unless the lane has the position's whole name in it."""
    stay: list[Stretch] = []
    told = False
    for stretch, name in named:
        if stay and stretch.state != "standing" and stretch.move != stay[-1].move:
            if not told:
                yield stay
            stay, told = [], False
        stay.append(stretch)
        told = told or (name != "" and name == stretch.position)
    if stay and not told:
        yield stay


def _stay_text(stay: Sequence[Stretch]) -> str:
    position = stay[0].position
    begins = {state: next((each for each in stay if each.state == state), None) for state in _STATES}
    words = "at a place nobody knows" if position is None else f"in {position}"
    if (moving := begins["slewing"] or begins["settling"]) is not None:
        words = f"to {position}: leaves {clock(moving.from_seconds)}"
    if (standing := begins["standing"]) is not None and moving is not None:
        words += f", stands from {clock(standing.from_seconds)}"
    return f"{words} until {clock(stay[-1].until_seconds)}"


def _hatch(pen: Pen, left: float, top: float, wide: float, high: float) -> None:
    """Lines that rise to the right, on a raster of the whole picture, so that they join where bars do."""
    first, last = math.ceil((left + top) / _HATCH), math.floor((left + wide + top + high) / _HATCH)
    for index in range(first, last + 1):
        along = index * _HATCH  # x + y on the whole line
        from_x, until_x = max(left, along - top - high), min(left + wide, along - top)
        length = until_x - from_x
        if length < _SHORTEST_HATCH:
            continue
        if index % 2:
            pen.line(from_x, along - from_x, length, -length)
        else:  # down again, which makes the way to the next one short
            pen.line(until_x, along - until_x, -length, length)


def _dot(pen: Pen, left: float, top: float, wide: float, high: float) -> None:
    """Dots on a raster that stands on its corner, one column at least: lines that the style dashes into dots."""
    columns = max(1, round(wide / _DOT))
    for column in range(columns):
        y = top + _DOT * (0.5 if column % 2 else 1)
        dots = math.ceil((top + high - 1 - y) / (2 * _DOT))
        pen.line(left + (column + 0.5) * wide / columns, y, 0, max(0.1, (dots - 1) * 2 * _DOT))


def _draw_cue_lines(
    parent: Element,
    cues: Sequence[RehearsedCue],
    flags: Sequence[Place],
    window: Section,
    first_lane: float,
    bottom: float,
) -> None:
    """The lines lie behind the bars, which let them through faintly: so the words on the bars stay readable."""
    pen = Pen()
    for cue, flag in zip(cues, flags, strict=True):
        top = first_lane - 5 - flag.level * _LEVEL
        pen.line(window.x(cue.at_seconds), top, 0, bottom - top)
    if pen.d:
        shape(parent, "path", class_="cue", d=pen.d)


def _draw_flags(
    parent: Element,
    cues: Sequence[RehearsedCue],
    tags: Sequence[float],
    flags: Sequence[Place],
    window: Section,
    first_lane: float,
    *,
    hints: bool,
) -> None:
    """Each number and label lies on a veil that covers the lines of other cues behind it."""
    veils, boxes = Pen(), Pen()
    labels: list[tuple[RehearsedCue, float, str, float, float]] = []  # each with its tag's width and where that begins
    for cue, tag, flag in zip(cues, tags, flags, strict=True):
        label = shortened(cue.label, flag.room - tag - 7, _LABEL_SIZE)
        x, y = window.x(cue.at_seconds), first_lane - 5 - (flag.level + 1) * _LEVEL
        labels.append((cue, tag, label, x, y))
        veils.box(x + 1, y, tag + (width(label, _LABEL_SIZE) + 5 if label else 0), _LEVEL)
        boxes.box(x, y + 1, tag, 14, 7 if cue.on_call else 0)
    if cues:
        shape(parent, "path", class_="veil", d=veils.d)
        shape(parent, "path", class_="tag", d=boxes.d)
    for cue, tag, label, x, y in labels:
        number = number_text(cue.number)
        flagged = parent
        if hints and label != cue.label:
            flagged = add(parent, "g")
            put(flagged, "title", f"Cue {number} {cue.label}, {clock(cue.at_seconds)}")
        put(flagged, "text", number, class_="number", x=x + tag / 2, y=y + 11.8)
        if label:
            put(flagged, "text", label, class_="label", x=x + tag + 3, y=y + 11.8)


def _mark_places(found: Sequence[tuple[int, Conflict]], window: Section) -> tuple[Place, ...]:
    starts = [_mark_left(number, conflict, window) for number, conflict in found]
    rooms = [
        max(disc_width(number), window.x(conflict.until_seconds) - start) + 3
        for (number, conflict), start in zip(found, starts, strict=True)
    ]
    order = sorted(range(len(found)), key=lambda index: starts[index])
    ordered = [rooms[index] for index in order]
    placed = places([starts[index] for index in order], ordered, ordered, 1, window.right + 40)
    return tuple(place for _, place in sorted(zip(order, placed, strict=True), key=lambda pair: pair[0]))


def _mark_left(number: int, conflict: Conflict, window: Section) -> float:
    """The disc hangs in the middle under its moment, or begins with a conflict that lasts."""
    x = window.x(conflict.from_seconds)
    wide = disc_width(number)
    return x if window.x(conflict.until_seconds) - x >= wide else x - wide / 2


def _draw_mark(parent: Element, number: int, conflict: Conflict, window: Section, y: float, level: int) -> None:
    from_x, until_x = window.x(conflict.from_seconds), window.x(conflict.until_seconds)
    low = y + level * _MARK_LEVEL
    if level:
        shape(parent, "line", class_="range", x1=from_x, x2=from_x, y1=y, y2=low + 4)
    if until_x - from_x >= 3:
        shape(parent, "rect", class_="trouble", x=from_x, y=low + 1.5, width=until_x - from_x, height=4)
    else:
        shape(parent, "path", class_="trouble", d=f"M{figures(from_x)} {figures(low - 1)}l4 7h-8z")
    draw_disc(parent, number, _mark_left(number, conflict, window), low + 5)
