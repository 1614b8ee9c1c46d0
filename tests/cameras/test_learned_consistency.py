"""Figures that can't all be so are no learned head, and the sentence says which two contradict each other."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ptzd.cameras.learning.consistency import require_consistent
from ptzd.cameras.learning.measurements import WholeMove
from ptzd.motion import FitError, HeadModel, Pose, published_head

STEPS = (5.0, 10.0, 20.0, 40.0)
HEAD = published_head(STEPS, STEPS)
# Trapezoidal profile, any machine-design handbook: 60° at 40°/s and 120°/s² take 1.833 s; 0.06 s to set out and 0.4 s
# of looking are assumed of every published head.
LONG, SECONDS = (Pose(-30.0, 0.0, 0.0, None), Pose(30.0, 0.0, 0.0, None)), 1.833 + 0.06 + 0.4


def moved(seconds: float) -> WholeMove:
    return WholeMove(*LONG, {"pan": 4, "tilt": 4}, seconds - 0.4, seconds)


def faster(share: float) -> HeadModel:
    return replace(HEAD, pan=replace(HEAD.pan, steps_deg_per_s=tuple(share * speed for speed in STEPS)))


def zooming(direct: float, fastest: float) -> HeadModel:
    drives = tuple(fastest * (number + 1) / 8 for number in range(8))
    return replace(HEAD, zoom=replace(HEAD.zoom, direct_counts_per_s=direct, drive_counts_per_s=drives))


@pytest.mark.parametrize("share", [0.9, 1.0, 1.1])
def test_a_unit_a_tenth_off_its_table_fits(share: float) -> None:
    require_consistent(faster(share), HEAD, [moved(SECONDS / share)] * 6)


@pytest.mark.parametrize(
    ("model", "moves", "says"),
    [
        (faster(0.25), [], "pan turns 0.25 times as fast as the table"),
        (faster(4.0), [], "right dialect"),
        (zooming(6745.0, 800.0), [], "6745 counts/s, driven at its fastest 800"),
        (zooming(300.0, 800.0), [], "slips or something holds the ring"),
        (HEAD, [moved(SECONDS), *[moved(SECONDS + 2.0)] * 5], r"5 of 6 moves took other times .* by 2.0 s"),
    ],
)
def test_what_contradicts_itself_is_refused_with_the_reason(
    model: HeadModel, moves: list[WholeMove], says: str
) -> None:
    with pytest.raises(FitError, match=says):
        require_consistent(model, HEAD, moves)


def test_one_move_that_was_held_up_on_the_network_spoils_nothing() -> None:
    require_consistent(HEAD, HEAD, [*[moved(SECONDS)] * 6, moved(SECONDS + 3.0)])
