"""The stage plan as people write it: what stands in it, and every mistake with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from ptzd.files import TextFileError, read_stage_plan

PLAN = """\
[plan]
name = "granary"
[camera.gallery]
place_m = [0, -14.0, 4.2]
[mark.soloist]
place_m = [1.6, 1.4]
size = "medium"
look_m = 1.5
[[shot]]
camera = "gallery"
mark = "soloist"
position = "soloist"
"""


def test_a_shot_is_seen_as_its_mark_says_unless_it_says_otherwise(tmp_path: Path) -> None:
    for more, seen in (
        ("", ("medium", None, 1.5)),
        ('size = "close"\n', ("close", None, 1.5)),
        ("width_m = 4.0\nlook_m = 1\n", (None, 4.0, 1.0)),
    ):
        file = tmp_path / "plan.toml"
        file.write_text(PLAN + more)
        plan = read_stage_plan(file)
        assert plan.camera["gallery"].place_m == (0.0, -14.0, 4.2)
        assert plan.seen(plan.shot[0]) == seen


@pytest.mark.parametrize(
    "wrong, instead, told",
    [
        ('size = "medium"', 'size = "medum"', 'line 7, field mark.soloist.size: it is "medum"'),
        ('size = "medium"', "", "line 9, field shot 1: it is not said how large it is to be seen"),
        ('size = "medium"', 'size = "full"\nwidth_m = 3.0', "line 8, field mark.soloist.width_m: size is given too"),
        ('mark = "soloist"', 'mark = "solist"', "there is no mark solist in the plan; did you mean soloist?"),
        ('camera = "gallery"', 'camera = "left"', "there is no camera left in the plan; there are gallery"),
        ("[1.6, 1.4]", "[1.6]", "line 6, field mark.soloist.place_m"),
        ("[0, -14.0, 4.2]", "[0, -14000, 4.2]", "line 4, field camera.gallery.place_m"),
        ("look_m", "looks", "line 8, field mark.soloist.looks: there is no setting 'looks'"),
        (
            PLAN[PLAN.index("[[shot]]") :],
            PLAN[PLAN.index("[[shot]]") :] * 2,
            "camera gallery has a shot soloist already",
        ),
    ],
)
def test_each_mistake_is_told_with_what_would_be_right(tmp_path: Path, wrong: str, instead: str, told: str) -> None:
    file = tmp_path / "plan.toml"
    assert PLAN.count(wrong) == 1
    file.write_text(PLAN.replace(wrong, instead))
    with pytest.raises(TextFileError) as mistakes:
        read_stage_plan(file)
    assert told in str(mistakes.value)
    assert len(mistakes.value.mistakes) == 1


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN.replace("-14.0", '"far"').replace('"medium"', "7").replace('mark = "soloist"', "mark = 3"))
    with pytest.raises(TextFileError) as mistakes:
        read_stage_plan(file)
    assert [each.line for each in mistakes.value.mistakes] == [4, 7, 11]
