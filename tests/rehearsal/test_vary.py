"""The chance of being ready is that of the closed form for normally distributed gaps."""

from __future__ import annotations

from math import erf, hypot, sqrt

import pytest
from evenings import two_cameras

from ptzd.files import read_show_text
from ptzd.rehearsal import vary

RUNS = 20_000
HEAD = '[show]\nname = "gaps"\nstart = { left = "home", right = "home" }\n'


def _chance(expected: float, deviation: float, needed: float) -> float:
    """How likely a normally distributed gap is as long as needed (closed form)."""
    return 0.5 * (1.0 + erf((expected - needed) / (deviation * sqrt(2.0))))


def _off_by(chance: float) -> float:
    """Four standard deviations of a share counted over all runs."""
    return 4.0 * sqrt(max(chance * (1.0 - chance), 1.0 / RUNS) / RUNS)


@pytest.mark.parametrize("expected", [2.0, 2.5, 3.0, 4.0])
@pytest.mark.parametrize("share", [0.1, 0.2, 0.3])
def test_one_gap_on_call(expected: float, share: float) -> None:
    # To the post it takes 90/60 + 60/120 = 2.0 s, and 0.5 s before and after.
    text = f"""{HEAD}
        [[cue]]
        number = 1
        on_call = true
        expected = {expected}
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        """
    (move,) = vary(read_show_text(text), two_cameras(), share=share, runs=RUNS, seed=7).moves
    chance = _chance(expected, share * expected, 2.5)
    assert move.ready_chance == pytest.approx(chance, abs=_off_by(chance))


@pytest.mark.parametrize("later", [0.0, 0.5])
def test_two_gaps_on_call_add_as_normal_gaps_do(later: float) -> None:
    # A move on air leaves with cue 1, or later, and its camera is next taken at cue 3.
    text = f"""{HEAD}
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "door"
        on_air = true
        seconds = 5
        earliest = {later}
        [[cue]]
        number = 2
        on_call = true
        expected = 3
        take = "right"
        [[cue]]
        number = 3
        on_call = true
        expected = 3
        take = "left"
        """
    (move,) = vary(read_show_text(text), two_cameras(), share=0.2, runs=RUNS, seed=7).moves
    chance = _chance(6.0 - later, hypot(0.6, 0.6), move.needed_seconds)
    assert 0.3 < chance < 0.9
    assert move.ready_chance == pytest.approx(chance, abs=_off_by(chance))


def test_gaps_of_half_a_second_stay_that_short() -> None:
    gap = "[[cue]]\nnumber = {}\non_call = true\nexpected = 0.5\ntake = {!r}\n"
    gaps = "".join(gap.format(number, "left" if number == 11 else "right") for number in range(2, 12))
    cue = '[[cue]]\nnumber = 1\nafter = 10\ntake = "left"\n'
    move = '[[cue.move]]\ncamera = "left"\nposition = "door"\non_air = true\nseconds = 5\n'
    (found,) = vary(read_show_text(HEAD + cue + move + gaps), two_cameras(), share=0.2, runs=RUNS, seed=7).moves
    chance = _chance(10 * 0.5, 0.1 * sqrt(10), found.needed_seconds)
    assert 0.05 < chance < 0.95
    assert found.ready_chance == pytest.approx(chance, abs=_off_by(chance))


def test_a_gap_that_is_not_on_call_does_not_vary() -> None:
    text = f"""{HEAD}
        [[cue]]
        number = 1
        on_call = true
        expected = 10
        [[cue]]
        number = 2
        after = 2.6
        [[cue.move]]
        camera = "left"
        position = "post"
        [[cue]]
        number = 3
        at = "0:01:00"
        [[cue]]
        number = 4
        after = 2.4
        [[cue.move]]
        camera = "right"
        position = "post"
        """
    left, right = vary(read_show_text(text), two_cameras(), share=0.2, runs=200, seed=7).moves
    assert (left.ready_chance, right.ready_chance) == (1.0, 0.0)


def test_a_move_that_is_not_made_is_never_ready() -> None:
    text = f"""{HEAD}
        on_air = "left"
        [[cue]]
        number = 1
        after = 60.0
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        """
    [move] = vary(read_show_text(text), two_cameras(), share=0.1, runs=10, seed=1).moves
    assert (move.made, move.ready_chance) == (False, 0.0)


def test_the_same_seed_draws_the_same_and_another_one_draws_others() -> None:
    text = f"{HEAD}\n[[cue]]\nnumber = 1\non_call = true\nexpected = 2.5\n" + (
        '[[cue.move]]\ncamera = "left"\nposition = "post"\n'
    )
    show = read_show_text(text)
    chances = [vary(show, two_cameras(), share=0.2, runs=5000, seed=seed).moves[0].ready_chance for seed in (1, 1, 2)]
    assert chances[0] == chances[1] != chances[2]
    varied = vary(show, two_cameras(), share=0.2, runs=3, seed=9).varied
    assert varied is not None
    assert (varied.share, varied.runs, varied.seed) == (0.2, 3, 9)


@pytest.mark.parametrize(("share", "runs"), [(-0.1, 5), (float("nan"), 5), (0.2, 0)])
def test_a_share_or_a_number_of_runs_that_makes_no_sense_is_refused(share: float, runs: int) -> None:
    show = read_show_text(f"{HEAD}\n[[cue]]\nnumber = 1\nafter = 1\n")
    with pytest.raises(ValueError, match="not"):
        vary(show, two_cameras(), share=share, runs=runs, seed=1)


def test_a_gap_is_never_below_zero_so_that_a_move_has_the_time_that_is_certain() -> None:
    # It is on air from cue 1 to cue 3, and cue 3 is 8 s after cue 2, which may come right after cue 1 but not before.
    text = f"""{HEAD}
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "door"
        on_air = true
        seconds = 5
        [[cue]]
        number = 2
        on_call = true
        expected = 1
        take = "right"
        [[cue]]
        number = 3
        after = 8
        take = "left"
        """
    (move,) = vary(read_show_text(text), two_cameras(), share=5.0, runs=500, seed=7).moves
    assert move.needed_seconds < 8.0
    assert move.ready_chance == 1.0
