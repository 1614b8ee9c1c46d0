"""A lane tells without gaps what a camera does, and the evening breaks into rows in which its cues can be read."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from hypothesis import given
from made_evenings import air, cue, evenings, made, move

from ptzd.rehearsal import Rehearsal
from ptzd.report.lanes import Row, Stretch, lanes, row_seconds, rows, span


def test_a_camera_stands_moves_settles_and_stands_again() -> None:
    evening = made(cameras=("left",), cues=(cue(1, 20.0),), moves=(move("left", "post", 5.0, 2.0, 0.5),), seconds=30.0)
    [lane] = lanes(evening)
    assert lane.stretches == (
        Stretch("standing", False, 0.0, 5.0, "home", None),
        Stretch("slewing", False, 5.0, 7.0, "post", 0),
        Stretch("settling", False, 7.0, 7.5, "post", 0),
        Stretch("standing", False, 7.5, 30.0, "post", None),
    )


def test_a_stretch_is_cut_where_the_camera_goes_on_air_and_off_it() -> None:
    evening = made(
        cameras=("left",),
        cues=(cue(1, 6.0), cue(2, 7.25)),
        moves=(move("left", "post", 5.0, 2.0, 0.5),),
        on_air=(air("left", 6.0, 7.25),),
        seconds=10.0,
    )
    [lane] = lanes(evening)
    assert [(s.state, s.on_air, s.from_seconds, s.until_seconds) for s in lane.stretches] == [
        ("standing", False, 0.0, 5.0),
        ("slewing", False, 5.0, 6.0),
        ("slewing", True, 6.0, 7.0),
        ("settling", True, 7.0, 7.25),
        ("settling", False, 7.25, 7.5),
        ("standing", False, 7.5, 10.0),
    ]


def test_a_move_that_leaves_too_early_cuts_the_one_before_short() -> None:
    moves = (move("left", "post", 0.0, 4.0, 0.5), move("left", "far", 3.0, 1.0, 0.5, index=1))
    [lane] = lanes(made(cameras=("left",), cues=(cue(1, 10.0),), moves=moves, seconds=10.0))
    assert [(s.state, s.from_seconds, s.until_seconds, s.position) for s in lane.stretches] == [
        ("slewing", 0.0, 3.0, "post"),
        ("slewing", 3.0, 4.0, "far"),
        ("settling", 4.0, 4.5, "far"),
        ("standing", 4.5, 10.0, "far"),
    ]


def test_a_move_that_is_not_made_is_shown_as_asked_for_and_the_camera_stands_where_it_was() -> None:
    asked = replace(move("left", "post", 5.0, 2.0, 0.5), made=False)
    [lane] = lanes(made(cameras=("left",), cues=(cue(1, 20.0),), moves=(asked,), seconds=30.0))
    assert lane.stretches[-1] == Stretch("standing", False, 7.5, 30.0, "home", None)
    assert lane.stretches[1].position == "post"


def test_a_camera_that_never_moves_stands_all_evening_nobody_knows_where() -> None:
    [lane] = lanes(made(cameras=("left",), cues=(cue(1, 10.0),), seconds=10.0))
    assert lane.stretches == (Stretch("standing", False, 0.0, 10.0, None, None),)


def test_a_camera_that_never_moves_is_said_to_stand_where_the_show_says() -> None:
    [lane] = lanes(made(cameras=("left",), cues=(cue(1, 10.0),), seconds=10.0, start={"left": "post"}))
    assert lane.stretches == (Stretch("standing", False, 0.0, 10.0, "post", None),)


@given(evenings())
def test_a_lane_has_no_gap_and_is_on_air_just_as_long_as_its_camera(evening: Rehearsal) -> None:
    begin, end = span(evening)
    for lane in lanes(evening):
        assert all(one.until_seconds == other.from_seconds for one, other in pairwise(lane.stretches))
        assert all(stretch.from_seconds < stretch.until_seconds for stretch in lane.stretches)
        if end > begin:
            assert (lane.stretches[0].from_seconds, lane.stretches[-1].until_seconds) == (begin, end)
        on_air = sum(s.until_seconds - s.from_seconds for s in lane.stretches if s.on_air)
        expected = sum(s.until_seconds - s.from_seconds for s in evening.on_air if s.camera == lane.camera)
        assert abs(on_air - expected) < 1e-6


@given(evenings())
def test_each_cue_is_in_one_row_and_rows_follow_each_other(evening: Rehearsal) -> None:
    broken = rows(evening, row_seconds(evening))
    assert all(one.until_seconds == other.from_seconds for one, other in pairwise(broken))
    for shown in evening.cues:
        [row] = [row for row in broken if row.from_seconds <= shown.at_seconds < row.until_seconds]
        assert not row.quiet
    assert broken[-1].until_seconds >= span(evening)[1]


def test_a_long_pause_is_one_quiet_row() -> None:
    evening = made(cameras=("left",), cues=(cue(1, 30.0), cue(2, 4000.0)), seconds=4000.0)
    assert rows(evening, 600) == (
        Row(0, 600, quiet=False),
        Row(600, 3600, quiet=True),
        Row(3600, 4200, quiet=False),
    )


def test_the_rows_go_on_to_the_end_of_a_show_that_ends_long_after_its_last_cue() -> None:
    evening = made(cameras=("left",), cues=(cue(1, 30.0),), seconds=4000.0)
    assert rows(evening, 600) == (Row(0, 600, quiet=False), Row(600, 4200, quiet=True))


def test_two_hours_with_three_hundred_cues_are_twelve_rows_of_ten_minutes() -> None:
    evening = made(cues=tuple(cue(n, n * 24.0 - 1) for n in range(1, 301)), seconds=7200.0)
    assert row_seconds(evening) == 600
    assert len(rows(evening, 600)) == 12


def test_a_short_evening_gets_shorter_rows_so_that_its_labels_stay_whole() -> None:
    evening = made(cues=tuple(cue(n, n * 22.0) for n in range(1, 25)), seconds=541.0)
    assert row_seconds(evening) == 300
    assert row_seconds(made(cues=(cue(1, 20.0),), seconds=25.0)) == 30


def test_cues_that_come_thick_get_shorter_rows_even_in_a_long_evening() -> None:
    evening = made(cues=tuple(cue(n, n * 6.0 - 1) for n in range(1, 1201)), seconds=7200.0)
    assert row_seconds(evening) == 120  # 20 cues a row; 30 would be in three minutes
