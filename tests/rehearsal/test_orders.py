"""The verdicts on random small shows are those of a search that knows nothing but the show and the formula.

Every order of each camera's moves is tried, each move as early as it may leave; a show fits if in one of them every
move has ended by its cue, off air all along. The formula is the trapezoidal one, at 60°/s and 120°/s².
"""

from __future__ import annotations

from itertools import permutations, product
from math import sqrt

from evenings import PLACES, two_cameras
from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.files import ShowFile, read_show_text
from ptzd.rehearsal import rehearse

CAMERAS = ("left", "right")
GAPS = [0.7, 1.1, 1.6, 2.2, 2.7, 3.3, 5.0]  # none of which a move needs to the tenth
FLAT = ("home", "near", "door", "piano", "post")


@st.composite
def shows(draw: st.DrawFn) -> str:
    cues = []
    for number in range(1, draw(st.integers(1, 5)) + 1):
        cue = f"[[cue]]\nnumber = {number}\nafter = {draw(st.sampled_from(GAPS))}\n"
        take = draw(st.sampled_from([*CAMERAS, None]))
        if take:
            cue += f'take = "{take}"\n'
        for camera in CAMERAS:
            if draw(st.booleans()):
                place = draw(st.sampled_from(FLAT))
                cue += f'[[cue.move]]\ncamera = "{camera}"\nposition = "{place}"\nspare = true\n'
        cues.append(cue)
    return '[show]\nname = "random"\nstart = { left = "home", right = "home" }\n' + "\n".join(cues)


def _travel(from_: str, to: str) -> float:
    way = abs(PLACES[to][0] - PLACES[from_][0])
    return way / 60.0 + 0.5 if way >= 30.0 else 2.0 * sqrt(way / 120.0)


def _some_order_fits(show: ShowFile, camera: str) -> bool:
    times = [0.0]
    on_air: list[tuple[float, float]] = []
    for cue in show.cue:
        times.append(times[-1] + (cue.after or 0.0))
    taken = None
    for cue, at in zip(show.cue, times[1:], strict=True):
        if cue.take == camera and taken is None:
            taken = at
        elif cue.take not in (None, camera) and taken is not None:
            on_air.append((taken, at))
            taken = None
    if taken is not None:
        on_air.append((taken, float("inf")))
    wishes = [
        (times[index], times[index + 1], move.position)
        for index, cue in enumerate(show.cue)
        for move in cue.move
        if move.camera == camera
    ]
    return any(_fits(order, on_air) for order in permutations(wishes))


def _fits(order: tuple[tuple[float, float, str], ...], on_air: list[tuple[float, float]]) -> bool:
    now, stands = 0.0, "home"
    for opens, due, wanted in order:
        if wanted == stands:  # it is not sent
            now = max(now, opens)
            if now > due:
                return False
            continue
        start = max(now, opens)
        now = start + 0.1 + _travel(stands, wanted) + 0.4
        if now > due or any(begin < now and start < end for begin, end in on_air):
            return False
        stands = wanted
    return True


@settings(max_examples=150, deadline=None)
@given(shows())
def test_a_show_fits_exactly_if_some_order_of_moves_does(text: str) -> None:
    show = read_show_text(text)
    rehearsal = rehearse(show, two_cameras())
    for camera in CAMERAS:
        mine = [conflict for conflict in rehearsal.conflicts if conflict.camera == camera]
        assert (not mine) == _some_order_fits(show, camera)


@st.composite
def shows_on_air(draw: st.DrawFn) -> str:
    """With moves that leave at go, so that moves of one camera may run into each other and into its takes."""
    text = draw(shows())
    lines = []
    for block in text.split("[[cue]]"):
        lines.append(block)
        if "number" in block and draw(st.booleans()):
            seconds = draw(st.sampled_from([2.3, 4.1, 6.7]))
            camera = draw(st.sampled_from(CAMERAS))
            lines[-1] += (
                f'[[cue.move]]\ncamera = "{camera}"\nposition = "beam"\nspare = true\non_air = true\n'
                f"seconds = {seconds}\n\n"
            )
    return "[[cue]]".join(lines)


@settings(max_examples=150, deadline=None)
@given(shows_on_air())
def test_what_fits_is_seen_by_looking_at_every_pair_of_moves_and_takes(text: str) -> None:
    show = read_show_text(text)
    rehearsal = rehearse(show, two_cameras())
    told = {"taken-unsettled", "late", "still-on-air", "overlap"}
    if any(conflict.kind not in told for conflict in rehearsal.conflicts):
        return  # a pace that this head can't make: what would follow from it is not judged
    at = [cue.at_seconds for cue in rehearsal.cues]
    holders = [None, *(cue.on_air for cue in rehearsal.cues)]
    wrong = False
    for one, other in product(rehearsal.moves, repeat=2):
        if one.camera == other.camera and one.index < other.index and other.needed_seconds:
            wrong |= one.settled_seconds > other.start_seconds and other.settled_seconds > one.start_seconds
    for move in rehearsal.moves:
        if not move.at_go and move.needed_seconds:
            wrong |= move.settled_seconds > at[move.cue_index] or holders[move.cue_index] == move.camera
        for index, cue in enumerate(rehearsal.cues):
            goes_on_air = cue.take == move.camera and holders[index] != move.camera
            wrong |= goes_on_air and move.start_seconds < at[index] < move.settled_seconds
    assert rehearsal.fits == (not wrong)
