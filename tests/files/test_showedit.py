"""A show's text is changed where it was asked to be, and nowhere else."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.files import (
    Change,
    Cue,
    CueMove,
    TextFileError,
    cue_of,
    edited,
    read_show_text,
    renumbered,
    replace_text,
    replace_with_backup,
    with_cue,
    without_cue,
    write_copy,
)

TEXT = """\
# Our evening
[show]
name = "granary"   # short

# The doors
[[cue]]
number = 1       # first
after = 10
take = "left"

  # Quietly!
  [[cue.move]]
  camera = "right"      # by the piano
  position = "piano"
  speed = 3             # as slow as that

# Brackets may be used, too
[[cue]]
"number" = 2.5
on_call = true
expected = 20   # more or less
move = [
    { camera = "left", position = "door" },   # over there
]

[[cue]]
number = 3
after = 5
switch_on = [
    "left",
]
# the end
"""


def _changed(old: str, new: str) -> list[str]:
    return [line for line in difflib.ndiff(old.splitlines(), new.splitlines()) if line[0] in "+-"]


@pytest.mark.parametrize(
    ("change", "lines"),
    [
        (
            Change(0, 0, "speed", 12),
            ["-   speed = 3             # as slow as that", "+   speed = 12             # as slow as that"],
        ),
        (Change(0, 0, "speed", None), ["-   speed = 3             # as slow as that", "+ # as slow as that"]),
        (Change(0, 0, "earliest", -2.5), ["+   earliest = -2.5"]),
        (Change(0, None, "take", "right"), ['- take = "left"', '+ take = "right"']),
        (Change(1, None, "take", "left"), ['+ take = "left"']),
        (Change(1, None, "number", 2.25), ['- "number" = 2.5', '+ "number" = 2.25']),
        (
            Change(1, 0, "position", "post"),
            [
                '-     { camera = "left", position = "door" },   # over there',
                '+     { camera = "left", position = "post" },   # over there',
            ],
        ),
        (Change(2, None, "switch_on", None), ["- switch_on = [", '-     "left",', "- ]"]),
        (Change(2, None, "label", 'A "quote" \\ and ü'), ['+ label = "A \\"quote\\" \\\\ and ü"']),
    ],
)
def test_one_change_touches_nothing_else(change: Change, lines: list[str]) -> None:
    assert sorted(_changed(TEXT, edited(TEXT, [change]))) == sorted(lines)


def test_a_field_within_brackets_is_added_within_them() -> None:
    show = read_show_text(edited(TEXT, [Change(1, 0, "seconds", 4.0)]))
    assert show.cue[1].move[0].seconds == 4.0


@pytest.mark.parametrize(("source", "target"), [(0, 1), (0, 2), (1, 0), (1, 2)])
def test_a_move_goes_into_another_cue_with_its_comments(source: int, target: int) -> None:
    text = edited(TEXT, [Change(source, 0, "cue", target)])
    show, before = read_show_text(text), read_show_text(TEXT)
    assert show.cue[source].move == ()
    assert show.cue[target].move[-1] == before.cue[source].move[0]
    kept = ["# Our evening", "# short", "# The doors", "# first", "# Brackets may be used, too", "# the end"]
    assert [comment for comment in kept if comment not in text] == []
    if (source, target) == (0, 2):
        assert text.index("# Quietly!") > text.index("number = 3")


def test_a_cue_is_put_in_before_the_comments_of_the_next() -> None:
    cue = Cue(
        number=1.5, after=4.0, label="New", take="right", move=(CueMove(camera="left", position="door", on_air=True),)
    )
    text = with_cue(TEXT, cue)
    assert [line for line in _changed(TEXT, text) if line.startswith("-")] == []
    assert [each.number for each in read_show_text(text).cue] == [1.0, 1.5, 2.5, 3.0]
    assert read_show_text(text).cue[1] == cue
    assert text.index("number = 1.5") < text.index("# Brackets may be used, too") < text.index('"number" = 2.5')


@pytest.mark.parametrize("number", [0.5, 1.25, 2.75, 99.0])
def test_a_cue_is_put_in_wherever_its_number_belongs(number: float) -> None:
    text = with_cue(TEXT, Cue(number=number, after=1.0))
    assert [each.number for each in read_show_text(text).cue] == sorted([1.0, 2.5, 3.0, number])
    assert [line for line in _changed(TEXT, text) if line.startswith("-")] == []


def test_a_number_that_is_taken_is_refused() -> None:
    with pytest.raises(ValueError, match=r"a cue 2\.5 already"):
        with_cue(TEXT, Cue(number=2.5, after=1.0))


@pytest.mark.parametrize(
    ("cue", "lines"),
    [
        (
            {"number": 1, "label": "Doors", "after": 10, "take": "left", "move": [
                {"camera": "right", "position": "piano", "speed": 3}
            ]},
            ['+ label = "Doors"'],
        ),
        (
            {"number": 1, "at": "0:00:10", "move": [
                {"camera": "left", "position": "post", "on_air": True},
                {"camera": "right", "position": "hands", "speed": 3},
            ]},
            [
                "- after = 10", '- take = "left"', '+ at = "0:00:10"',
                '-   position = "piano"', '+   position = "hands"',
                "+ ", "+ [[cue.move]]", '+ camera = "left"', '+ position = "post"', "+ on_air = true",
            ],
        ),
        (
            {"number": 2.5, "on_call": True, "expected": 20, "move": []},
            ['-     { camera = "left", position = "door" },   # over there'],
        ),
        (
            {"number": 1, "after": 10, "take": "left"},
            [
                "-   # Quietly!", "-   [[cue.move]]", '-   camera = "right"      # by the piano',
                '-   position = "piano"', "-   speed = 3             # as slow as that", "- ",
            ],
        ),
    ],
    ids=["a field comes", "moves change and come", "a move in brackets goes", "a move goes with its comments"],
)  # fmt: skip
def test_of_a_cue_that_is_replaced_only_what_differs_is_written(cue: dict[str, Any], lines: list[str]) -> None:
    text = with_cue(TEXT, cue_of(cue), replace=True)
    assert sorted(_changed(TEXT, text)) == sorted(lines)
    show = read_show_text(text)
    found = show.cue[show.cue_index(cue["number"])].model_dump(mode="json", exclude_unset=True)
    found["move"] = sorted(found.get("move", []), key=lambda move: str(move["camera"]))
    assert found == {"move": [], **cue}


@pytest.mark.parametrize(
    ("number", "gone"),
    [
        (1, TEXT[TEXT.index("# The doors") : TEXT.index("# Brackets")]),
        (2.5, TEXT[TEXT.index("# Brackets") : TEXT.index("[[cue]]\nnumber = 3")]),
        (3, TEXT[TEXT.index("[[cue]]\nnumber = 3") : TEXT.index("# the end")]),
    ],
)
def test_a_cue_goes_with_its_own_comments_and_nothing_else(number: float, gone: str) -> None:
    assert without_cue(TEXT, number) == TEXT.replace(gone, "")


def test_a_show_keeps_its_last_cue_and_no_cue_goes_that_is_not_there() -> None:
    with pytest.raises(ValueError, match="no cue 7"):
        without_cue(TEXT, 7)
    with pytest.raises(TextFileError, match="at least one table"):
        without_cue('[show]\nname = "one"\n[[cue]]\nnumber = 1\nafter = 1\n', 1)


def test_what_is_wrong_with_a_cue_is_told_without_lines_that_stand_nowhere() -> None:
    with pytest.raises(TextFileError) as caught:
        cue_of({"number": 3, "after": "x", "move": [{"camera": "left", "position": "door", "sped": 2}]})
    told = [(mistake.line, mistake.field) for mistake in caught.value.mistakes]
    assert told == [(None, "cue 3, after"), (None, "cue 3, move 1, sped")]
    assert "did you mean speed" in str(caught.value)


def test_a_text_is_replaced_wholly_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    show, link = tmp_path / "show.toml", tmp_path / "link.toml"
    show.write_text("one")
    show.chmod(0o640)
    link.symlink_to(show)
    replace_text(link, "two")
    assert (show.read_text(), link.is_symlink(), show.stat().st_mode & 0o777) == ("two", True, 0o640)

    def full(file: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="space"):
        replace_text(show, "three")
    assert (show.read_text(), sorted(each.name for each in tmp_path.iterdir())) == ("two", ["link.toml", "show.toml"])


def test_cues_are_numbered_anew_in_their_order() -> None:
    with pytest.raises(ValueError, match=r"the last of \d+ cues would be \d+, and 99999 is the highest"):
        renumbered(TEXT, first=10, step=99_999)
    text = renumbered(TEXT, first=10, step=10)
    assert [cue.number for cue in read_show_text(text).cue] == [10.0, 20.0, 30.0]
    assert sorted(_changed(TEXT, text)) == sorted(
        [
            "- number = 1       # first",
            "+ number = 10       # first",
            '- "number" = 2.5',
            '+ "number" = 20',
            "- number = 3",
            "+ number = 30",
        ]
    )


def test_lines_that_end_as_in_windows_stay_so() -> None:
    text = edited(TEXT.replace("\n", "\r\n"), [Change(0, 0, "speed", 12), Change(2, None, "label", "End")])
    assert "\n" not in text.replace("\r\n", "")


def test_what_would_be_no_show_any_more_is_refused() -> None:
    with pytest.raises(TextFileError, match="1 to 24"):
        edited(TEXT, [Change(0, 0, "speed", 25)])
    with pytest.raises(ValueError, match="no cue at place 7"):
        edited(TEXT, [Change(7, None, "take", "left")])
    with pytest.raises(ValueError, match=r"cue 3 has no move at place 0"):
        edited(TEXT, [Change(2, 0, "speed", 3)])


changes = st.one_of(
    st.builds(Change, st.just(0), st.just(0), st.just("speed"), st.one_of(st.none(), st.integers(1, 24))),
    st.builds(Change, st.integers(0, 1), st.just(0), st.just("spare"), st.booleans()),
    st.builds(Change, st.integers(0, 1), st.just(0), st.just("earliest"), st.floats(-9, -0.1)),
    st.builds(Change, st.integers(0, 2), st.none(), st.just("label"), st.text(max_size=20)),
    st.builds(Change, st.integers(0, 2), st.none(), st.just("take"), st.sampled_from(["left", "right", None])),
)


@given(st.lists(changes, max_size=5))
def test_any_changes_say_what_they_should_and_keep_every_comment(asked: list[Change]) -> None:
    text = edited(TEXT, asked)
    show = read_show_text(text)
    last = {(change.cue_index, change.move_index, change.field): change.value for change in asked}
    for (cue, move, field), value in last.items():
        table = show.cue[cue] if move is None else show.cue[cue].move[move]
        found = getattr(table, field)
        if isinstance(value, float):
            assert found == pytest.approx(value, abs=0.001)
        else:
            assert found == ("" if value is None and field == "label" else value)
    for comment in ("# short", "# first", "# Quietly!", "# as slow as that", "# more or less", "# over there"):
        assert comment in text


# On disk


def test_a_copy_is_never_written_over_anything(tmp_path: Path) -> None:
    show = tmp_path / "show.toml"
    show.write_text(TEXT)
    (tmp_path / "other.toml").write_text("mine")
    for name, said in (("show.toml", "is the show itself; name another file"), ("other.toml", "exists")):
        with pytest.raises(FileExistsError, match=said):
            write_copy(tmp_path / name, "new", source=show)
    write_copy(tmp_path / "fixed.toml", "new", source=show)
    assert (tmp_path / "fixed.toml").read_text() == "new"
    assert (show.read_text(), (tmp_path / "other.toml").read_text()) == (TEXT, "mine")


def test_a_file_is_changed_in_place_only_with_a_copy_of_what_it_was(tmp_path: Path) -> None:
    show = tmp_path / "show.toml"
    show.write_text("one")
    show.chmod(0o640)
    assert replace_with_backup(show, "two").read_text() == "one"
    assert replace_with_backup(show, "three").read_text() == "two"
    assert show.read_text() == "three"
    assert show.stat().st_mode & 0o777 == 0o640
    assert sorted(path.name for path in tmp_path.iterdir()) == ["show.toml", "show.toml.bak", "show.toml.bak2"]
