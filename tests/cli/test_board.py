"""The table that `ptzd watch` draws: what each camera last said, with the seconds to go counted down."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from rich.console import Console

from ptzd.cli.board import Board, doing
from ptzd.cli.client import Heard

PICTURE = Path(__file__).parents[1] / "pictures" / "watch.svg"
SLEWING: dict[str, Any] = {
    "link": "up",
    "power": "on",
    "phase": "slewing",
    "position": None,
    "seconds_to_settled": 4.0,
    "pan_deg": 12.345,
    "tilt_deg": -2.0,
    "zoom_counts": 4096,
    "tally": "program",
    "locks": [{"by": "the rigger", "reason": "changing the lens"}, {"by": "stage left", "reason": ""}],
    "faults": [],
}


def take(board: Board, topic: str, payload: dict[str, Any]) -> None:
    board.take(Heard(topic, payload))


def drawn(board: Board, width: int = 200) -> list[str]:
    """The lines on a terminal of so many columns."""
    file = io.StringIO()
    Console(file=file, width=width).print(board)
    return [line.rstrip() for line in file.getvalue().splitlines()]


def test_seconds_to_go_are_counted_down_between_two_reports_and_not_below_none() -> None:
    now = [100.0]
    board = Board(lambda: now[0])
    take(board, "camera/gallery/state", SLEWING)
    shown = []
    for now[0] in (100.0, 101.5, 110.0):
        [row] = [line for line in drawn(board) if line.startswith("gallery ")]
        shown.append(row.split())
    assert [" ".join(row[4:6]) for row in shown] == ["4.0 s", "2.5 s", "0.0 s"]
    assert shown[0][:4] + shown[0][6:] == ["gallery", "up", "slewing", "–", "12.35°", "-2.00°", "4096", "program"]


def test_figures_end_where_their_heading_does_and_names_begin_there() -> None:
    board = Board(lambda: 0.0)
    take(board, "camera/gallery/state", SLEWING | {"pan_deg": -170.0, "position": "choir-wide"})
    take(board, "camera/left/state", SLEWING | {"pan_deg": 1.0})
    heading, *rows = [line for line in drawn(board) if line.startswith(("camera", "gallery", "left"))][:3]
    ends, begins = heading.index(" pan") + 4, heading.index("stands in")
    assert [row[ends - 1 : ends + 1] for row in rows] == ["° ", "° "]
    assert [row[begins] for row in rows] == ["c", "–"]


def test_in_80_columns_no_name_no_figure_and_no_reason_is_cut() -> None:
    board = Board(lambda: 0.0)
    take(board, "camera/gallery/state", SLEWING | {"seconds_to_settled": 12.3, "pan_deg": -170.0, "tilt_deg": -20.0})
    take(
        board,
        "camera/left/state",
        SLEWING | {"phase": "settling", "position": "the-whole-choir-with-the-beams", "link": "down"},
    )
    take(board, "camera/piano-by-the-sack-hoist/state", SLEWING | {"zoom_counts": 16384, "position": "choir-wide"})
    lines = drawn(board, 80)
    assert all(len(line) <= 80 and "…" not in line for line in lines)
    words = " ".join(lines).split()
    for whole in ("gallery", "slewing", "settling", "-170.00°", "-20.00°", "16384", "program", "12.3"):
        assert whole in words
    assert "gallery: locked by the rigger: changing the lens" in lines
    assert "gallery: locked by stage left: no reason given" in lines
    first_column = slice(0, lines[0].index("link"))
    assert "piano-by-the-sack-hoist" in "".join(line[first_column].strip() for line in lines)


def test_where_a_camera_was_before_it_restarted_is_asked_about() -> None:
    board = Board(lambda: 0.0)
    take(board, "camera/gallery/state", SLEWING | {"phase": "idle", "locks": [], "was_in": "soloist"})
    assert "gallery: before it restarted or fell silent it was in soloist, or on its way: recall that?" in drawn(board)


def test_a_head_that_is_being_learned_is_said_to_move_until_the_learning_is_over() -> None:
    board = Board(lambda: 0.0)
    take(board, "camera/gallery/state", SLEWING | {"phase": "idle", "locks": []})
    take(
        board,
        "camera/gallery/learn-progress",
        {"id": "a", "done": 3, "of": 9, "doing": "speed of step 3", "seconds_left": 188.3},
    )
    remark = "gallery: is being learned and moves by itself, about 3 min 8 s left"
    assert remark in drawn(board)
    take(board, "outcome", {"topic": "ptzd/camera/gallery/learn", "id": "b", "ok": False, "sentence": "it is busy"})
    assert remark in drawn(board), "another was refused; this one goes on"
    take(board, "outcome", {"topic": "ptzd/camera/gallery/learn", "id": "a", "ok": True})
    assert remark not in drawn(board)


def test_a_learning_without_an_id_is_not_over_by_the_outcome_of_something_else() -> None:
    board = Board(lambda: 0.0)
    take(board, "camera/gallery/state", SLEWING | {"phase": "idle", "locks": []})
    doing = {"done": 3, "of": 9, "doing": "speed of step 3", "seconds_left": 188.3}
    take(board, "camera/gallery/learn-progress", {"id": None} | doing)
    for topic in ("camera/left/lock", "camera/gallery/lock", "camera/left/learn"):
        take(board, "outcome", {"topic": f"ptzd/{topic}", "id": None, "ok": True})
    assert "gallery: is being learned and moves by itself, about 3 min 8 s left" in drawn(board)


def test_a_command_that_is_refused_is_told_with_its_reason() -> None:
    board = Board(lambda: 0.0)
    take(board, "outcome", {"topic": "ptzd/camera/left/tally", "id": None, "ok": False, "sentence": "it is 'prgram'"})
    take(board, "outcome", {"topic": "ptzd/camera/left/tally", "id": None, "ok": True, "sentence": None})
    assert drawn(board)[-1] == "refused: ptzd/camera/left/tally: it is 'prgram'"


def test_the_picture_of_it_shows_the_table_as_it_is_drawn_today() -> None:
    """To take it anew: `python -m pictures.terminal_shot` in `tests`."""
    board = Board(lambda: 0.0)
    take(board, "camera/gallery/state", SLEWING)
    headings = drawn(board)[0].replace("stands in", "stands-in").replace("to go", "to-go").split()
    words = " ".join("".join(ElementTree.parse(PICTURE).getroot().itertext()).replace("\xa0", " ").split())
    assert all(heading.replace("-", " ") in words for heading in headings)
    assert "http" not in PICTURE.read_text("utf-8").replace("http://www.w3.org/2000/svg", ""), "it fetches nothing"


def test_the_table_tells_who_says_what_is_on_air_and_where_nobody_does() -> None:
    board = Board(lambda: 0.0)
    for camera, tally, source in (
        ("gallery", "program", "cues"),
        ("left", "off", "message"),
        ("right", "unknown", None),
        ("stage", "off", "configuration"),
    ):
        take(board, f"camera/{camera}/state", SLEWING | {"tally": tally, "tally_source": source, "locks": []})
    lines = drawn(board)
    ends = {line.split()[0]: line.split("4096 ")[1].strip() for line in lines if "4096" in line}
    assert ends == {"gallery": "program by cues", "left": "off", "right": "unknown", "stage": "off, untold"}
    assert [line for line in lines if "no tally comes" in line] == ["right: no tally comes, so it counts as on air"]


@pytest.mark.parametrize(
    ("state", "told"),
    [
        ({"phase": "slewing", "activity": "direct"}, "slewing"),
        ({"phase": "idle", "activity": "at-rest"}, "idle"),
        ({"phase": "idle", "activity": "hand"}, "hand"),
        ({"phase": "idle", "activity": None}, "not still"),
        ({"phase": "idle", "activity": None, "link": "down"}, "?"),
        ({"phase": "idle", "activity": None, "link": "down", "power": "standby"}, "?"),
        ({"phase": "idle", "activity": None, "power": "standby"}, "standby"),
        ({"phase": "idle", "activity": None, "power": "starting"}, "starting"),
        ({}, "?"),
    ],
)
def test_idle_is_said_of_a_camera_that_was_seen_to_stand_still_and_of_no_other(
    state: dict[str, Any], told: str
) -> None:
    assert doing({"link": "up", "power": "on"} | state) == told
