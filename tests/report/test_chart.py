"""A camera's reach as a chart, read back from the drawing, and held against angles of sensor and focal length."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from math import atan, cos, degrees, radians
from xml.etree import ElementTree

import pytest

from ptzd.cameras import CameraSettings, Optics, Window
from ptzd.line import Framing, Tolerance
from ptzd.motion import Lens, Sensor, published_head
from ptzd.positions import StoredPosition
from ptzd.report import chart
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")  # 51.2 counts a degree, pan -170° to 170°, tilt -20° to 90°
SETTINGS = CameraSettings(
    "gallery", DIALECT, published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s), 24, Tolerance()
)
OPTICS = Optics(Sensor(32.0, 18.0), Lens(((0, 50.0), (0x4000, 200.0))), 25.0)
SVG = "{http://www.w3.org/2000/svg}"


def framing(pan_deg: float, tilt_deg: float, zoom_counts: int = 0) -> Framing:
    return Framing(round(pan_deg * 51.2), round(tilt_deg * 51.2), zoom_counts, 0x2000, "manual")


def stored(**framings: Framing) -> dict[str, StoredPosition]:
    now = datetime(2031, 5, 24, tzinfo=UTC)
    return {
        name: StoredPosition("gallery", name, one, "nibble4-51", None, None, "", now) for name, one in framings.items()
    }


def drawn(
    settings: CameraSettings, positions: dict[str, StoredPosition], here: Framing | None = None
) -> ElementTree.Element:
    return ElementTree.fromstring(chart(settings, positions, here))


def numbers(svg: ElementTree.Element, tag: str, *names: str, **such: str) -> list[tuple[float, ...]]:
    found = [one for one in svg.iter(f"{SVG}{tag}") if all(one.get(key) == value for key, value in such.items())]
    return [tuple(float(one.get(name, "nan")) for name in names) for one in found]


def test_pictures_are_as_wide_and_as_far_apart_as_lens_and_head_say() -> None:
    svg = drawn(replace(SETTINGS, optics=OPTICS), stored(tight=framing(20, 30, 0x4000), wide=framing(0, 0)))
    (tight, wide) = numbers(svg, "rect", "x", "y", "width", "height", fill="none")
    pixels_per_degree = wide[2] / degrees(2 * atan(16 / 50))
    assert wide[3] / pixels_per_degree == pytest.approx(degrees(2 * atan(9 / 50)), rel=0.01)
    # thirty degrees up, a picture of so many degrees is that much more of pan
    assert tight[2] / pixels_per_degree == pytest.approx(degrees(2 * atan(16 / 200)) / cos(radians(30)), rel=0.02)
    middles = [(x + width / 2, y + height / 2) for x, y, width, height in (tight, wide)]
    assert (middles[0][0] - middles[1][0]) / pixels_per_degree == pytest.approx(20, rel=0.01)  # to the right
    assert (middles[1][1] - middles[0][1]) / pixels_per_degree == pytest.approx(30, rel=0.01)  # upwards


def test_without_a_known_lens_positions_are_points() -> None:
    svg = drawn(SETTINGS, stored(wide=framing(0, 0), solo=framing(10, 0)))
    assert len([one for one in numbers(svg, "circle", "cx", "r") if one[1] == 4]) == 2
    assert numbers(svg, "rect", "x", fill="none") == []


def test_where_it_looks_now_is_told_in_a_word_too_and_only_when_known() -> None:
    for here, told in ((framing(5, 5), 1), (None, 0)):
        svg = drawn(replace(SETTINGS, optics=OPTICS), stored(wide=framing(0, 0)), here)
        assert [one.text for one in svg.iter(f"{SVG}text")].count("now") == told


def test_names_of_positions_that_lie_together_do_not_cover_each_other() -> None:
    svg = drawn(SETTINGS, stored(**{f"solo-{number}": framing(number / 10, 0) for number in range(6)}))
    texts = [one for one in svg.iter(f"{SVG}text") if (one.text or "").startswith("solo-")]
    heights = sorted(float(one.get("y", "nan")) for one in texts)
    assert len(heights) == 6
    assert min(b - a for a, b in pairwise(heights)) >= 13


def test_only_what_the_camera_can_be_sent_to_within_its_window_is_its_reach() -> None:
    window = Window((-10.0, 10.0), (-5.0, 5.0))
    svg = drawn(replace(SETTINGS, window=window), stored(wide=framing(0, 0)))
    _, reach = numbers(svg, "rect", "width", "height")[:2]
    assert reach[0] / reach[1] == pytest.approx(2.0, rel=0.01)
    other = {"old": replace(stored(old=framing(0, 0))["old"], scales="pan 45")}
    assert "no positions yet" in [one.text for one in drawn(SETTINGS, other).iter(f"{SVG}text")]


def test_a_small_map_tells_which_part_of_the_reach_is_shown_and_where_in_it_the_camera_looks() -> None:
    svg = drawn(replace(SETTINGS, optics=OPTICS), stored(wide=framing(-40, 0), solo=framing(-20, 10)), framing(10, 35))
    # The lines tell which degrees the picture holds: their words stand beside them, in a row and in a column.
    words = [one for one in svg.iter(f"{SVG}text") if (one.text or "").endswith("°")]
    places = [(int((one.text or "")[:-1]), float(one.get("x", "")), float(one.get("y", ""))) for one in words]
    row, column = max(y for _, _, y in places), min(x for _, x, _ in places)
    pans = [(deg, x) for deg, x, y in places if y == row]
    tilts = [(deg, y) for deg, x, y in places if x == column and y != row]
    per_degree = (pans[-1][1] - pans[0][1]) / (pans[-1][0] - pans[0][0])
    assert (tilts[0][1] - tilts[-1][1]) / (tilts[-1][0] - tilts[0][0]) == pytest.approx(per_degree, rel=0.01)
    left, high = pans[0][0] - (pans[0][1] - 3 - 12) / per_degree, tilts[0][0] + (tilts[0][1] + 3 - 12) / per_degree

    (corner,) = svg.iter(f"{SVG}g")
    (x, y, wide, tall), (part_x, part_y, part_wide, part_tall) = numbers(corner, "rect", "x", "y", "width", "height")
    assert wide / tall == pytest.approx(340 / 110, rel=0.01)  # pan -170° to 170°, tilt -20° to 90°
    assert (part_x - x) / wide == pytest.approx((left + 170) / 340, abs=0.01)
    assert part_wide / wide == pytest.approx((640 - 2 * 12) / per_degree / 340, abs=0.01)
    assert part_y == pytest.approx(y + (90 - high) / 110 * tall, abs=1.0)
    low = max(-20.0, high - (360 - 2 * 12) / per_degree)  # nothing lies below the reach
    assert part_tall == pytest.approx((high - low) / 110 * tall, abs=1.0)
    ((now_x, now_y),) = numbers(corner, "circle", "cx", "cy")
    assert (now_x - x) / wide == pytest.approx((10 + 170) / 340, abs=0.01)
    assert (now_y - y) / tall == pytest.approx((90 - 35) / 110, abs=0.02)


def test_nothing_in_it_runs_or_is_fetched() -> None:
    text = chart(replace(SETTINGS, optics=OPTICS), stored(wide=framing(0, 0)), framing(1, 1))
    assert not re.search(r"<script|<style|<image|<use|href|on\w+=|url\(", text)
