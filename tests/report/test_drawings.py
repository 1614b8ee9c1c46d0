"""What drawings have in common, read back from them: each thing has its place, and each word its size and colour."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from xml.etree.ElementTree import Element, fromstring

import pytest
from report.test_chart import SETTINGS, SVG, framing, numbers, stored

from ptzd.report import DrawnShot, chart, drawn_plan

NEEDED = {  # by SVG 1.1, "Basic shapes" and "Text"; what is left out there counts as 0, or as black
    "text": {"x", "y", "fill", "font-size"},
    "rect": {"width", "height", "fill"},
    "circle": {"cx", "cy", "r", "fill"},
    "line": {"x1", "x2", "y1", "y2", "stroke"},
}


def plan(metres: float = 10.0) -> Element:
    """A stage that is so wide."""
    cameras = {"left": ((-metres / 2, -5.0, 1.7), 0.0), "right": ((metres / 2, -5.0, 1.7), 0.0)}
    shots = [
        DrawnShot(name, "soloist", (side * metres / 2, -5.0, 1.7), (0.0, 2.0, 1.6), 100.0, 20.0)
        for name, side in (("left", -1), ("right", 1))
    ]
    return fromstring(drawn_plan("The granary", cameras, {"soloist": (0.0, 2.0)}, shots))


def test_each_shot_of_a_plan_is_told_with_its_distance_on_the_ground() -> None:
    # By Pythagoras: 3 m aside and 4 m ahead are 5 m, 5 m aside and 12 m ahead are 13 m.
    shots = [
        DrawnShot("left", "soloist", (-3.0, -2.0, 1.7), (0.0, 2.0, 1.6), 100.0, 20.0),
        DrawnShot("right", "soloist", (5.0, -10.0, 1.7), (0.0, 2.0, 1.6), 100.0, 20.0),
    ]
    cameras = {shot.camera: (shot.eye, 0.0) for shot in shots}
    drawn = fromstring(drawn_plan("The granary", cameras, {"soloist": (0.0, 2.0)}, shots))
    words = [one.text for one in drawn.iter(f"{SVG}text")]
    assert {"5.0 m", "13.0 m"} <= set(words)


@pytest.mark.parametrize("far", [2.0, 30.0])
def test_a_plan_stands_in_the_middle_of_its_drawing_whether_the_stage_is_wide_or_deep(far: float) -> None:
    cameras = {"left": ((-4.0, -5.0, 1.7), 0.0), "right": ((4.0, -5.0, 1.7), 0.0)}
    shots = [DrawnShot(name, "soloist", place, (0.0, far, 1.6), 100.0, 20.0) for name, (place, _) in cameras.items()]
    drawn = fromstring(drawn_plan("The granary", cameras, {"soloist": (0.0, far)}, shots))
    ((left, wide),) = numbers(drawn, "rect", "x", "width", fill="none")
    ((middle,),) = numbers(drawn, "circle", "cx", r="4.5")
    assert middle == pytest.approx(left + wide / 2, abs=0.1)


def reach() -> Element:
    return fromstring(chart(SETTINGS, stored(wide=framing(0, 0), solo=framing(10, 0)), framing(85, 35)))


@pytest.mark.parametrize("draw", [plan, reach])
def test_each_thing_has_its_place_and_each_word_its_size_and_colour(draw: Callable[[], Element]) -> None:
    drawn = draw()
    for tag, needed in NEEDED.items():
        found = list(drawn.iter(f"{SVG}{tag}"))
        assert found
        assert [needed.difference(each.keys()) for each in found] == [set()] * len(found), tag


@pytest.mark.parametrize("metres", [4.0, 10.0, 18.0, 40.0])
def test_the_net_of_a_plan_has_a_figure_for_each_line_and_so_many_that_distances_can_be_told(metres: float) -> None:
    drawn = plan(metres)
    upright = sorted({x1 for x1, x2, y1, y2 in numbers(drawn, "line", "x1", "x2", "y1", "y2") if x1 == x2 and y1 < y2})
    figures = [
        one for one in drawn.iter(f"{SVG}text") if (one.text or "").endswith(" m") and one.get("font-size") == "11"
    ]
    assert 4 <= len(upright) <= 13
    assert min(b - a for a, b in pairwise(upright)) == pytest.approx(max(b - a for a, b in pairwise(upright)), abs=0.2)
    assert len({one.text for one in figures}) >= len(upright)


def test_the_small_map_lies_inside_the_chart_and_shows_where_the_camera_looks_in_its_whole_reach() -> None:
    drawn = reach()
    whole = numbers(drawn, "rect", "x", "y", "width", "height", fill="#101214", stroke="#c8d0d6")
    ((left, top, wide, high),) = whole
    assert left >= 12 and left + wide <= 640 - 12  # as far from its edge as the large one
    ((x, y),) = numbers(drawn, "circle", "cx", "cy", r="2.5")
    # 85° of -170° to 170° are three quarters from the left, 35° of -20° to 90° half way up
    assert (x - left) / wide == pytest.approx(0.75, abs=0.01)
    assert (y - top) / high == pytest.approx(0.5, abs=0.01)
    ((here, _),) = numbers(drawn, "text", "x", "y", fill="#ffd166")
    assert here > max(numbers(drawn, "circle", "cx", r="4"))[0], "right of all positions"
