"""`ptzd rehearse` tells before the show what does not fit, and touches no file that it was not asked to write."""

from __future__ import annotations

import asyncio
import json
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from commands import Ended

from ptzd.cameras import Lock
from ptzd.cli.main import cli
from ptzd.cli.output import speak_for
from ptzd.config import load_config
from ptzd.daemon import calendar
from ptzd.positions import PositionStore

Rehearse = Callable[..., Ended]

CONFIGS = Path(__file__).parents[2] / "configs"
SHOW = str(CONFIGS / "choir-evening.toml")
WITH = ("--config", str(CONFIGS / "granary.toml"), "--positions", str(CONFIGS / "granary-show.toml"))


@pytest.fixture
def rehearse(capsys: pytest.CaptureFixture[str]) -> Rehearse:
    """Runs `ptzd rehearse` within the test: it waits for nothing, and a process for each would take longest of all."""

    def run(*arguments: str) -> Ended:
        code = speak_for(cli, ["rehearse", *arguments])
        said = capsys.readouterr()
        return Ended(code, said.out, said.err)

    return run


def test_the_three_conflicts_of_the_choir_evening_are_told_with_remedies(rehearse: Rehearse) -> None:
    ended = rehearse(SHOW, *WITH)
    assert (ended.code, ended.err) == (1, "")
    assert "\n3 things do not fit.\n" in ended.out
    for kind in ("taken-unsettled", "still-on-air", "too-fast-to-watch"):
        assert kind in ended.out


def test_the_fixed_copy_has_one_conflict_left_and_the_show_is_untouched(rehearse: Rehearse, tmp_path: Path) -> None:
    before = Path(SHOW).read_bytes()
    copy = tmp_path / "fixed.toml"
    ended = rehearse(SHOW, *WITH, "--fix", str(copy))
    assert ended.code == 1
    assert "2 of these are solved" in ended.out
    assert "can't be solved: gallery to entrance" in ended.out
    assert Path(SHOW).read_bytes() == before
    ended = rehearse(str(copy), *WITH, "--json")
    assert [conflict["kind"] for conflict in json.loads(ended.out)["conflicts"]] == ["too-fast-to-watch"]


def test_how_far_solving_has_come_is_shown_beside_what_is_printed(
    rehearse: Rehearse, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    ended = rehearse(SHOW, *WITH, "--fix", str(tmp_path / "fixed.toml"), "--json")
    assert "solving conflicts" in ended.err
    assert json.loads(ended.out)["fixed"]


SMALL = """
[show]
name = "small"
on_air = "gallery"
start = { left = "choir-wide", right = "choir-wide", gallery = "choir-wide" }
[[cue]]
number = 1
after = 6
take = "left"
[[cue.move]]
camera = "left"
position = "conductor"
seconds = 0.3
[[cue.move]]
camera = "right"
position = "piano"
speed = 1
[[cue]]
number = 2
after = 20
take = "right"
[[cue]]
number = 3
after = 12
take = "gallery"
[[cue.move]]
camera = "gallery"
position = "soloist"
speed = 1
[[cue]]
number = 4
after = 8
take = "left"
[[cue.move]]
camera = "left"
position = "altos"
earliest = -0.5
"""


@pytest.mark.parametrize(("show", "unsolved"), [(SMALL, 0), (Path(SHOW).read_text("utf-8"), 1)], ids=["small", "choir"])
def test_what_the_fixed_copy_asks_for_is_carried_out_by_the_simulated_cameras(
    rehearse: Rehearse, tmp_path: Path, show: str, unsolved: int
) -> None:
    before, copy = tmp_path / "show.toml", tmp_path / "fixed.toml"
    before.write_text(show, "utf-8")
    fixed = json.loads(rehearse(str(before), *WITH, "--fix", str(copy), "--json").out)["fixed"]
    assert len(fixed["solved"]) >= 2 and len(fixed["unsolved"]) == unsolved
    played = json.loads(rehearse(str(copy), *WITH, "--simulate", "--json").out)
    moves = played["simulated"]["moves"]
    assert len(moves) == copy.read_text("utf-8").count("[[cue.move]]")
    assert len(played["conflicts"]) == unsolved
    late = [move for move in moves if move["in_time"] is False or move["ended"] not in ("settled", "stood")]
    assert late == []


def test_a_show_that_fits_ends_with_0(rehearse: Rehearse, tmp_path: Path) -> None:
    show = tmp_path / "small.toml"
    show.write_text('[show]\nname = "small"\n[[cue]]\nnumber = 1\nafter = 60\ntake = "left"\n')
    ended = rehearse(str(show), *WITH)
    assert (ended.code, ended.err) == (0, "")
    assert "Everything fits." in ended.out, "nothing is moved, so that no figure is needed"


def test_positions_come_from_the_store_of_the_configuration(rehearse: Rehearse, tmp_path: Path) -> None:
    config = tmp_path / "granary.toml"
    config.write_text((CONFIGS / "granary.toml").read_text("utf-8"), "utf-8")
    ended = rehearse(SHOW, "--config", str(config))
    assert ended.code == 2
    assert "no store" in ended.err
    assert not (tmp_path / "granary.db").exists()
    asyncio.run(_fill(config))
    ended = rehearse(SHOW, "--config", str(config), "--json")
    assert ended.code == 1
    assert len(json.loads(ended.out)["conflicts"]) == 3
    asyncio.run(_lock(config))
    ended = rehearse(SHOW, "--config", str(config))
    assert ended.out.count("locked: right is locked by the rigger (rigging) and makes no move") == 1


def test_a_position_of_the_show_that_was_stored_in_other_figures_is_told(rehearse: Rehearse, tmp_path: Path) -> None:
    text = (CONFIGS / "granary-show.toml").read_text("utf-8")
    positions = tmp_path / "show.toml"
    positions.write_text(text.replace('dialect = "nibble4-51"\n', 'dialect = "nibble4-51"\nscales = "pan 45.3333"\n'))
    ended = rehearse(SHOW, "--config", str(CONFIGS / "granary.toml"), "--positions", str(positions))
    assert (ended.code, ended.out) == (2, "")
    assert "Camera left can't be sent to altos, choir-wide, conductor, sopranos: it was stored when" in ended.err


def test_the_same_seed_says_the_same_twice(rehearse: Rehearse) -> None:
    arguments = (SHOW, *WITH, "--vary", "0.3", "--runs", "50", "--seed", "4", "--json")
    once, twice = rehearse(*arguments), rehearse(*arguments)
    assert once.out == twice.out
    said = json.loads(once.out)
    assert said["varied"] == {"share": 0.3, "runs": 50, "seed": 4}
    assert all(0.0 <= move["ready_chance"] <= 1.0 for move in said["moves"])


def test_page_and_picture_are_written(rehearse: Rehearse, tmp_path: Path) -> None:
    page, picture = tmp_path / "evening.html", tmp_path / "evening.svg"
    rehearse(SHOW, *WITH, "--report", str(page), "--svg", str(picture))
    assert "<svg" in page.read_text("utf-8")
    assert picture.read_text("utf-8").count("<svg") >= 1


@pytest.mark.parametrize("option", ["--fix", "--report", "--svg"])
def test_the_show_itself_is_never_written_over(rehearse: Rehearse, tmp_path: Path, option: str) -> None:
    show = tmp_path / "show.toml"
    show.write_bytes(Path(SHOW).read_bytes())
    ended = rehearse(str(show), *WITH, option, str(show))
    assert ended.code == 2
    assert show.read_bytes() == Path(SHOW).read_bytes()


def test_every_mistake_in_a_show_is_told_with_its_line(rehearse: Rehearse, tmp_path: Path) -> None:
    show = tmp_path / "wrong.toml"
    show.write_text(
        '[show]\nname = "wrong"\n[[cue]]\nnumber = 2\nafter = 5\ntake = "middle"\n'
        '[[cue]]\nnumber = 1\nafter = -5\n[[cue.move]]\ncamera = "left"\nposition = "attic"\n'
    )
    ended = rehearse(str(show), *WITH)
    assert (ended.code, ended.out) == (2, "")
    for line, words in (
        (6, "no camera middle"),
        (8, "stands after cue 2"),
        (9, "0 to 86400"),
        (12, "no position attic"),
    ):
        assert any(f"line {line}," in said and words in said for said in ended.err.splitlines()), ended.err
    assert "Traceback" not in ended.err


@pytest.mark.parametrize(
    ("content", "words"),
    [(b'[show]\nname = "\xe9"\n', "not UTF-8"), (b"#" * 50_000_000, "larger than 5 MB"), (None, "can't be read")],
)
def test_a_file_that_is_no_show_is_told_in_a_sentence(
    rehearse: Rehearse, tmp_path: Path, content: bytes | None, words: str
) -> None:
    show = tmp_path / "other.toml"
    if content is not None:
        show.write_bytes(content)
    ended = rehearse(str(show), *WITH)
    assert (ended.code, ended.out) == (2, "")
    assert words in ended.err


def test_the_help_names_an_example_that_exists(rehearse: Rehearse) -> None:
    ended = rehearse("--help")
    assert ended.code == 0
    assert "Example: ptzd rehearse configs/choir-evening.toml" in " ".join(ended.out.split())
    assert tomllib.loads(Path(SHOW).read_text("utf-8"))["show"]["name"] == "choir-evening"


async def _lock(config: Path) -> None:
    async with PositionStore.open(load_config(config).store.path, calendar=calendar) as store:
        await store.set_lock("right", Lock("the rigger", "rigging", calendar()))


async def _fill(config: Path) -> None:
    async with PositionStore.open(load_config(config).store.path, calendar=calendar) as store:
        await store.import_((CONFIGS / "granary-show.toml").read_text("utf-8"))
