"""What a move needs is a range: it fits by the late end alone, is tight in between, and what nobody knows is told.

The formula is that of any machine-design handbook (t = d/v + v/a): 90° at 60°/s and 120°/s² take 2.000 s, with 0.1 s
before and 0.4 s after it 2.5 s. The heads here are doubtful in nothing but what each test says.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace
from math import exp

import pytest
from evenings import PLAIN, camera

from ptzd.files import read_show_text
from ptzd.motion import HeadModel, Spread
from ptzd.rehearsal import (
    PlannedMove,
    Rehearsal,
    RehearsedCamera,
    doubts,
    fit_text,
    rehearse,
    reservations,
    vary,
    verdict,
)
from ptzd.rehearsal.chance import chance_within

HOME = '[show]\nname = "small"\nstart = { left = "home", right = "home" }\n'
SURE = Spread(0.0, 0.0, 0.0, 0.0, 0.0)
MEASURED = replace(PLAIN, origin="learned")
# The time after it has stopped is off by a factor whose logarithm deviates by 0.2; 2.25 deviations are e^0.45 = 1.5683:
# 0.2551 s to 0.6273 s in place of 0.4 s, so that 2.5 s are 2.3551 s to 2.7273 s.
DOUBTFUL = replace(MEASURED, spread=replace(SURE, settling=0.2))


def cameras(head: HeadModel) -> dict[str, RehearsedCamera]:
    return {"left": camera("left", head=head), "right": camera("right", head=head)}


def gap(seconds: float, heading: str = HOME, extra: str = "") -> str:
    return f'{heading}[[cue]]\nnumber = 1\nafter = {seconds}\n{extra}[[cue.move]]\ncamera = "left"\nposition = "post"\n'


def rehearsed(text: str, of: Mapping[str, RehearsedCamera]) -> Rehearsal:
    return rehearse(read_show_text(text), of)


def only(rehearsal: Rehearsal) -> PlannedMove:
    [move] = rehearsal.moves
    return move


@pytest.mark.parametrize(
    ("has", "fit", "kinds"),
    [(2.73, "fits", []), (2.72, "tight", ["tight"]), (2.36, "tight", ["tight"]), (2.35, "late", ["late"])],
)
def test_a_move_fits_by_the_late_end_of_its_range_alone(has: float, fit: str, kinds: list[str]) -> None:
    rehearsal = rehearsed(gap(has), cameras(DOUBTFUL))
    assert [conflict.kind for conflict in rehearsal.conflicts] == kinds
    assert only(rehearsal).fit == fit
    assert rehearsal.fits == (fit == "fits")
    assert only(rehearsal).margin_seconds == pytest.approx(has - 2.7273, abs=0.001)


def test_a_take_or_a_next_move_within_the_range_is_tight_and_not_told_twice() -> None:
    taken = gap(2.5, extra='take = "left"\n')
    [conflict] = rehearsed(taken, cameras(DOUBTFUL)).conflicts
    assert conflict.kind == "tight"
    assert "it needs 2.50 s (2.36 to 2.73) and has 2.50 s before cue 1 takes it" in conflict.sentence
    assert conflict.sentence.endswith("its chance to be in time is 50\u00a0%")
    # On air from 10 s on, in 5 s give or take 0.15 s, and still 0.4 s later, 0.2551 s to 0.6273 s: until 15.6725 s.
    on_air = """
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
        after = 5.5
        take = "right"
        [[cue]]
        number = 3
        after = 20
        [[cue.move]]
        camera = "left"
        position = "post"
        """
    [conflict] = rehearsed(HOME + on_air, cameras(DOUBTFUL)).conflicts
    assert (conflict.kind, conflict.cue_number) == ("tight", 3.0)
    assert "it leaves 5.50 s after the move to door for cue 1" in conflict.sentence
    assert rehearsed(HOME + on_air.replace("5.5", "5.8"), cameras(DOUBTFUL)).fits


def test_the_chance_of_a_tight_move_is_that_of_heads_drawn_from_its_doubts() -> None:
    """20,000 heads, each figure off by itself. The chance takes them as normal, which costs some hundredths."""
    spread = Spread(speed=0.05, acceleration=0.2, lens=0.0, latency=0.3, settling=0.3)
    rng = random.Random(3)

    def off(deviation: float) -> float:
        return exp(rng.gauss(0.0, deviation))

    def drawn() -> float:
        speed, acceleration = 60.0 * off(0.05), 120.0 * off(0.2)
        return 0.1 * off(0.3) + 90.0 / speed + speed / acceleration + 0.4 * off(0.3)

    heads = [drawn() for _ in range(20_000)]
    for has in (2.35, 2.5, 2.6, 2.75):
        move = only(rehearsed(gap(has), cameras(replace(MEASURED, spread=spread))))
        share = sum(seconds <= has for seconds in heads) / len(heads)
        assert 0.1 < share < 0.96
        assert move.fit == "tight"
        assert move.ready_chance == pytest.approx(share, abs=0.07)


def test_a_head_that_was_never_measured_is_told_as_that_and_everything_does_not_just_fit() -> None:
    never = rehearsed(gap(60), cameras(PLAIN))
    assert doubts(only(never)) == ["not measured"]
    assert verdict(never) == "Everything fits, but not all figures are measured."
    assert [said.split(":")[0] for said in reservations(never)] == ["Not measured"]
    measured = rehearsed(gap(60), cameras(MEASURED))
    assert (doubts(only(measured)), verdict(measured), [*reservations(measured)]) == ([], "Everything fits.", [])
    assert "not measured" in rehearsed(gap(1), cameras(PLAIN)).conflicts[0].sentence


def test_a_start_that_nobody_knows_is_said_to_be_unknown() -> None:
    """From 170° to the left it is 260°, 4.833 s on its way, and 5.333 s in all; or it may be there already."""
    heading = '[show]\nname = "unknown"\n'
    late, tight = (rehearsed(gap(has, heading), cameras(MEASURED)) for has in (5.34, 5.33))
    for rehearsal in (late, tight):
        assert (only(rehearsal).start_known, doubts(only(rehearsal))) == (False, ["start unknown"])
        assert [said.split(".")[0] for said in reservations(rehearsal)] == ["Start unknown: left"]
    assert late.fits
    [conflict] = tight.conflicts
    assert (conflict.kind, only(tight).ready_chance, fit_text(only(tight), varied=True)) == ("tight", None, "tight")
    assert "up to 5.33 s (start unknown)" in conflict.sentence
    assert "chance can't be told" in conflict.sentence


@pytest.mark.parametrize(("has", "chance"), [(2.5, 0.5), (2.601, 0.8413), (2.4356, 0.1587)])
def test_the_times_of_moves_are_drawn_from_their_ranges_too(has: float, chance: float) -> None:
    """Nothing else varies here. One deviation from the middle is 84.13 % or 15.87 % (tables of the normal curve)."""
    [move] = vary(read_show_text(gap(round(has, 4))), cameras(DOUBTFUL), share=0.2, runs=20_000, seed=5).moves
    assert move.ready_chance == pytest.approx(chance, abs=0.015)


def test_only_the_late_end_makes_a_hundred_per_cent() -> None:
    """Of three evenings all are ready nearly always, a hundredth of a second before the late end; and yet."""
    for has, said in ((2.73, {"fits 100\u00a0%"}), (2.3, {"late 0\u00a0%"})):
        assert _said(has) == said
    assert "tight 83\u00a0%" in _said(2.72)  # half an evening short of all three
    assert "tight 17\u00a0%" in _said(2.36)
    assert not (_said(2.72) | _said(2.36)) & {"tight 100\u00a0%", "tight 0\u00a0%"}


def _said(has: float) -> set[str]:
    show = read_show_text(gap(has))
    moves = (vary(show, cameras(DOUBTFUL), share=0.0, runs=3, seed=seed).moves for seed in range(20))
    return {fit_text(move, varied=True) for [move] in moves}


@pytest.mark.parametrize(
    ("seconds", "least", "most", "chance"),
    [
        # The table of the normal distribution: 0.98778 lies below 2.25 deviations, 0.86864 below 1.12.
        (2.5, 2.0, 4.0, 0.5),
        (4.0, 2.0, 4.0, 0.98778),
        (2.0, 2.0, 4.0, 0.01222),
        (2.5 + 1.12 / 2.25 * 1.5, 2.0, 4.0, 0.86864),
        (2.5, 2.5, 2.5, 1.0),
        (2.49, 2.5, 2.5, 0.0),
        (2.49, 2.5, 4.0, 0.0),
        (2.51, 2.0, 2.5, 1.0),
    ],
)
def test_how_likely_a_move_of_two_and_a_half_seconds_has_settled_is_what_the_table_says(
    seconds: float, least: float, most: float, chance: float
) -> None:
    assert chance_within(seconds, 2.5, least, most) == pytest.approx(chance, abs=2e-5)
