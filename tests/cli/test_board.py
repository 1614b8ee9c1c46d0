"""The table that `ptzd watch` draws: what each camera last said, with the seconds to go counted down."""

from __future__ import annotations

import io
from pathlib import Path
from xml.etree import ElementTree

from rich.console import Console

from ptzd.cli.board import Board

PICTURE = Path(__file__).parents[1] / "bench" / "watch.svg"
SLEWING = {
    "link": "up",
    "power": "on",
    "phase": "slewing",
    "position": None,
    "seconds_to_settled": 4.0,
    "pan_deg": 12.345,
    "tilt_deg": -2.0,
    "zoom_counts": 4096,
    "tally": "program",
    "locked": {"by": "the rigger", "reason": "changing the lens"},
    "faults": [],
}


def drawn(board: Board) -> list[list[str]]:
    """The table's rows, cell by cell."""
    file = io.StringIO()
    Console(file=file, width=200).print(board)
    lines = file.getvalue().replace("┃", "│").splitlines()
    return [[cell.strip() for cell in line.strip("│").split("│")] for line in lines if "│" in line]


def test_seconds_to_go_are_counted_down_between_two_reports_and_not_below_none() -> None:
    now = [100.0]
    board = Board(lambda: now[0])
    board.take_state("gallery", SLEWING)
    shown = []
    for now[0] in (100.0, 101.5, 110.0):
        headings, row = drawn(board)
        shown.append(dict(zip(headings, row, strict=True)))
    assert [row["to go"] for row in shown] == ["4.0 s", "2.5 s", "0.0 s"]
    assert (shown[0]["camera"], shown[0]["stands in"], shown[0]["pan"]) == ("gallery", "–", "12.35°")
    assert "locked by the rigger: changing the lens" in shown[0]["remarks"]


def test_the_picture_of_it_shows_the_table_as_it_is_drawn_today() -> None:
    """To take it anew: `python -m bench.terminal_shot` in `tests`."""
    board = Board(lambda: 0.0)
    board.take_state("gallery", SLEWING)
    headings, _ = drawn(board)
    words = " ".join("".join(ElementTree.parse(PICTURE).getroot().itertext()).replace("\xa0", " ").split())
    assert all(heading in words for heading in headings)
    assert "http" not in PICTURE.read_text("utf-8").replace("http://www.w3.org/2000/svg", ""), "it fetches nothing"
