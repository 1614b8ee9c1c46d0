"""The report shows every cue, camera and conflict, is well formed whatever it is told, and is read without colour.

[K] W3C, Web Content Accessibility Guidelines 2.1: contrast of text (1.4.3), use of colour (1.4.1).
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import html5lib
import pytest
from evenings import CONFIGS, granary
from hypothesis import HealthCheck, given, settings
from made_evenings import air, conflict, cue, evenings, made, move

from ptzd.files import Change, number_text, read_show_file, read_show_text
from ptzd.rehearsal import Rehearsal, rehearse
from ptzd.rehearsal.rehearsed import Remedy, Variation
from ptzd.report import html_report, svg_report
from ptzd.report.style import PAGE_STYLE
from ptzd.report.text import cleaned, width
from ptzd.report.timeline import STYLE

SVG = "{http://www.w3.org/2000/svg}"
PICTURE = Path(__file__).parent / "evening-report.svg"
HOSTILE = "</title></svg><script>alert(1)</script><img src=x onerror=alert(1)>&amp;\"'\u202e\x00]]>"
at_ease = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def read_page(page: str) -> ElementTree.Element:
    """Read the page as XML, strictly, and as HTML, where no parse error is let pass."""
    html5lib.HTMLParser(strict=True).parse(page)
    return ElementTree.fromstring(page.encode("utf-8"))


def words(element: ElementTree.Element) -> str:
    return re.sub("[ \n]+", " ", "".join(element.itertext())).strip(" ")


def names(element: ElementTree.Element, tag: str) -> list[ElementTree.Element]:
    return [found for found in element.iter() if found.tag.removeprefix(SVG) == tag]


@pytest.fixture(scope="module")
def choir() -> Rehearsal:
    cameras = granary()
    show = read_show_file(CONFIGS / "choir-evening.toml", {name: camera.positions for name, camera in cameras.items()})
    return rehearse(show, cameras)


def full_evening() -> Rehearsal:
    """Two hours, eight cameras, three hundred cues: the least that has to stay legible."""
    cameras = [f"camera-{number}" for number in range(1, 9)]
    cues = [
        cue(n, n * 24.0 - (n % 5) * 4, f"Verse {n}, the whole choir and all", index=n - 1, on_call=n % 3 == 0)
        for n in range(1, 301)
    ]
    moves = [
        move(cameras[n % 8], f"place-{n}", n * 24.0 - 20, 4, 0.5, index=n - 1, cue_index=n - 1, cue_number=n)
        for n in range(1, 301)
    ]
    on_air = [air(cameras[n % 8], one.at_seconds, other.at_seconds) for n, (one, other) in enumerate(pairwise(cues))]
    conflicts = [
        conflict(cameras[n % 8], f"move {n} is late", moves=(n,), cue_index=n, since=n * 24.0, until=n * 24.0 + 3)
        for n in range(5, 300, 7)
    ]
    return made(cameras=cameras, cues=cues, moves=moves, on_air=on_air, conflicts=conflicts, seconds=7200.0)


@at_ease
@given(evenings())
def test_the_page_is_well_formed_and_holds_everything_whatever_the_show_says(evening: Rehearsal) -> None:
    page = read_page(html_report(evening))
    text = words(page)
    for camera in evening.cameras:
        assert camera in text
    for shown in evening.cues:
        assert cleaned(shown.label) in text
    for trouble in evening.conflicts:
        assert cleaned(trouble.sentence) in text
        assert all(cleaned(remedy.sentence) in text for remedy in trouble.remedies)
    assert not names(page, "script")
    assert not [key for element in page.iter() for key in element.attrib if key.startswith("on")]


@at_ease
@given(evenings())
def test_the_picture_is_well_formed_and_holds_every_number(evening: Rehearsal) -> None:
    picture = ElementTree.fromstring(svg_report(evening).encode("utf-8"))
    assert picture.tag == f"{SVG}svg"
    numbers = [element.text for element in names(picture, "text") if element.get("class") == "number"]
    assert {number_text(shown.number) for shown in evening.cues} <= set(numbers)
    discs = [element.text for element in names(picture, "text") if element.get("class") == "disc-number"]
    assert {str(number) for number in range(1, len(evening.conflicts) + 1)} <= set(discs)


@pytest.mark.parametrize("report", [html_report, svg_report])
def test_a_hostile_label_is_shown_and_not_run(report: object) -> None:
    evening = made(
        cues=(cue(1, 10.0, HOSTILE),),
        conflicts=(conflict("left", HOSTILE, Remedy("gap", HOSTILE)),),
        label=HOSTILE,
    )
    text = html_report(evening) if report is html_report else svg_report(evening)
    root = read_page(text) if report is html_report else ElementTree.fromstring(text.encode("utf-8"))
    assert not names(root, "script") + names(root, "img")
    assert cleaned(HOSTILE) in words(root)


@pytest.mark.parametrize("report", [html_report, svg_report])
def test_nothing_is_fetched_and_every_link_leads_somewhere_in_it(report: object, choir: Rehearsal) -> None:
    text = html_report(choir) if report is html_report else svg_report(choir)
    root = read_page(text) if report is html_report else ElementTree.fromstring(text.encode("utf-8"))
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    for element in root.iter():
        for key, value in element.attrib.items():
            if key == "href":
                assert value.removeprefix("#") in ids
            elif key == "aria-labelledby":
                assert set(value.split()) <= set(ids)
            else:
                assert key != "src" and "url(" not in value
    assert "url(" not in text and "@import" not in text
    assert set(re.findall(r"\w+://[^\"\s<]+", text)) == {"http://www.w3.org/2000/svg"}


def test_the_choir_evening_shows_all_its_cues_cameras_and_conflicts(choir: Rehearsal) -> None:
    page = read_page(html_report(choir))
    assert f"Rehearsal of {choir.show}" in words(page)
    pictures = [svg for svg in names(page, "svg") if svg.get("class") == "picture"]
    numbers = {e.text for svg in pictures for e in names(svg, "text") if e.get("class") == "number"}
    assert numbers >= {number_text(shown.number) for shown in choir.cues}
    lanes = {e.text for svg in pictures for e in names(svg, "text") if e.get("class") == "name"}
    assert lanes == {"gallery", "left", "right"}
    for number, trouble in enumerate(choir.conflicts, 1):
        [row] = [row for row in names(page, "tr") if row.get("id") == f"conflict-{number}"]
        assert trouble.sentence in words(row)
        assert all(remedy.sentence in words(row) for remedy in trouble.remedies)
        assert names(row, "svg"), "the moment is shown from closer"


def test_each_line_says_where_it_begins_and_ends(choir: Rehearsal) -> None:
    # By SVG 1.1, "Basic shapes", what is left out there counts as 0.
    for root in (read_page(html_report(choir)), ElementTree.fromstring(svg_report(choir).encode("utf-8"))):
        lines = names(root, "line")
        assert lines and all({"x1", "x2", "y1", "y2"}.issubset(line.keys()) for line in lines)


def test_a_moment_seen_from_closer_stands_beside_what_is_said_of_it(choir: Rehearsal) -> None:
    picture = ElementTree.fromstring(svg_report(choir).encode("utf-8"))
    groups = [group for group in names(picture, "g") if (group.get("id") or "").startswith("conflict-")]
    assert len(groups) == len(choir.conflicts) > 0
    for group in groups:
        (close,) = group.findall(f"{SVG}g[@transform]")
        aside = re.fullmatch(r"translate\((\d+) 0\)", close.get("transform") or "")
        ends = [
            float(text.get("x", "")) + width(text.text or "", float(text.get("font-size", "")))
            for text in group.findall(f"{SVG}text[@font-size]")
        ]
        assert aside is not None and max(ends) < float(aside[1])


def test_no_word_of_a_picture_stands_beyond_its_edges(choir: Rehearsal) -> None:
    for picture in names(read_page(html_report(choir)), "svg"):
        left, top, wide, high = map(float, (picture.get("viewBox") or "").split())
        for text in names(picture, "text"):
            size = float(text.get("font-size", "8"))
            assert top + 0.6 * size <= float(text.get("y", "")) <= top + high, text.text
            assert left <= float(text.get("x", "")) <= left + wide, text.text


def test_whoever_cannot_see_it_is_told_what_is_where(choir: Rehearsal) -> None:
    page = read_page(html_report(choir))
    assert page.get("lang") == "en"
    assert words(names(page, "title")[0]) == f"{choir.label}: rehearsal"
    for picture in names(page, "svg"):
        [title] = picture.findall(f"{SVG}title")
        assert picture.get("role") and words(title)
        told = [each.get("id") for each in (title, *picture.findall(f"{SVG}desc"))]
        assert (picture.get("aria-labelledby") or "").split() == told, "its name, and what is in it"
    headings = {e.get("id") for e in names(page, "h2")}
    for section in names(page, "section"):
        assert section.get("aria-labelledby") in headings
    for table in names(page, "table"):
        assert names(table, "caption") and all(heading.get("scope") for heading in names(table, "th"))
        columns = len(names(names(table, "thead")[0], "th"))
        for row in names(names(table, "tbody")[0], "tr"):
            assert sum(int(cell.get("colspan", "1")) for cell in row) == columns
    picture = ElementTree.fromstring(svg_report(choir).encode("utf-8"))
    for name in ("title", "desc"):
        [said] = picture.findall(f"{SVG}{name}")
        assert words(said)


def test_an_evening_that_fits_says_so() -> None:
    page = read_page(html_report(made(cues=(cue(1, 10.0, "Doors"),))))
    assert "Everything fits." in words(page)
    assert not [table for table in names(page, "table") if table.get("class") == "conflicts"]


def test_a_move_that_is_late_is_told_with_when_it_settles_at_the_earliest_and_at_the_latest() -> None:
    late = replace(move("left", "post", 20.0, 5.0, 2.0, due=24.0), least_seconds=6.0, most_seconds=8.0)
    troubled = conflict("left", "it is late", moves=(0,), since=24.0, until=27.0)
    page = read_page(html_report(made(cues=(cue(1, 24.0),), moves=(late,), conflicts=(troubled,))))
    assert "post: settles at 0:00:27, between 0:00:26 and 0:00:28" in words(page)
    assert [path for path in names(page, "path") if path.get("class") == "range"]


@pytest.mark.parametrize("count", [1, 3])
def test_marks_of_one_moment_hang_below_each_other_and_a_line_leads_to_each_but_the_first(count: int) -> None:
    conflicts = [conflict("left", f"the {number}th thing", since=10.0, until=10.0) for number in range(count)]
    picture = ElementTree.fromstring(svg_report(made(cues=(cue(1, 10.0),), conflicts=conflicts, seconds=60.0)))
    lines = [line for line in names(picture, "line") if line.get("class") == "range"]
    assert len({line.get("y2") for line in lines}) == 4 * (count - 1), "in each of four strips"


def test_only_what_comes_on_call_is_said_to() -> None:
    page = read_page(html_report(made(cues=[cue(1, 0.0, "In"), cue(2, 60.0, "Verse", index=1, on_call=True)])))
    rows = [row for row in names(page, "tr") if row.find("th[@scope='rowgroup']") is not None]
    assert ["on call" in words(row) for row in rows] == [False, True]


def test_a_long_pause_is_told_in_a_line() -> None:
    evening = made(cameras=("left",), cues=(cue(1, 30.0), cue(2, 4000.0)), seconds=4000.0)
    assert ": nothing moves" in words(read_page(html_report(evening)))


def test_chances_are_shown_only_where_gaps_were_varied() -> None:
    moves = (move("left", "post", 0.0, 2.0, 0.5, due=10.0, chance=0.873),)
    varied = made(cues=(cue(1, 10.0),), moves=moves, varied=Variation(0.2, 500, 7))
    assert "fits 87\u00a0%" in html_report(varied)
    assert "500 runs, gaps on call by 20\u00a0%, times by their ranges, seed 7" in html_report(varied)
    assert "87\u00a0%" not in html_report(made(cues=(cue(1, 10.0),), moves=moves))


def test_a_remedy_that_can_be_written_into_the_show_says_so() -> None:
    remedies = (Remedy("faster", "go at speed 18", (Change(0, 0, "speed", 18),)), Remedy("by-hand", "ask the director"))
    page = read_page(html_report(made(cues=(cue(1, 10.0),), conflicts=(conflict("left", "it is late", *remedies),))))
    first, second = names(page, "li")
    assert "can be written into the show" in words(first) and "can be written" not in words(second)


def test_what_a_camera_does_is_told_by_shape_and_not_by_colour_alone() -> None:
    """[K] 1.4.1: of a camera that moves on air, the report must differ from the rest in more than its fill."""
    evening = made(
        cameras=("left",),
        cues=(cue(1, 0.0),),
        moves=(move("left", "post", 20.0, 5.0, 2.0),),
        on_air=(air("left", 22.0, 60.0),),
    )
    picture = ElementTree.fromstring(svg_report(evening).encode("utf-8"))
    [lane] = [g for g in names(picture, "g") if len(g) and "bar" in (g[0].get("class") or "")]
    drawn = [(e.tag.removeprefix(SVG), e.get("class")) for e in lane]
    assert drawn == [
        ("path", "bar off"),
        ("path", "bar off moved"),
        ("path", "bar air moved"),
        ("path", "bar air"),
        ("path", "slewing off-ink"),
        ("path", "slewing air-ink"),
        ("path", "settling air-ink"),
        ("text", "held"),
        ("text", "held-air"),
    ]


def test_a_camera_that_nobody_moves_stands_where_the_show_says_by_name() -> None:
    show = read_show_text('[show]\nname = "idle"\nstart = { left = "choir-wide" }\n[[cue]]\nnumber = 1\nafter = 10\n')
    picture = ElementTree.fromstring(svg_report(rehearse(show, granary())).encode("utf-8"))
    assert [e.text for e in names(picture, "text") if e.get("class") == "held"] == ["choir-wide"]


def luminance(colour: str) -> float:
    """The relative luminance of `#rrggbb`, by the formula in [K]."""
    full = colour if len(colour) == 7 else "#" + "".join(2 * digit for digit in colour[1:])
    channels = [int(full[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_words_stand_out_from_what_they_stand_on() -> None:
    """[K] 1.4.3: at least 4.5 to 1. Black on white is 21 to 1 there."""
    assert contrast("#000", "#ffffff") == pytest.approx(21)

    def of(rule: str, key: str) -> str:
        found: list[str] = re.findall(
            r"(?:^|})" + re.escape(rule) + r"\{[^}]*?\b" + key + r":(#\w+)", STYLE + PAGE_STYLE, re.MULTILINE
        )
        [colour] = found
        return colour

    ink = of("svg text", "fill")
    for paper in (of(".off", "fill"), of(".disc", "fill"), of(".tag", "fill"), of(".verdict.fits", "background")):
        assert contrast(ink, paper) >= 4.5
    assert contrast(of(".held-air", "fill"), of(".air", "fill")) >= 4.5
    assert contrast(of(".take", "color"), of(".take", "background")) >= 4.5
    assert contrast(of(".small", "fill"), "#ffffff") >= 4.5
    assert contrast(of(".over", "color"), "#ffffff") >= 4.5
    assert contrast(of(".air", "fill"), of(".off", "fill")) >= 4.5  # on air from off air, in grey too


def test_a_full_evening_is_a_small_page() -> None:
    assert len(html_report(full_evening()).encode("utf-8")) < 450_000


def test_the_picture_that_stands_for_it_shows_what_the_choir_evening_comes_to(choir: Rehearsal) -> None:
    """To draw it anew: `ptzd rehearse`, as at the top of configs/choir-evening.toml, with --svg and this path."""

    def gist(picture: str) -> list[str]:
        root = ElementTree.fromstring(picture)
        bold = [e.text or "" for e in names(root, "text") if e.get("font-weight") == "700"]
        return bold + [e.text or "" for e in names(root, "text") if e.get("class") in ("number", "name")]

    assert gist(PICTURE.read_text("utf-8")) == gist(svg_report(choir))
    assert PICTURE.stat().st_size < 150_000


# In a browser: what was reckoned without a font must hold with one.

MEASURE = """
const boxes = (owner, list) => [...list].map(e => {
  const b = e.getBoundingClientRect();
  return {owner, text: e.textContent, x: b.left, y: b.top, right: b.right, bottom: b.bottom};
});
const found = [...document.querySelectorAll("svg")].map((svg, n) => ({
  frame: boxes(n, [svg])[0],
  labels: boxes(n, svg.querySelectorAll("text.number, text.label")),
  held: boxes(n, svg.querySelectorAll("text.held, text.held-air")),
  discs: boxes(n, svg.querySelectorAll("rect.disc")),
  all: boxes(n, svg.querySelectorAll("text")),
}));
const told = document.createElement("pre");
told.id = "measured";
const sentences = boxes(0, document.querySelectorAll("p, li"));
told.textContent = JSON.stringify({found, sentences, wide: document.documentElement.scrollWidth, room: innerWidth});
document.body.append(told);
"""
Box = dict[str, float]


def measured(page: str, folder: Path, width: int = 1300) -> dict[str, Any]:
    """Open a page in a browser of its own, so many pixels wide, and return where everything came to stand."""
    browser = shutil.which("chromium")
    if browser is None:
        if os.environ.get("PTZD_REQUIRE_TOOLS") == "1":
            pytest.fail("chromium is not installed, and PTZD_REQUIRE_TOOLS=1 wants it")
        pytest.skip("chromium is not installed")
    file = folder / "report.html"
    file.write_text(page.replace("</body>", f"<script>{MEASURE}</script></body>"), "utf-8")
    quiet = "headless no-sandbox disable-gpu no-first-run disable-background-networking disable-component-update"
    command = [browser, *(f"--{word}" for word in quiet.split()), "--disable-sync", "--disable-dev-shm-usage"]
    command += [f"--user-data-dir={folder / 'profile'}", f"--window-size={width},1000", "--dump-dom", file.as_uri()]
    done = subprocess.run(command, capture_output=True, timeout=300, check=True)
    tree = html5lib.parse(done.stdout.decode("utf-8"), namespaceHTMLElements=False)
    [told] = [element for element in tree.iter("pre") if element.get("id") == "measured"]
    measured: dict[str, Any] = json.loads(told.text or "")
    return measured


def test_on_a_narrow_screen_nothing_is_scrolled_sideways(tmp_path: Path, choir: Rehearsal) -> None:
    seen = measured(html_report(choir), tmp_path, 500)
    assert seen["room"] == 500
    assert seen["wide"] <= seen["room"]
    sentences = [box for box in seen["sentences"] if len(box["text"]) > 60]
    assert sentences
    for box in sentences:
        assert box["right"] - box["x"] > 300, f"{box['text']} is squeezed"


def overlapping(boxes: Iterable[Box]) -> list[tuple[Box, Box]]:
    """Pairs of boxes that share more than half a pixel either way."""
    found: list[tuple[Box, Box]] = []
    last: list[Box] = []
    for box in sorted(boxes, key=lambda box: box["x"]):
        last = [other for other in last if other["right"] > box["x"] + 0.5]
        found += [
            (other, box) for other in last if other["y"] + 0.5 < box["bottom"] and box["y"] + 0.5 < other["bottom"]
        ]
        last.append(box)
    return found


def test_in_a_browser_no_label_covers_another_and_all_are_inside(tmp_path: Path, choir: Rehearsal) -> None:
    for name, evening in (("choir", choir), ("full", full_evening())):
        folder = tmp_path / name
        folder.mkdir()
        seen = measured(html_report(evening), folder)
        assert seen["wide"] <= seen["room"], "nothing is to be scrolled sideways"
        numbers = 0
        for picture in seen["found"]:
            frame = picture["frame"]
            numbers += len(picture["labels"])
            # Letters of neighbouring levels may touch: their boxes have room above and below for accents.
            lines = [box | {"y": box["y"] + 2, "bottom": box["bottom"] - 2} for box in picture["labels"]]
            assert overlapping(lines) == []
            assert overlapping(picture["held"]) == []
            assert overlapping(picture["discs"]) == []
            for box in picture["all"]:
                assert frame["x"] - 1 <= box["x"] and box["right"] <= frame["right"] + 1, box
                assert frame["y"] - 1 <= box["y"] and box["bottom"] <= frame["bottom"] + 1, box
        assert numbers >= len(evening.cues)
