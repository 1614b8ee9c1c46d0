"""Tables on terminals of any width: no line is longer, and nothing is cut."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import pytest
from commands import Ptzd, StandInFor

from ptzd.cli.commands.shot import shot
from ptzd.cli.console import print_table

GRANARY = Path(__file__).parents[2] / "configs" / "granary.toml"
HEADINGS = ("number", "", "pan", "zoom", "pace", "note", "stored at")
NOTE = "Gently: it is often on air, so mind the rail's swing."
ROWS = [("12", "in use", "-28.01°\n-1434", "124.2 mm\n4608", "step 24", NOTE, "2026-11-26 10:42 CET")] * 2
WIDTHS = [200, 100, 80, 60, 40]


def on_terminal(monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("COLUMNS", str(columns))


@pytest.mark.parametrize("columns", WIDTHS)
def test_no_cell_is_cut_and_no_line_longer_than_the_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], columns: int
) -> None:
    on_terminal(monkeypatch, columns)
    print_table(HEADINGS, ROWS, figures=("number", "pan", "zoom"), whole=("", "pace"))
    out = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out)  # but for bold letters
    assert max(map(len, out.splitlines())) <= columns
    for word in " ".join(ROWS[0]).split():
        assert out.count(word) >= 2, word


@pytest.mark.parametrize("columns", WIDTHS)
@pytest.mark.parametrize("more", [[], ["--shot", "close"]])
def test_nor_of_shots(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], columns: int, more: list[str]
) -> None:
    on_terminal(monkeypatch, columns)
    shot.main(["--config", str(GRANARY), "gallery", "--distance", "12", *more], standalone_mode=False)
    out = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out)  # but for bold letters
    assert max(map(len, out.splitlines())) <= columns
    assert "…" not in out
    assert "needed)" in out


def position(**more: Any) -> dict[str, Any]:
    return {
        "name": "soloist", "pan_counts": 328, "tilt_counts": -492, "zoom_counts": 12035, "focus_counts": 9216,
        "focus_mode": "manual", "speed": None, "seconds": 4.0, "note": "", "stored_at": "2026-05-23T14:05:00Z", **more,
    }  # fmt: skip


async def test_a_history_tells_degrees_and_millimetres_beside_the_counts_and_the_time_here(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    told = position(pan_deg=6.406, tilt_deg=-9.609, focal_length_mm=216.3)
    entries = [{"number": 1, "current": True, "position": told}]
    async with stand_in(
        broker, {"camera/gallery/history": [("outcome", {"ok": True, "result": {"entries": entries}})]}
    ):
        ended = await ptzd("positions", "history", "gallery", "soloist", "--broker", broker, TZ="Europe/Berlin")
    for figure in ("6.41°", "328", "-9.61°", "-492", "216.3 mm", "12035", "2026-05-23 16:05 CEST"):
        assert figure in ended.out


async def test_whoever_takes_a_name_away_that_the_show_needs_is_warned(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    result = {"warning": "the show evening names soloist of camera gallery in cue 2"}
    async with stand_in(broker, {"camera/gallery/delete": [("outcome", {"ok": True, "result": result})]}):
        ended = await ptzd("positions", "delete", "gallery", "soloist", "--broker", broker)
    assert (ended.code, ended.err) == (0, f"Mind: {result['warning']}.\n")


async def test_a_pace_is_taken_away_by_name_only(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"camera/gallery/pace": [("outcome", {"ok": True})]}) as daemon:
        ended = await ptzd("positions", "pace", "gallery", "soloist", "--clear", "--broker", broker)
        assert (await ptzd("positions", "pace", "gallery", "soloist", "--broker", broker)).code == 2
    assert ended.code == 0
    [(_, asked)] = daemon.asked
    assert {key: asked[key] for key in asked if key != "id"} == {"position": "soloist"}


def test_on_a_narrow_terminal_nothing_is_said_of_an_empty_cell(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    on_terminal(monkeypatch, 40)
    print_table(HEADINGS, [(*ROWS[0][:5], "", ROWS[0][6])], figures=("number", "pan", "zoom"), whole=("", "pace"))
    out = capsys.readouterr().out
    assert "pace" in out and "note" not in out
