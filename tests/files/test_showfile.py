"""A show file says all its mistakes at once, each with its line, and says when each cue comes."""

from __future__ import annotations

import re
from pathlib import Path

import jsonschema
import pytest

from ptzd.files import (
    TextFileError,
    clock_of_seconds,
    cue_times,
    number_text,
    read_show_file,
    read_show_text,
    show_schema,
)
from ptzd.files.showfile import seconds_of_clock

KNOWN = {"left": ["door", "post"], "right": ["piano"], "gallery": []}

WHOLE = """\
[show]
name = "granary-evening"
label = "The choir's evening"
on_air = "right"
start = { left = "door", right = "piano" }

[[cue]]
number = 1
label = "Doors"
at = "0:00:30"
take = "left"

[[cue]]
number = 12
on_call = true
expected = 25.0
[[cue.move]]
camera = "right"
position = "piano"
seconds = 4
earliest = -10.0
latest = -1.0

[[cue]]
number = 12.5
after = 20.5
switch_on = ["gallery"]
[[cue.move]]
camera = "left"
position = "post"
speed = 12
on_air = true
earliest = 0.5
latest = 10
"""


def test_a_whole_show_is_read() -> None:
    show = read_show_text(WHOLE, KNOWN)
    assert [number_text(cue.number) for cue in show.cue] == ["1", "12", "12.5"]
    assert [(time.at_seconds, time.gap_seconds, time.on_call) for time in cue_times(show)] == [
        (30.0, 30.0, False),
        (55.0, 25.0, True),
        (75.5, 20.5, False),
    ]
    assert [(move.camera, move.on_air) for move in show.cue[1].move] == [("right", False)]
    assert [(move.camera, move.on_air) for move in show.cue[2].move] == [("left", True)]
    assert show.cue_index(12.5) == 2


def test_the_show_that_the_readme_shows_is_one() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    (text,) = (block for block in re.findall(r"```toml\n(.*?)```", readme, re.DOTALL) if "[[cue]]" in block)
    (cue,) = read_show_text(text).cue
    assert (cue.number, cue.take, [move.on_air for move in cue.move]) == (12.5, "left", [False, True])


def test_a_cue_that_is_not_there_is_told_with_its_neighbours() -> None:
    with pytest.raises(ValueError, match=r"no cue 12\.3; the nearest there are 12 and 12\.5"):
        read_show_text(WHOLE).cue_index(12.3)


# One mistake each: what is replaced by what, the line it is told on, and words of the sentence


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("number = 12\n", "number = 0.5\n", 14, "cue 0.5 stands after cue 1"),
        ("number = 12.5", "number = 12", 25, "cue 12 is there twice"),
        ("number = 12\n", "number = -1\n", 14, "0 to 99999"),
        ('take = "left"', 'take = "lfet"', 11, "there is no camera lfet; did you mean left?"),
        ('switch_on = ["gallery"]', 'switch_on = ["attic"]', 27, "there is no camera attic"),
        ('position = "post"', 'position = "pots"', 30, "camera left has no position pots; did you mean post?"),
        ('left = "door"', 'left = "roof"', 5, "camera left has no position roof; there are door, post"),
        ('right = "piano" }', 'gallery = "piano" }', 5, "none at all yet"),
        ('on_air = "right"', 'on_air = "rigth"', 4, "did you mean right?"),
        ('at = "0:00:30"', 'at = "half past"', 10, "write hours:minutes:seconds"),
        ('at = "0:00:30"', 'at = "0:00:75"', 10, "write hours:minutes:seconds"),
        ('at = "0:00:30"', "at = 00:00:30", 10, "in quotes"),
        ('at = "0:00:30"\n', "", 7, "it is not said when this cue comes"),
        ('at = "0:00:30"', 'at = "0:00:30"\nafter = 3', 11, "at is given too"),
        ("expected = 25.0\n", "", 15, "needs its expected gap"),
        ("on_call = true\n", "", 15, "only a cue on call has an expected gap"),
        ("after = 20.5", 'at = "0:00:50"', 26, "comes at 0:00:50, but the one before it at 0:00:55"),
        ("after = 20.5", "after = -1", 26, "0 to 86400"),
        ("after = 20.5", "after = nan", 26, "0 to 86400"),
        ("expected = 25.0", "expected = 86399", 13, "a day at most"),
        ("seconds = 4", "seconds = 4\nspeed = 3", 20, "speed is given too"),
        ("speed = 12", "speed = 25", 31, "1 to 24"),
        ("earliest = -10.0", "earliest = 10.0", 21, "leaves before its cue"),
        ("latest = -1.0", "latest = 1.0", 22, "has settled when its cue comes"),
        ("latest = -1.0", "latest = -12.0", 22, "give it time"),
        ("earliest = 0.5", "earliest = -0.5", 33, "leaves with the cue or after it"),
        ("latest = 10", "latest = 0", 34, "settles after its cue"),
        ("latest = 10", "latest = 10\nlast = 3", 35, "there is no setting 'last'; did you mean latest?"),
        ("latest = 10", 'latest = 10\n[[cue.move]]\ncamera = "left"\nposition = "door"\non_air = true', 36, "twice"),
        ("[show]", "[schow]", None, "it is missing"),
    ],
)
def test_a_mistake_is_told_with_its_line(old: str, new: str, line: int, words: str) -> None:
    assert old in WHOLE
    with pytest.raises(TextFileError) as told:
        read_show_text(WHOLE.replace(old, new, 1), KNOWN)
    assert any(mistake.line == line and words in mistake.sentence for mistake in told.value.mistakes), told.value


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ('position = "post"', 'position = "pots"', "cue 12.5, move 1, position"),
        ("seconds = 4", 'seconds = 4\n[[cue.move]]\ncamera = "cellar"', "cue 12, move 2, camera"),
        ('take = "left"', 'take = "lfet"', "cue 1, take"),
        ("number = 12.5", 'number = "12.5"', "cue 3, number"),  # the third, for want of a number
    ],
)
def test_a_mistake_is_told_by_the_number_of_its_cue(old: str, new: str, field: str) -> None:
    with pytest.raises(TextFileError) as told:
        read_show_text(WHOLE.replace(old, new, 1), KNOWN)
    assert field in [mistake.field for mistake in told.value.mistakes]


def test_all_mistakes_are_told_at_once_in_the_order_of_their_lines() -> None:
    wrong = (
        WHOLE.replace('take = "left"', 'take = "lfet"')
        .replace("number = 12.5", "number = 12")
        .replace("expected = 25.0", "expected = -25.0")
        .replace("speed = 12", "speed = 0")
        .replace('position = "post"', 'position = "pots"')
    )
    with pytest.raises(TextFileError) as told:
        read_show_text(wrong, KNOWN)
    assert [mistake.line for mistake in told.value.mistakes] == [11, 16, 25, 30, 31]


def test_a_file_of_50_megabytes_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "show.toml"
    path.write_bytes(b"# " + b"x" * 50_000_000)
    with pytest.raises(TextFileError, match="larger than 5 MB"):
        read_show_file(path)


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16"])
def test_a_file_in_another_encoding_is_told_with_the_line(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "show.toml"
    path.write_bytes(WHOLE.replace("Doors", "Türen").encode(encoding))
    with pytest.raises(TextFileError, match="is not UTF-8") as told:
        read_show_file(path)
    assert told.value.mistakes[0].line == {"latin-1": 9, "utf-16": 1}[encoding]


@pytest.mark.parametrize(
    "text", ["", "[[cue]]", "cue = 3", "cue = [3]", "show = 1\ncue = [{ move = 2 }]", "[show", "\0"]
)
def test_anything_else_is_told_as_mistakes(text: str) -> None:
    with pytest.raises(TextFileError):
        read_show_text(text, KNOWN)


def test_the_schema_takes_what_is_read_and_refuses_what_it_can_see() -> None:
    import tomllib

    schema = show_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    assert list(validator.iter_errors(tomllib.loads(WHOLE))) == []
    for old, new in (
        ('at = "0:00:30"\n', ""),
        ('at = "0:00:30"', 'at = "0:00:75"'),
        ("expected = 25.0\n", ""),
        ("speed = 12", "speed = 25"),
        ("latest = 10", "last = 10"),
    ):
        assert list(validator.iter_errors(tomllib.loads(WHOLE.replace(old, new, 1)))) != []


@pytest.mark.parametrize(
    ("text", "seconds"), [("0:12:30", 750.0), ("12:30", 750.0), ("1:00:00.5", 3600.5), ("10:00:01", 36001.0)]
)
def test_a_time_into_the_show_is_hours_minutes_seconds(text: str, seconds: float) -> None:
    assert seconds_of_clock(text) == seconds
    assert seconds_of_clock(clock_of_seconds(seconds)) == seconds
    assert re.fullmatch(r"\d+:\d\d:\d\d(\.\d+)?", clock_of_seconds(seconds))
