"""The running order is edited without losing a word of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ptzd.cli.main import cli
from ptzd.cli.output import speak_for

SHOW = """\
# The evening as the choir mistress wants it.
[show]
name = "evening"

[[cue]]
number = 1
after = 5.0 # doors
take = "left"

[[cue]]
number = 2
on_call = true
expected = 30.0
"""


@pytest.fixture
def show(tmp_path: Path) -> Path:
    path = tmp_path / "evening.toml"
    path.write_text(SHOW)
    return path


def test_a_cue_is_put_in_at_the_place_of_its_number_and_comments_stay(
    show: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert speak_for(cli, ["order", "insert", str(show), "1.5", "--label", "A child reads", "--after", "20"]) == 0
    text = show.read_text()
    assert text.index("number = 1\n") < text.index("number = 1.5\n") < text.index("number = 2\n")
    assert "# The evening as the choir mistress wants it." in text and "# doors" in text
    assert show.with_name("evening.toml.bak").read_text() == SHOW
    capsys.readouterr()
    assert speak_for(cli, ["order", "check", str(show), "--json"]) == 0
    assert [cue["number"] for cue in json.loads(capsys.readouterr().out)["cue"]] == [1, 1.5, 2]


def test_cues_are_numbered_anew_in_their_order(show: Path) -> None:
    assert speak_for(cli, ["order", "renumber", str(show), "--first", "10", "--step", "10"]) == 0
    assert [line for line in show.read_text().splitlines() if line.startswith("number")] == [
        "number = 10",
        "number = 20",
    ]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["insert", "1", "--after", "3"], "There is a cue 1 already"),
        (["insert", "1.5"], "--at, --after and --expected"),
        (["insert", "1.5", "--after", "3", "--at", "0:01:00"], "--at, --after and --expected"),
        (["insert", "1.5", "--after", "3", "--take", "Left"], "not a valid name"),
        (["insert", "1.5", "--after", "-3"], "'--after': -3.0 is not in the range"),
        (["renumber", "--step", "0"], "0.001<=x"),
    ],
)
def test_a_wrong_edit_gets_a_sentence_and_leaves_the_file_alone(
    show: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert speak_for(cli, ["order", arguments[0], str(show), *arguments[1:]]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said and "Value error" not in said
    assert show.read_text() == SHOW
    assert not show.with_name("evening.toml.bak").exists()
