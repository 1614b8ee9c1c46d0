"""The rehearsal as something to look at: one page in HTML, or one picture in SVG. Both stand on their own.

Nothing is fetched and no script runs. Every text of the show is escaped by the element tree that holds it. The page
is well-formed XML as well, so that any strict parser reads it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from ptzd.files import number_text
from ptzd.rehearsal import (
    Conflict,
    ConflictKind,
    PlannedMove,
    Rehearsal,
    doubts,
    fit_text,
    range_text,
    reservations,
    verdict,
)

from .elements import SVG, Element, add, clock, document, margin_text, put, root, say, shape, span_text, written
from .lanes import Row, State, row_seconds, rows
from .style import PAGE_STYLE
from .text import wrapped
from .timeline import PICTURE_WIDTH, STYLE, Chart, Section, disc_width, draw, draw_bar, draw_disc, draw_range

CONFLICT_TITLES: Final[dict[ConflictKind, str]] = {
    "taken-unsettled": "Taken before it has settled",
    "late": "Settles too late",
    "tight": "Tight",
    "still-on-air": "Moved while it is on air",
    "wanted-twice": "Wanted by two cues",
    "overlap": "Moves before its last move has ended",
    "too-fast-to-watch": "Too fast to watch",
    "start-up-sweep": "Sweeps as it is switched on",
    "locked": "Locked",
    "out-of-reach": "Out of reach",
    "impossible-pace": "No such pace",
    "refused-on-air": "May not move on air",
}
CLOSEST_CALLS = 10
_CLOSE_UP_WIDTH = 470.0
_LEAST_CLOSE_UP_SECONDS = 12.0
_TEXT_SIZE = 11.5
_TIMES = ("Has", "Needs", "Over", "Fit")


def html_report(rehearsal: Rehearsal) -> str:
    """Return the report as one HTML page: timeline, conflicts with their remedies, closest calls, running order."""
    chart = Chart(rehearsal)
    body = root("body")
    _add_header(body, rehearsal)
    main = add(body, "main")
    _add_timeline(main, chart)
    _add_conflicts(main, chart)
    _add_closest_calls(main, rehearsal)
    _add_running_order(main, rehearsal)
    as_wide_as_the_screen = '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
    title = f"{rehearsal.label or rehearsal.show}: rehearsal"
    return document(title, PAGE_STYLE + STYLE, body, as_wide_as_the_screen)


def svg_report(rehearsal: Rehearsal) -> str:
    """Return the report as one SVG picture: timeline, and the conflicts with their remedies beneath it."""
    chart = Chart(rehearsal)
    svg = root("svg", xmlns=SVG, role="img", aria_labelledby="report-title report-words")
    put(svg, "title", f"{rehearsal.label or rehearsal.show}: rehearsal", id="report-title")
    facts = " \u00b7 ".join(f"{name} {value}" for name, value in _facts(rehearsal))
    words = " ".join([verdict(rehearsal), *reservations(rehearsal), facts])
    put(svg, "desc", words, id="report-words")
    add(svg, "style").text = STYLE
    paper = add(svg, "rect", x=0, y=0, fill="#ffffff")
    sheet = add(svg, "g", transform="translate(20 20)")
    put(sheet, "text", rehearsal.label or rehearsal.show, x=0, y=22, font_size=24, font_weight=700)
    y = _draw_lines(sheet, words, 0, 44, PICTURE_WIDTH, 14)
    y = _draw_legend(sheet, y + 2)
    for row in rows(rehearsal, row_seconds(rehearsal)):
        if row.quiet:
            put(sheet, "text", _quiet_text(rehearsal, row), x=0, y=y + 16, font_size=_TEXT_SIZE)
            y += 34
        else:
            y = draw(sheet, chart, chart.lanes, _row_window(chart, row), y) + 18
    for number, conflict in enumerate(rehearsal.conflicts, 1):
        y = _draw_conflict(sheet, chart, number, conflict, y + 8)
    for key, value in (("width", PICTURE_WIDTH + 40), ("height", y + 30)):
        paper.set(key, f"{value:.0f}")
        svg.set(key, f"{value:.0f}")
    svg.set("viewBox", f"0 0 {PICTURE_WIDTH + 40:.0f} {y + 30:.0f}")
    return written(svg) + "\n"


def _row_window(chart: Chart, row: Row) -> Section:
    return Section(row.from_seconds, row.until_seconds, chart.gutter, PICTURE_WIDTH - chart.tag_room)


# The words at the top.


def _facts(rehearsal: Rehearsal) -> Iterator[tuple[str, str]]:
    yield "Length", clock(rehearsal.seconds)
    yield "Cues", str(len(rehearsal.cues))
    yield "Cameras", str(len(rehearsal.cameras))
    yield "Moves", str(len(rehearsal.moves))
    closest = _closest_calls(rehearsal)
    if closest:
        move = closest[0]
        margin = margin_text(move.margin_seconds or 0.0)
        yield "Least time over", f"{margin} (cue {number_text(move.cue_number)}, {move.camera} to {move.position})"
    if rehearsal.varied is not None:
        varied = rehearsal.varied
        how = f"gaps on call by {varied.share * 100:.0f}\u00a0%, times by their ranges"
        yield "Varied", f"{varied.runs} runs, {how}, seed {varied.seed}"


def _add_header(body: Element, rehearsal: Rehearsal) -> None:
    header = add(body, "header")
    put(header, "p", f"Rehearsal of {rehearsal.show}", class_="over")
    put(header, "h1", rehearsal.label or rehearsal.show, dir="auto")
    sure = rehearsal.fits and not rehearsal.not_measured
    said = add(header, "p", class_="verdict fits" if sure else "verdict troubled")
    put(said, "span", "\u2713" if sure else "!", class_="sign", aria_hidden="true")
    words = add(said, "span")
    if rehearsal.fits:
        words.text = verdict(rehearsal)
    else:
        put(words, "a", verdict(rehearsal), href="#conflicts")
    for reservation in reservations(rehearsal):
        put(header, "p", reservation, class_="reservation")
    facts = add(header, "dl")
    for name, value in _facts(rehearsal):
        pair = add(facts, "div")
        put(pair, "dt", name)
        put(pair, "dd", value)


# The timeline.


def _draw_legend(parent: Element, top: float) -> float:
    """Explain every mark, in one line. Returns where the drawing ends."""
    signs: tuple[tuple[State, bool, str], ...] = (
        ("standing", False, "off air"),
        ("standing", True, "on air"),
        ("slewing", False, "moving"),
        ("slewing", True, "moving, seen"),
        ("settling", False, "settling"),
    )
    x = 0.0
    for state, on_air, words in signs:
        draw_bar(parent, state, on_air, x, top, 26, 15)
        put(parent, "text", words, x=x + 32, y=top + 11.5, font_size=_TEXT_SIZE)
        x += 44 + 6.4 * len(words)
    for called, words in ((False, "cue at its time"), (True, "cue on call")):
        shape(parent, "line", class_="cue", x1=x + 1, x2=x + 1, y1=top, y2=top + 19)
        shape(parent, "rect", class_="tag", x=x + 1, y=top + 0.5, width=20, height=14, rx=7 if called else 1)
        put(parent, "text", "7", class_="number", x=x + 11, y=top + 11.3)
        put(parent, "text", words, x=x + 27, y=top + 11.5, font_size=_TEXT_SIZE)
        x += 38 + 6.4 * len(words)
    shape(parent, "rect", class_="trouble", x=x, y=top + 5.5, width=30, height=4)
    draw_disc(parent, 1, x, top)
    put(parent, "text", "does not fit", x=x + 37, y=top + 11.5, font_size=_TEXT_SIZE)
    x += 48 + 6.4 * len("does not fit")
    shape(parent, "line", class_="end", x1=x, x2=x, y1=top, y2=top + 15)
    put(parent, "text", "end", x=x + 7, y=top + 11.5, font_size=_TEXT_SIZE)
    return top + 30


def _add_timeline(main: Element, chart: Chart) -> None:
    rehearsal = chart.rehearsal
    section = add(main, "section", aria_labelledby="evening")
    put(section, "h2", "The evening", id="evening")
    legend = _add_picture(section, PICTURE_WIDTH, "legend", "What the marks mean")
    legend.set("viewBox", f"-2 -2 {PICTURE_WIDTH:.0f} {_draw_legend(legend, 2):.0f}")
    for number, row in enumerate(rows(rehearsal, row_seconds(rehearsal)), 1):
        if row.quiet:
            put(section, "p", _quiet_text(rehearsal, row), class_="quiet")
            continue
        window = _row_window(chart, row)
        figure = add(section, "figure")
        svg = _add_picture(
            figure,
            PICTURE_WIDTH,
            f"row-{number}",
            f"{clock(row.from_seconds)} to {clock(row.until_seconds)}",
            _row_words(chart, window),
        )
        svg.set("viewBox", f"0 0 {PICTURE_WIDTH:.0f} {draw(svg, chart, chart.lanes, window, 2):.0f}")


def _add_picture(parent: Element, wide: float, name: str, title: str, words: str = "") -> Element:
    """Add a picture with its name for those who can't see it; its viewBox is set when its height is known."""
    told = f"{name}-title {name}-words" if words else f"{name}-title"
    look = "picture" if wide == PICTURE_WIDTH else "close-up"
    svg = add(parent, "svg", xmlns=SVG, role="img", aria_labelledby=told, class_=look)
    put(svg, "title", title, id=f"{name}-title")
    if words:
        put(svg, "desc", words, id=f"{name}-words")
    return svg


def _row_words(chart: Chart, window: Section) -> str:
    cues = chart.cues(window)
    words = "No cue." if not cues else f"Cues {number_text(cues[0].number)} to {number_text(cues[-1].number)}."
    if len(cues) == 1:
        words = f"Cue {number_text(cues[0].number)}."
    troubles = sorted({number for camera in chart.rehearsal.cameras for number, _ in chart.conflicts(camera, window)})
    if troubles:
        words += f" Does not fit: {', '.join(map(str, troubles))}."
    return words


def _quiet_text(rehearsal: Rehearsal, row: Row) -> str:
    live = [
        s.camera for s in rehearsal.on_air if s.from_seconds <= row.from_seconds and s.until_seconds > row.from_seconds
    ]
    stays = f"; {' and '.join(live)} on air" if live else ""
    until = min(row.until_seconds, max(rehearsal.seconds, row.from_seconds))
    return f"{clock(row.from_seconds)} to {clock(until)}: nothing moves{stays}."


# What does not fit.


def _close_up_window(rehearsal: Rehearsal, conflict: Conflict, width: float, gutter: float) -> Section:
    """So much of the evening around a conflict that its moves can be seen whole."""
    begin, end = conflict.from_seconds, conflict.until_seconds
    for index in conflict.moves:
        move = rehearsal.moves[index]
        begin = min(begin, move.start_seconds)
        end = max(end, move.settled_seconds, move.late_end_seconds)
        if move.margin_seconds is not None and move.margin_seconds <= move.needed_seconds:
            end = max(end, move.settled_seconds + move.margin_seconds)
    pad = max((end - begin) * 0.14, (_LEAST_CLOSE_UP_SECONDS - (end - begin)) / 2, 1.0)
    return Section(begin - pad, end + pad, gutter, width - 50)


def _draw_close_up(parent: Element, chart: Chart, conflict: Conflict, top: float) -> float:
    lane = chart.lane_of[conflict.camera]
    window = _close_up_window(chart.rehearsal, conflict, _CLOSE_UP_WIDTH, min(chart.gutter, 110.0))
    y = draw(parent, chart, [lane], window, top, closer=True)
    for index in conflict.moves:
        y = draw_range(parent, chart.rehearsal.moves[index], window, y + 2)
    return y + 4


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else f"{sentence}."


def _add_conflicts(main: Element, chart: Chart) -> None:
    rehearsal = chart.rehearsal
    section = add(main, "section", aria_labelledby="conflicts")
    tight = any(conflict.kind == "tight" for conflict in rehearsal.conflicts)
    put(section, "h2", "What does not fit, or is tight" if tight else "What does not fit", id="conflicts")
    if not rehearsal.conflicts:
        known = "" if not rehearsal.not_measured else ", as far as figures that are not measured tell"
        put(section, "p", f"Everything fits: each camera stands still in its framing whenever it has to{known}.")
        return
    table = add(section, "table", class_="conflicts")
    put(table, "caption", "Each with what helps. Beneath each sentence, the camera's lane at that moment, closer.")
    _add_headings(table, ("No.", "Cue", "Camera", "What does not fit", "What helps"))
    body = add(table, "tbody")
    for number, conflict in enumerate(rehearsal.conflicts, 1):
        cue = rehearsal.cues[conflict.cue_index]
        row = add(body, "tr", id=f"conflict-{number}")
        heading = add(row, "th", scope="row")
        put(heading, "span", str(number), class_="disc-word")
        where = add(row, "td")
        put(where, "b", number_text(cue.number))
        say(where, " ")
        put(where, "span", cue.label, dir="auto")
        put(where, "span", clock(cue.at_seconds), class_="time")
        put(row, "td", conflict.camera)
        what = add(row, "td")
        put(what, "b", CONFLICT_TITLES[conflict.kind])
        put(what, "p", _ended(conflict.sentence))
        name = f"close-up-{number}"
        svg = _add_picture(what, _CLOSE_UP_WIDTH, name, f"{conflict.camera} at cue {number_text(cue.number)}, closer")
        height = _draw_close_up(svg, chart, conflict, 2)
        svg.set("viewBox", f"0 0 {_CLOSE_UP_WIDTH:.0f} {height:.0f}")
        _add_remedies(add(row, "td"), conflict)


def _add_remedies(cell: Element, conflict: Conflict) -> None:
    if not conflict.remedies:
        put(cell, "p", "Nothing that could be worked out.")
        return
    remedies = add(cell, "ul")
    for remedy in conflict.remedies:
        item = add(remedies, "li", _ended(remedy.sentence))
        if remedy.changes:
            put(item, "span", "can be written into the show", class_="can")


def _draw_conflict(parent: Element, chart: Chart, number: int, conflict: Conflict, top: float) -> float:
    """A conflict in the picture: in words on the left, from closer on the right. Returns where the drawing ends."""
    cue = chart.rehearsal.cues[conflict.cue_index]
    group = add(parent, "g", id=f"conflict-{number}")
    shape(group, "line", class_="grid", x1=0, x2=PICTURE_WIDTH, y1=top, y2=top)
    draw_disc(group, number, 0, top + 10)
    left = max(26.0, disc_width(number) + 8)
    room = PICTURE_WIDTH - _CLOSE_UP_WIDTH - left - 24
    heading = f"Cue {number_text(cue.number)}, {conflict.camera}: {CONFLICT_TITLES[conflict.kind]}"
    y = _draw_lines(group, heading, left, top + 21.5, room / 1.15, 16, font_weight=700)
    y = _draw_lines(group, _ended(conflict.sentence), left, y, room, 15)
    for remedy in conflict.remedies:
        shape(group, "path", class_="range", d=f"M{left:.0f} {y:.1f}h7m-3-3l3 3l-3 3")
        y = _draw_lines(group, _ended(remedy.sentence), left + 14, y + 4, room - 14, 15)
    close = add(group, "g", transform=f"translate({PICTURE_WIDTH - _CLOSE_UP_WIDTH:.0f} 0)")
    return max(y, _draw_close_up(close, chart, conflict, top + 8))


def _draw_lines(
    parent: Element, text: str, x: float, y: float, room: float, step: float, **attributes: str | float
) -> float:
    """Write a text in lines below each other. Returns where the next one would stand."""
    for line in wrapped(text, room, _TEXT_SIZE):
        put(parent, "text", line, x=x, y=y, font_size=_TEXT_SIZE, **attributes)
        y += step
    return y


# The tables.


def _add_headings(table: Element, words: Sequence[str]) -> None:
    row = add(add(table, "thead"), "tr")
    for word in words:
        put(row, "th", word, scope="col")


def _closest_calls(rehearsal: Rehearsal) -> list[PlannedMove]:
    """The moves with the least to spare, the worst first."""
    timed = [move for move in rehearsal.moves if move.margin_seconds is not None and move.made]
    timed.sort(key=lambda move: (move.ready_chance or 0.0, move.margin_seconds, move.index))
    return timed[:CLOSEST_CALLS]


def _add_closest_calls(main: Element, rehearsal: Rehearsal) -> None:
    calls = _closest_calls(rehearsal)
    if not calls:
        return
    section = add(main, "section", aria_labelledby="closest")
    put(section, "h2", "The closest calls", id="closest")
    table = add(section, "table", class_="moves")
    put(table, "caption", "The moves with the least to spare, over at the late end of what they need.")
    _add_headings(table, ("Cue", "Camera", "To", *_TIMES))
    body = add(table, "tbody")
    for move in calls:
        row = add(body, "tr")
        put(row, "th", number_text(move.cue_number), scope="row")
        put(row, "td", move.camera)
        put(row, "td", move.position)
        _add_times(row, rehearsal, move)


def _add_times(row: Element, rehearsal: Rehearsal, move: PlannedMove) -> None:
    has, over = move.available_seconds, move.margin_seconds
    put(row, "td", "\u2013" if has is None else span_text(has))
    put(row, "td", range_text(move))
    put(row, "td", "\u2013" if over is None else margin_text(over))
    cell = add(row, "td")
    put(
        cell,
        "span",
        fit_text(move, varied=rehearsal.varied is not None),
        class_="fit" if move.fit == "fits" else "short",
    )
    if doubts(move):
        put(cell, "span", ", ".join(doubts(move)), class_="time")


def _add_running_order(main: Element, rehearsal: Rehearsal) -> None:
    section = add(main, "section", class_="order", aria_labelledby="order")
    put(section, "h2", "The running order", id="order")
    if not rehearsal.cues:
        put(section, "p", "No cues.")
        return
    moves: dict[int, list[PlannedMove]] = {}
    for move in rehearsal.moves:
        moves.setdefault(move.cue_index, []).append(move)
    troubles: dict[int, list[int]] = {}
    for number, conflict in enumerate(rehearsal.conflicts, 1):
        troubles.setdefault(conflict.cue_index, []).append(number)
    table = add(section, "table", class_="moves")
    words = "Every cue, and every move with the time it has until it must stand still, the range of what it needs, and "
    put(table, "caption", words + "what is over at the late end of that.")
    columns = ("Cue", "Comes", "What", "Leaves", *_TIMES)
    _add_headings(table, columns)
    for cue in rehearsal.cues:
        body = add(table, "tbody")
        row = add(body, "tr")
        put(row, "th", number_text(cue.number), scope="rowgroup")
        comes = add(row, "td", clock(cue.at_seconds))
        if cue.on_call:
            put(comes, "span", "on call", class_="how")
        what = add(row, "td", colspan=len(columns) - 2)
        put(what, "b", cue.label, dir="auto")
        if cue.take is not None:
            say(what, " ")
            put(what, "span", f"{cue.take} on air", class_="take")
        for number in troubles.get(cue.index, ()):
            say(what, " ")
            put(what, "a", str(number), class_="disc-word", href=f"#conflict-{number}")
        for move in moves.get(cue.index, ()):
            _add_move(body, rehearsal, move)


def _add_move(body: Element, rehearsal: Rehearsal, move: PlannedMove) -> None:
    row = add(body, "tr")
    put(row, "td", "")
    put(row, "td", clock(move.start_seconds))
    put(row, "td", f"{move.camera} \u2192 {move.position}")
    leaves = "with the cue" if move.at_go else "at standby"
    put(row, "td", f"{leaves}, seen" if move.seen else leaves)
    _add_times(row, rehearsal, move)
