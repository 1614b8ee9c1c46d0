"""Where a show stands in its cues: what each key does, and what it does not do."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.cues import ListedCue, cue_list
from ptzd.cues.run import CueRun, ListedMove
from ptzd.files import read_show_text
from ptzd.positions import CuePlace
from ptzd.refusal import Refusal

NUMBERS = ("1", "2", "2.5", "10")
CUES = tuple(ListedCue(Decimal(number)) for number in NUMBERS)


def number(cue: ListedCue | None) -> str | None:
    return None if cue is None else str(cue.number)


def where(run: CueRun) -> tuple[str | None, str | None]:
    return number(run.standing), number(run.next)


def refusal(attempt: object, code: str) -> str:
    with pytest.raises(Refusal) as refused:
        attempt()  # type: ignore[operator]
    assert refused.value.code == code
    return refused.value.sentence


def test_a_show_begins_before_its_first_cue() -> None:
    assert where(CueRun(CUES)) == (None, "1")


def test_cues_run_in_the_order_of_their_numbers_not_of_their_digits() -> None:
    run = CueRun(tuple(reversed(CUES)))
    assert [number(run.go(None, now)) for now in range(4)] == ["1", "2", "2.5", "10"]
    assert where(run) == ("10", None)


def test_a_standby_steps_nowhere_but_says_which_cue_is_meant() -> None:
    run = CueRun(CUES)
    assert number(run.stand_by(None)) == "1"
    assert (where(run), run.standby) == ((None, "1"), True)
    assert number(run.stand_by(Decimal("2.5"))) == "2.5"
    assert where(run) == (None, "2.5")


def test_a_go_ends_the_standby() -> None:
    run = CueRun(CUES)
    run.stand_by(None)
    run.go(None, 0)
    assert not run.standby


def test_a_go_with_a_number_runs_that_cue_and_goes_on_from_there() -> None:
    run = CueRun(CUES)
    assert number(run.go(Decimal(2), 0)) == "2"
    assert where(run) == ("2", "2.5")


@pytest.mark.parametrize("seconds", [0.0, 0.1, 0.3])
def test_a_go_pressed_twice_within_three_tenths_counts_once(seconds: float) -> None:
    run = CueRun(CUES)
    run.go(None, 100.0)
    assert run.go(None, 100.0 + seconds) is None
    assert where(run) == ("1", "2")


def test_a_go_half_a_second_later_counts() -> None:
    run = CueRun(CUES)
    run.go(None, 100.0)
    assert number(run.go(None, 100.5)) == "2"


def test_what_is_on_air_is_what_the_cues_take_and_in_doubt_what_was_taken_before_too() -> None:
    takes = {"2": "left", "2.5": None, "10": "right"}
    run = CueRun([ListedCue(Decimal(each), take=takes.get(each)) for each in NUMBERS], on_air="gallery")
    seen = [set(run.on_air)]
    doings: list[Callable[[], object]] = [
        *(partial(run.go, None, at) for at in range(4)),
        run.back,  # over cue 10: nobody has told that left is seen again
        lambda: run.go(None, 10),
        lambda: run.jump(Decimal("2.5")),
        lambda: run.go(None, 20),  # takes none
        lambda: run.go(None, 30),
        lambda: run.jump(Decimal(1)),
        lambda: run.go(Decimal(2), 40),
        *(run.back, run.back),  # before the first cue, and left is seen as before
    ]
    for do in doings:
        do()
        seen.append(set(run.on_air))
    assert seen == [
        *({"gallery"}, {"gallery"}, {"left"}, {"left"}, {"right"}),
        *({"left", "right"}, {"right"}, {"left", "right"}, {"left", "right"}, {"right"}, {"gallery"}),
        *({"left"}, {"gallery", "left"}, {"gallery", "left"}),
    ]
    stood = CueRun(run.cues, CuePlace(Decimal("2.5"), Decimal(10), False), on_air="gallery")
    assert stood.on_air == {"left"}, "as after a restart"
    passed_over = CuePlace(Decimal("2.5"), Decimal(10), False, frozenset({"right"}))
    assert CueRun(run.cues, passed_over, on_air="gallery").on_air == {"left", "right"}, "right may still be seen"


def test_a_key_that_goes_on_bouncing_does_not_lock_out_the_next_go() -> None:
    run = CueRun(CUES)
    run.go(None, 100.0)
    run.go(None, 100.2)
    assert number(run.go(None, 100.4)) == "2", "the press before did not count, so it starts no wait of its own"


def test_how_close_two_presses_may_be_can_be_set() -> None:
    run = CueRun(CUES, once_within_seconds=2.0)
    run.go(None, 0)
    assert run.go(None, 1.5) is None


def test_a_second_go_at_once_for_another_cue_by_number_is_meant() -> None:
    run = CueRun(CUES)
    run.go(Decimal(1), 0)
    assert run.go(Decimal(1), 0.1) is None
    assert number(run.go(Decimal(10), 0.1)) == "10"


def test_a_second_go_at_once_for_what_has_just_become_the_next_counts_no_more_than_one_without_a_number() -> None:
    run = CueRun(CUES)
    run.go(Decimal(1), 0)
    assert run.go(Decimal(2), 0.28) is None
    assert number(run.go(Decimal(2), 0.3)) == "2"


def test_where_presses_may_come_as_close_as_they_like_each_counts() -> None:
    run = CueRun(CUES, once_within_seconds=0)
    assert [number(run.go(asked, 0)) for asked in (None, None, Decimal("2.5"))] == ["1", "2", "2.5"]


def test_a_press_that_repeats_the_last_cue_is_no_end_of_the_list() -> None:
    run = CueRun(CUES)
    run.go(Decimal(10), 0)
    assert run.go(None, 0.1) is None
    assert "cue 10 was the last" in refusal(lambda: run.go(None, 5), "at-end")


def test_back_takes_back_the_last_go_and_nothing_more() -> None:
    run = CueRun(CUES)
    run.go(None, 0)
    run.go(None, 5)
    assert number(run.back()) == "2"
    assert where(run) == ("1", "2")
    assert number(run.go(None, 5.1)) == "2", "who went back means the next go"
    run.back()
    run.back()
    assert where(run) == (None, "1")
    refusal(run.back, "at-start")


def test_a_jump_makes_a_cue_the_next_as_though_all_before_it_had_been_run() -> None:
    run = CueRun(CUES)
    run.stand_by(None)
    run.jump(Decimal("2.50"))
    assert (where(run), run.standby) == (("2", "2.5"), False)


def test_an_unknown_number_changes_nothing_and_is_answered_with_what_there_is() -> None:
    run = CueRun(CUES)
    run.go(None, 0)
    for attempt in (lambda: run.jump(Decimal(7)), lambda: run.stand_by(Decimal(7)), lambda: run.go(Decimal(7), 9)):
        assert "from 1 to 10" in refusal(attempt, "unknown-cue")
    assert "did you mean 2.5" in refusal(lambda: run.jump(Decimal("2.4")), "unknown-cue")
    assert where(run) == ("1", "2")


def test_a_hold_refuses_go_and_standby_but_not_finding_ones_place() -> None:
    run = CueRun(CUES)
    run.hold()
    assert "release" in refusal(lambda: run.go(None, 0), "held")
    refusal(lambda: run.stand_by(None), "held")
    run.jump(Decimal(10))
    run.back()
    assert where(run) == ("2", "2.5")
    run.release()
    assert number(run.go(None, 0)) == "2.5"


def test_a_show_without_cues_says_so() -> None:
    run = CueRun(())
    for attempt in (lambda: run.go(None, 0), lambda: run.stand_by(None), lambda: run.jump(Decimal(1))):
        refusal(attempt, "no-cues")


def test_two_cues_of_one_number_are_no_list() -> None:
    with pytest.raises(ValueError, match="same number"):
        CueRun((ListedCue(Decimal("1")), ListedCue(Decimal("1.0"))))


def test_a_show_stands_after_a_restart_where_it_stood_but_in_no_standby() -> None:
    run = CueRun(CUES)
    run.go(None, 0)
    run.stand_by(Decimal("2.5"))
    run.hold()
    again = CueRun(CUES, run.place)
    assert (where(again), again.held, again.standby) == (("1", "2.5"), True, False)


@pytest.mark.parametrize(
    ("place", "stands"),
    [
        (CuePlace(Decimal(3), Decimal(4)), ("2.5", "10")),  # both were taken out of the list
        (CuePlace(Decimal("0.5"), Decimal(1)), (None, "1")),
        (CuePlace(Decimal(10), Decimal(11)), ("10", None)),
        (CuePlace(Decimal("2.5"), None), ("2.5", "10")),  # it was the last, and cue 10 came after it
        (CuePlace(Decimal(10), None), ("10", None)),
        (CuePlace(None, None), (None, "1")),
    ],
)
def test_where_the_list_has_changed_the_neighbours_take_over(
    place: CuePlace, stands: tuple[str | None, str | None]
) -> None:
    assert where(CueRun(CUES, place)) == stands


def listed(*cues: str) -> list[ListedCue]:
    """Cues from their numbers, with a word each that tells what they are."""
    return [ListedCue(Decimal(number), label) for number, label in (cue.split(":") for cue in cues)]


SHOW = listed("1:doors", "2:solo", "3:wide", "3.5:solo", "11:bows")


@pytest.mark.parametrize(
    ("standing", "written", "stands", "sure"),
    [
        ("2", "1:doors 2:solo 3:wide 4:solo 5:bows", ("2", "3"), True),
        ("3", "1:doors 2:solo 3:wide 4:solo 5:bows", ("3", "4"), True),
        ("3.5", "1:doors 2:solo 3:wide 4:solo 5:bows", ("4", "5"), True),  # a cue like cue 2
        ("11", "1:doors 2:solo 3:wide 4:solo 5:bows", ("5", None), True),
        (None, "10:doors 20:solo 30:wide 40:solo 50:bows", (None, "10"), True),
        ("3", "1:new 2:doors 3:solo 4:wide 5:solo 6:bows", ("4", "5"), False),  # two cues are like the next
        ("2", "1:new 2:doors 3:solo 4:wide 5:solo 6:bows", ("2", "3"), False),
        ("3", "1:new 2:doors 3:solo 4:wide 5:other 6:bows", ("4", "5"), False),  # next: changed, and another number
        ("2", "1:new 2:doors 3:other 4:bows", ("2", "3"), False),
        ("2", "5:a 6:b 7:c 8:d 9:e", (None, "5"), False),
        ("2", "1:doors 2:duet 3:wide 3.5:solo 11:bows", ("2", "3"), True),  # only written otherwise
        ("3", "1:doors 2:solo 3.5:solo 11:bows", ("2", "3.5"), True),  # only taken out
        ("3", "1:doors 2:solo 3:wide 11:bows", ("3", "11"), True),
        ("3", "1:doors 2:solo 11:bows", ("2", "11"), False),  # both of them
        ("2", "1:doors 2:solo 2.5:new 3:wide 3.5:solo 11:bows", ("2", "2.5"), False),
        (None, "0:new 1:doors 2:solo 3:wide 3.5:solo 11:bows", (None, "0"), False),
        ("11", "1:doors 2:solo 3:wide 3.5:solo 11:bows 12:new", ("11", "12"), True),
        ("11", "1:doors 2:solo 3:wide 3.5:solo 11:waltz 12:new", ("11", "12"), False),
        ("11", "1:bows 2:doors 3:solo 4:wide 5:solo", ("1", "2"), False),
    ],
)
def test_a_show_that_is_numbered_anew_stays_at_its_cue_and_tells_where_that_is_in_doubt(
    standing: str | None, written: str, stands: tuple[str | None, str | None], sure: bool
) -> None:
    run = CueRun(SHOW)
    if standing is not None:
        run.go(Decimal(standing), 0.0)
    now = listed(*written.split())
    place, surely = run.place_among(now)
    assert surely is sure
    assert where(CueRun(now, place)) == where(run.written_anew(now, start={}, on_air=None)) == stands


@pytest.mark.parametrize(
    ("old", "standing", "new", "stands", "sure"),
    [
        # The next cue was moved
        ("4:A 5:B 6:C 7:D 8:E", "4", "4:A 6:C 7:D 8:E 9:B", ("4", "6"), False),
        ("4:A 5:B 6:C 7:D 8:E", "4", "3:B 4:A 6:C 7:D 8:E", ("4", "3"), False),
        ("4:t 5:B 6:C 7:D 8:t", "4", "4:t 6:C 7:D 8:t 9:B", ("4", "6"), False),
        ("1:A 2:B 3:C 4:D", "1", "1:A 2:D 3:C 4:B", ("1", "2"), False),
        ("1:A 2:B 3:C", "1", "1:B 2:A 3:C", ("2", "1"), False),
        # The standing cue was moved
        ("4:A 5:B 6:C 7:D", "4", "5:B 6:C 6.5:A 7:D", ("6.5", "5"), False),
        ("4:A 5:t 6:C 8:t", "4", "5:t 6:C 7:A 8:t", ("7", "5"), False),
        # A cue was put in and all numbered anew
        ("1:A 2:B 3:C 4:D", "2", "1:A 2:B 3:N 4:C 5:D", ("2", "3"), False),
        ("1:A 2:B 3:C 4:D", "2", "1:A 2:N 3:B 4:C 5:D", ("3", "4"), True),
        ("1:A 2:B 3:C 4:D", "2", "1:A 2:B 3:C 4:N 5:D", ("2", "3"), True),
        ("1:t 2:t 3:t 4:X", "2", "1:N 2:t 3:t 4:t 5:X", ("2", "3"), False),
        # Numbered anew and changed in one go
        ("1:A 2:B 3:C 4:D", "2", "1:A 2:X 3:B' 4:C' 5:D'", ("2", "3"), False),
        ("1:A 2:B 3:C 4:D", "1", "1:A 2:X 3:B' 4:C' 5:D'", ("1", "2"), False),
        ("1:A 2:B 3:C 4:D", "3", "1:A 2:X 3:B' 4:C' 5:D'", ("3", "4"), False),
        ("1:A 2:B 3:C 4:D", "2", "1:X 2:B' 3:C 4:D 5:E", ("2", "3"), False),
        # Another evening with the same numbers
        ("1:A 2:B 3:C 4:D", "2", "1:E 2:F 3:G 4:H", ("2", "3"), False),
        ("1:A 2:B", "1", "1:E 2:F", ("1", "2"), False),
        # Changed where they are, or elsewhere
        ("1:A 2:B 3:C 4:D", "2", "1:A 2:B 3:C' 4:D", ("2", "3"), True),
        ("1:A 2:B 3:C 4:D", "2", "1:A 2:B' 3:C 4:D", ("2", "3"), True),
        ("1:A 2:B 3:C 4:D", "3", "1:A 2:B 3:C 4:D'", ("3", "4"), True),
        ("1:A 2:B 3:C 4:D", None, "1:A' 2:B 3:C 4:D", (None, "1"), True),
        ("1:A 2:B 3:C 4:D 5:E", "2", "1:X 2:B 3:C 4:E 5:D 6:F", ("2", "3"), True),
        ("1:t 2:t 3:t 4:t", "2", "1:t 2:t 3:t 4:u", ("2", "3"), True),
        ("1:t 2:t 3:t 4:t", "2", "1:t 2:t 3:t 4:t 5:t", ("2", "3"), True),
        ("1:t 2:t 3:t 4:t", "2", "1:t 2:t 3:u 4:t", ("2", "3"), True),
        ("", None, "1:A 2:B", (None, "1"), True),
        ("1:A", "1", "", (None, None), True),
    ],
)
def test_the_place_is_sure_only_where_the_standing_and_the_next_cue_are_beyond_doubt(
    old: str, standing: str | None, new: str, stands: tuple[str | None, str | None], sure: bool
) -> None:
    run, now = CueRun(listed(*old.split())), listed(*new.split())
    if standing is not None:
        run.go(Decimal(standing), 0.0)
    place, surely = run.place_among(now)
    assert where(CueRun(now, place)) == where(run.written_anew(now, start={}, on_air=None)) == stands
    assert surely is sure


@pytest.mark.parametrize(
    ("new", "stands", "sure"),
    [
        ("1:A 1.5:N 2:B 3:C 4:D 5:E", ("1", "4"), True),  # between them, as others are
        ("1:A 2:B 3:C' 4:D 5:E", ("1", "4"), True),
        ("10:A 20:B 30:N 40:C 50:D 60:E", ("10", "50"), True),
        ("1:A 4:D 5:E", ("1", "4"), False),  # nothing is between them any more
        ("1:A 2:B 3:C 6:D' 7:E", ("1", "6"), False),
    ],
)
def test_a_next_cue_that_a_standby_chose_stays_so(new: str, stands: tuple[str, str], sure: bool) -> None:
    run, now = CueRun(listed("1:A", "2:B", "3:C", "4:D", "5:E")), listed(*new.split())
    run.go(None, 0.0)
    run.stand_by(Decimal(4))
    place, surely = run.place_among(now)
    assert (where(CueRun(now, place)), surely) == (stands, sure)


def test_a_cue_in_standby_stays_so_though_one_is_put_in_before_it() -> None:
    run, now = CueRun(listed("1:A", "2:B")), listed("1:A", "1.5:N", "2:B")
    run.go(None, 0.0)
    run.stand_by(None)
    anew = run.written_anew(now, start={}, on_air=None)
    assert (where(anew), anew.standby) == (("1", "2"), True)
    assert not run.place_among(now)[1], "and that is told"


KEYS = st.lists(
    st.tuples(
        st.sampled_from(["stand_by", "go", "back", "jump", "hold", "release"]),
        st.sampled_from([None, *NUMBERS, "7"]),
        st.floats(0.0, 1.0),
    ),
    max_size=30,
)


@given(KEYS)
def test_whatever_is_pressed_the_next_cue_comes_after_the_standing_one_unless_a_standby_chose_it(keys: object) -> None:
    run, now = CueRun(CUES), 0.0
    for key, digits, pause in keys:  # type: ignore[attr-defined]
        now += pause
        wanted = None if digits is None else Decimal(digits)
        before, was_held = run.place, run.held
        try:
            match key:
                case "go":
                    run.go(wanted, now)
                case "stand_by":
                    run.stand_by(wanted)
                case "jump":
                    run.jump(wanted or Decimal(1))
                case _:
                    getattr(run, key)()
        except Refusal:
            assert run.place == before
        if was_held and key in ("go", "stand_by"):
            assert run.place == before
        if key in ("go", "jump", "back") and run.place != before and run.standing is not None:
            assert run.next is None or run.next.number > run.standing.number
        again = CueRun(CUES, run.place)
        assert (again.place, again.on_air) == (run.place, run.on_air)


def test_a_show_file_becomes_a_list_of_cues() -> None:
    show = read_show_text(
        """
        [show]
        name = "granary-evening"
        [[cue]]
        number = 1
        label = "Doors"
        after = 10.0
        [[cue]]
        number = 12.5
        after = 20.0
        take = "left"
        [[cue.move]]
        camera = "right"
        position = "hands"
        speed = 8
        earliest = -5.0
        [[cue.move]]
        camera = "left"
        position = "piano"
        seconds = 6.0
        on_air = true
        earliest = 2.0
        """
    )
    assert cue_list(show) == (
        ListedCue(Decimal(1), "Doors"),
        ListedCue(
            Decimal("12.5"),
            take="left",
            moves=(
                ListedMove("right", "hands", speed=8, after_seconds=15.0),
                ListedMove("left", "piano", seconds=6.0, on_air=True, after_seconds=2.0),
            ),
        ),
    )
