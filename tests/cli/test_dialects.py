"""The families of heads in words: an owner who has the manual finds the same figures there.

[B] SRG-300H technical manual, "Execution command list (4/4)"; [D] TLC-700-S user manual, "VISCA pan tilt absolute
position value" and "speed value"; [H] EVI-D80 technical manual, "Pan/tilt position (for reference)".
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from made_up_head import made_up_head

from ptzd.cli.main import cli
from ptzd.cli.output import speak_for
from ptzd.visca import dialect_names


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert speak_for(cli, ["dialects", *arguments]) == 0
    return capsys.readouterr().out


def test_the_table_has_a_row_for_each_that_fits_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    lines = said(capsys).splitlines()
    assert [line.split()[0] for line in lines[2:-1]] == [*dialect_names()]
    assert all(len(line.rstrip()) <= 80 for line in lines[:-1])


@pytest.mark.parametrize(
    ("name", "figures"),
    [
        (
            "nibble4-51",
            ("51.2 counts a degree", "(DE00)", "(2200)", "(FC00)", "(1200)", "-170° to 170°", "-20° to 90°"),
        ),  # [B]
        ("nibble4-14", ("14.4 counts a degree", "(F670)", "(0990)", "(FE50)", "(0510)", " 6 9 15 ", "120")),  # [D]
        ("nibble4-45", ("45.3333 counts a degree", "(E1E5)", "(1E1B)", "(FC75)", "(0FF0)")),  # [H]
    ],
)
def test_the_figures_are_those_of_the_manuals(
    capsys: pytest.CaptureFixture[str], name: str, figures: tuple[str, ...]
) -> None:
    told = said(capsys, name)
    assert [each for each in figures if each not in told] == []
    assert len(re.findall("from: .*assumed|from: .*manual|sources: .*manual", told)) == 5, "where each figure is from"


def test_ones_own_file_is_told_too_and_all_of_it_for_machines(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = made_up_head(tmp_path)
    assert "90 counts a degree" in said(capsys, str(file))
    [told] = json.loads(
        said(capsys, str(file), "--json"), parse_constant=lambda word: pytest.fail(f"{word} is no JSON")
    )
    assert (told["name"], told["pan"]["counts_per_degree"], told["focus"]["distances"][0]) == (
        *("hayloft5-90", 90.0, [None, 0x1000]),
    )
    assert speak_for(cli, ["dialects", "nibble4-52"]) == 2
    assert "choose one of nibble4-14" in capsys.readouterr().err
