"""Every mistake in a text file is told at once: where it stands, what is wrong, what would be right."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from ptzd.files import Complaint, TextFileError, read_file, read_text


class Lamp(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    watts: int = Field(gt=0, le=2000, description="a power from 1 to 2000 W", examples=[650])
    colour: Literal["warm", "cold"] = Field(default="warm", description='"warm" or "cold"')
    at: tuple[float, float] | None = Field(default=None, strict=False, description="[x, y] in metres")


class Rig(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    title: str = Field(default="", description="a text")
    lamp: dict[Annotated[str, Field(pattern="^[a-z]+$")], Lamp] = Field(default_factory=dict, description="tables")
    spare: list[Lamp] = Field(default_factory=list, description="tables [[spare]]")


def mistakes_in(text: str, check: Callable[[Mapping[str, Any]], list[Complaint]] | None = None) -> list[str]:
    with pytest.raises(TextFileError) as error:
        read_text(text, Rig, check)
    assert str(error.value) == "\n".join(map(str, error.value.mistakes))
    return [str(mistake) for mistake in error.value.mistakes]


def test_a_text_without_mistakes_is_read() -> None:
    rig = read_text('title = "x"\n[lamp.left]\nwatts = 650\nat = [1, 2.5]\n', Rig)
    assert rig.lamp["left"].at == (1.0, 2.5)


def test_every_mistake_is_told_with_line_and_field_and_what_would_be_right() -> None:
    text = """\
title = 3
[lamp.left]
watts = 0
color = "warm"
at = [1.0, "2"]

[lamp.right]
colour = "pink"
[[spare]]
watts = 1
[[spare]]
watts = "650"
"""
    assert mistakes_in(text) == [
        "line 1, field title: it is 3; it must be a text",
        "line 3, field lamp.left.watts: it is 0; it must be a power from 1 to 2000 W, such as watts = 650",
        "line 4, field lamp.left.color: there is no setting 'color'; did you mean colour?",
        'line 5, field lamp.left.at, value 2: it is "2", a text in quotes; it must be [x, y] in metres',
        "line 7, field lamp.right.watts: it is missing; it must be a power from 1 to 2000 W, such as watts = 650",
        'line 8, field lamp.right.colour: it is "pink"; it must be "warm" or "cold"',
        'line 12, field spare 2, watts: it is "650", a text in quotes; it must be a power from 1 to 2000 W, '
        "such as watts = 650",
    ]


def test_an_unknown_setting_like_no_other_is_told_what_there_is() -> None:
    assert mistakes_in("[lamp.left]\nwatts = 1\nzzz = 1\n") == [
        "line 3, field lamp.left.zzz: there is no setting 'zzz'; what can stand here is watts, colour, at"
    ]


def test_complaints_from_beyond_the_model_come_with_all_others() -> None:
    told = mistakes_in(
        "[lamp.left]\nwatts = 0\n\n[lamp.right]\nwatts = 1\n",
        lambda raw: [Complaint(("lamp", name), "it hangs too low") for name in raw["lamp"] if name == "right"],
    )
    assert [line.split(":")[0] for line in told] == ["line 2, field lamp.left.watts", "line 4, field lamp.right"]


def test_a_table_that_is_there_twice_is_told_with_its_line() -> None:
    (told,) = mistakes_in("[lamp.left]\nwatts = 1\n[lamp.right]\nwatts = 1\n[lamp.left]\nwatts = 2\n")
    assert told == "line 5, field lamp.left: the table [lamp.left] is there twice; keep one of the two"


def test_a_key_that_is_there_twice_is_told_with_its_line() -> None:
    (told,) = mistakes_in("[lamp.left]\nwatts = 1\nwatts = 2\n")
    assert told == "line 3: this key is there twice in its table; keep one of the two"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("title = \n", 1),
        ("\n\ntitle = 'open\n", 3),
        ("title = 1\nlamp left\n", 2),
        ("[lamp\n", 1),
        ("title = 1\nx = [1,\n2,\n", 3),
        ("title = 1\nx = 2031-02-31\n", 2),
        ("a = 01\n", 1),
    ],
)
def test_what_is_not_toml_is_told_with_its_line(text: str, line: int) -> None:
    (told,) = mistakes_in(text)
    assert told.startswith(f"line {line}: this is not TOML")


def test_endless_brackets_and_numbers_are_refused() -> None:
    assert "nested too deeply" in mistakes_in("a = " + "[" * 100_000)[0]
    assert len(mistakes_in("a = " + "9" * 10_000)) == 1


def test_a_text_in_another_encoding_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes("# first\ntitle = 'Bühne'\n".encode("latin-1"))
    with pytest.raises(TextFileError, match="line 2: byte 0xfc is not UTF-8; save the file as UTF-8"):
        read_file(path, Rig)


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes("\ufefftitle = 'x'\r\n".encode())
    assert read_file(path, Rig).title == "x"


def test_a_text_over_5_mb_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("#" * 5_000_001)
    with pytest.raises(TextFileError, match="larger than 5 MB"):
        read_file(path, Rig)
    with pytest.raises(TextFileError, match="larger than 5 MB"):
        read_text("#" * 5_000_001, Rig)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(TextFileError, match=r"there is no file .*rig\.toml"):
        read_file(tmp_path / "rig.toml", Rig)
    with pytest.raises(TextFileError, match="is a folder"):
        read_file(tmp_path, Rig)


def test_of_very_many_mistakes_all_are_kept_and_the_first_hundred_shown() -> None:
    with pytest.raises(TextFileError) as error:
        read_text("".join(f"x{number} = 1\n" for number in range(250)), Rig)
    assert len(error.value.mistakes) == 250
    assert str(error.value).splitlines()[-1] == "and 150 more"


@given(st.text(max_size=200))
def test_whatever_a_text_is_it_is_read_or_its_mistakes_are_told(text: str) -> None:
    try:
        read_text(text, Rig)
    except TextFileError as error:
        assert error.mistakes


@given(
    st.lists(
        st.sampled_from(["[lamp.a]", "watts = 1", "a.b = {c = [1]}", '"""', "[[spare]]", "spare.x = 1", "x", "\n"])
    )
)
def test_whatever_lines_a_text_has_it_is_read_or_its_mistakes_are_told(lines: list[str]) -> None:
    try:
        read_text("\n".join(lines), Rig)
    except TextFileError as error:
        assert error.mistakes
