"""Labels fit where they are said to fit, none covers another, and no text can break the document it stands in."""

from __future__ import annotations

import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.report.elements import Pen, add, clock, figures, margin_text, put, root, say, written
from ptzd.report.text import CUT, cleaned, places, shortened, width, wrapped

# From the metrics that Adobe published for its Helvetica, which Arial and Liberation Sans share (from memory):
# thousandths of the type size, for "choir" c 500, h 556, o 556, i 222, r 333.
CHOIR_IN_HELVETICA = 2.167


def test_a_text_is_never_taken_for_narrower_than_it_is_and_not_for_much_wider() -> None:
    assert CHOIR_IN_HELVETICA * 10 <= width("choir", 10) <= CHOIR_IN_HELVETICA * 10 * 1.25


@pytest.mark.parametrize("text", ["合唱の夕べ", "Ärger", "хор", "🎹"])
def test_letters_of_every_script_have_a_width(text: str) -> None:
    assert width(text, 10) >= 5 * len(text)


@pytest.mark.parametrize(("with_accent", "without"), [("é", "e"), ("Ü", "U"), ("ñ", "n"), ("ç", "c")])
def test_an_accent_makes_no_letter_wider(with_accent: str, without: str) -> None:
    assert width(with_accent, 10) == width(without, 10)


@given(st.text(max_size=80), st.floats(0, 300))
def test_a_shortened_text_fits(text: str, room: float) -> None:
    short = shortened(text, room, 10)
    assert width(short, 10) <= room + 1e-9 or short == ""
    assert short in (text, "") or (short.endswith(CUT) and text.startswith(short.removesuffix(CUT)))


def test_a_text_that_fits_is_left_whole() -> None:
    assert shortened("Applause", 500, 10) == "Applause"
    assert shortened("Applause", 1, 10) == ""


@given(st.text(max_size=200), st.floats(20, 300))
def test_wrapping_loses_no_letter(text: str, room: float) -> None:
    lines = wrapped(text, room, 10)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(width(line, 10) <= room or len(line) == 1 for line in lines)


@given(
    st.lists(st.tuples(st.floats(0, 900), st.floats(10, 60), st.floats(0, 150)), max_size=60),
    st.integers(1, 4),
)
def test_no_two_labels_on_a_level_overlap_and_no_number_is_cut(
    labels: list[tuple[float, float, float]], levels: int
) -> None:
    labels = sorted(labels)
    starts, least = [start for start, _, _ in labels], [number for _, number, _ in labels]
    wished = [number + words for _, number, words in labels]
    placed = places(starts, least, wished, levels, 1000)
    for level in {place.level for place in placed}:
        on_level = [(start, place.room) for start, place in zip(starts, placed, strict=True) if place.level == level]
        assert all(start + room <= following + 1e-9 for (start, room), (following, _) in pairwise(on_level))
    for place, number, wish in zip(placed, least, wished, strict=True):
        assert number - 1e-9 <= place.room <= wish + 1e-9


def test_labels_take_no_more_levels_than_they_may_while_their_numbers_fit() -> None:
    starts = [20.0 * n for n in range(40)]
    placed = places(starts, [30.0] * 40, [120.0] * 40, 3, 1000)
    assert {place.level for place in placed} == {0, 1, 2}


@given(st.text(st.characters(exclude_categories=[]), max_size=60))
def test_any_text_at_all_comes_back_out_of_the_document_but_for_what_no_document_may_hold(text: str) -> None:
    line = root("p", title=text)
    add(line, "b", text)
    put(line, "i", text, title=text)
    say(line, text)
    read = ElementTree.fromstring(written(line).encode("utf-8"))
    assert read.get("title") == read[1].get("title") == cleaned(text)
    assert (read[0].text or "") == (read[1].text or "") == cleaned(text)
    assert (read[1].tail or "").strip(" ") == cleaned(text)


def test_what_no_document_may_hold_is_shown_as_replaced() -> None:
    assert cleaned("a\x00b\x1bc\ud800\uffff\n d") == "a\ufffdb\ufffdc\ufffd\ufffd d"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.0, "0:00:00"), (750.0, "0:12:30"), (750.46, "0:12:30.5"), (3599.97, "1:00:00"), (-5.0, "\u22120:00:05")],
)
def test_times_into_the_show_are_read_as_on_a_clock(seconds: float, words: str) -> None:
    assert clock(seconds) == words


def test_numbers_are_written_to_a_tenth() -> None:
    assert [figures(value) for value in (1.0, 1.26, -0.01, 120.04)] == ["1", "1.3", "0", "120"]
    assert margin_text(1.24) == "+1.2\u00a0s"
    assert margin_text(-0.96) == "\u22121.0\u00a0s"
    assert margin_text(-0.04) == "+0.0\u00a0s"


NUMBER = re.compile(r"-?[0-9]+(?:[.][0-9])?")
FIGURES = {"M": 2, "m": 2, "h": 1, "v": 1, "l": 2, "a": 7, "z": 0}


def corners(d: str) -> list[list[tuple[float, float]]]:
    """The points of each part of a path, by the grammar of path data in SVG 1.1, section 8.3."""
    parts: list[list[tuple[float, float]]] = []
    x = y = 0.0
    for letter, said in re.findall("([a-zA-Z])([^a-zA-Z]*)", d):
        values = [float(found) for found in NUMBER.findall(said)]
        assert len(values) == FIGURES[letter], said
        if letter == "z":
            x, y = parts[-1][0]
            continue
        right, down = {"h": (values[0], 0.0), "v": (0.0, values[0])}.get(letter, tuple(values[-2:]))
        x, y = (right, down) if letter == "M" else (x + right, y + down)
        if letter in "Mm":
            parts.append([])
        parts[-1].append((x, y))
    return parts


COORDINATE = st.floats(-50, 2000)


@given(st.lists(st.tuples(COORDINATE, COORDINATE, st.floats(-90, 90), st.floats(-90, 90)), min_size=1, max_size=6))
def test_lines_drawn_with_one_pen_are_where_they_should_be(lines: list[tuple[float, float, float, float]]) -> None:
    pen = Pen()
    for x, y, right, down in lines:
        pen.line(x, y, right, down)
    drawn = corners(pen.d)
    for (x, y, right, down), [begin, end] in zip(lines, drawn, strict=True):
        assert begin == pytest.approx((x, y), abs=0.051)
        assert end == pytest.approx((x + right, y + down), abs=0.051)


BOXES = st.tuples(COORDINATE, COORDINATE, st.floats(0, 90), st.floats(1, 30), st.sampled_from([0.0, 7.0]))


@given(st.lists(BOXES, min_size=1, max_size=6))
def test_boxes_drawn_with_one_pen_are_where_they_should_be(
    boxes: list[tuple[float, float, float, float, float]],
) -> None:
    pen = Pen()
    for x, y, wide, high, corner in boxes:
        pen.box(x, y, wide, high, corner)
    for (x, y, wide, high, corner), points in zip(boxes, corners(pen.d), strict=True):
        inset = min(corner, wide / 2)
        assert points[0] == pytest.approx((x + inset, y), abs=0.11)
        assert max(right for right, _ in points) == pytest.approx(x + wide - inset, abs=0.11)
        assert max(down for _, down in points) == pytest.approx(y + high, abs=0.051)
        assert points[-1][0] == pytest.approx(points[0][0], abs=0.001), "it closes"
