"""A rehearsal's times are those of the formula, worked out by hand, and each thing that does not fit is told once.

The formula is that of any machine-design handbook (trapezoidal profile): t = d/v + v/a, or 2·sqrt(d/a) where d is
less than v²/a. Of the plain head, at 60°/s and 120°/s²: 7.5° 0.500 s, 30° 1.000 s, 45° 1.250 s, 60° 1.500 s, 80°
1.833 s, 90° 2.000 s, 150° 3.000 s; at 20°/s: 90° 4.667 s; at 5°/s: 30° 6.042 s. The zoom at 5000 counts/s and 20000
counts/s²: 1250 counts 0.500 s, 10000 counts 2.250 s. Before it 0.1 s until the order is obeyed, after it 0.4 s
until the picture is still.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from evenings import CONFIGS, DIALECT, EVENING, LENS, PLACES, TABLED, camera, granary, stored, two_cameras

from ptzd.cameras import Lock
from ptzd.files import Change, read_show_text
from ptzd.rehearsal import Rehearsal, fix, rehearse
from ptzd.rehearsal.moves import Company
from ptzd.rehearsal.trial import key_of

HOME = '[show]\nname = "small"\nstart = { left = "home", right = "home" }\n'

# name, what follows the heading, (camera, position, leaves, travels, settled, margin) of each move, what does not fit
BY_HAND = [
    (
        "a camera is taken after it has settled",
        """
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        """,
        [("left", "post", 0.0, 2.0, 2.5, 7.5)],
        [],
    ),
    (
        "a camera is taken half a second too early",
        """
        [[cue]]
        number = 1
        after = 2
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        """,
        [("left", "post", 0.0, 2.0, 2.5, -0.5)],
        ["taken-unsettled"],
    ),
    (
        "a slow move leaves with the cue before and just fits",
        """
        [[cue]]
        number = 1
        at = "0:00:30"
        take = "left"
        [[cue]]
        number = 2
        after = 5.5
        take = "right"
        [[cue.move]]
        camera = "right"
        position = "post"
        speed = 2
        """,
        [("right", "post", 30.0, 4.667, 35.167, 0.333)],
        [],
    ),
    (
        "a way too short for its top speed",
        """
        [[cue]]
        number = 1
        on_call = true
        expected = 0.9
        [[cue.move]]
        camera = "left"
        position = "near"
        """,
        [("left", "near", 0.0, 0.5, 1.0, -0.1)],
        ["late"],
    ),
    (
        "the zoom is the slowest",
        """
        [[cue]]
        number = 1
        after = 4
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "face"
        """,
        [("left", "face", 0.0, 2.25, 2.75, 1.25)],
        [],
    ),
    (
        "the tilt is the slowest of three",
        """
        [[cue]]
        number = 1
        after = 3
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "roof"
        """,
        [("left", "roof", 0.0, 1.833, 2.333, 0.667)],
        [],
    ),
    (
        "one move after another, each from where the last one ended",
        """
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        [[cue]]
        number = 2
        after = 5
        take = "right"
        [[cue]]
        number = 3
        after = 3.4
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "piano"
        """,
        [("left", "post", 0.0, 2.0, 2.5, 7.5), ("left", "piano", 15.0, 3.0, 18.5, -0.1)],
        ["taken-unsettled"],
    ),
    (
        "a move is asked of a camera still on air",
        """
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue]]
        number = 2
        after = 10
        take = "right"
        [[cue.move]]
        camera = "left"
        position = "door"
        """,
        [("left", "door", 10.0, 1.0, 11.5, 8.5)],
        ["still-on-air"],
    ),
    (
        "a camera on air until its cue leaves with the cue, and from there to the next",
        """
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue]]
        number = 2
        after = 10
        take = "right"
        [[cue.move]]
        camera = "left"
        position = "door"
        spare = true
        [[cue]]
        number = 3
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        """,
        [("left", "door", 10.0, 1.0, 11.5, 8.5), ("left", "post", 20.0, 1.5, 22.0, 8.0)],
        ["still-on-air"],
    ),
    (
        "a camera on air beyond its cue stays, and its next move leaves from where it was",
        """
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue]]
        number = 2
        after = 10
        [[cue.move]]
        camera = "left"
        position = "door"
        [[cue]]
        number = 3
        after = 10
        take = "right"
        [[cue]]
        number = 4
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        """,
        [("left", "door", 10.0, 1.0, 11.5, 8.5), ("left", "post", 30.0, 2.0, 32.5, 7.5)],
        ["still-on-air"],
    ),
    (
        "two cues want one camera",
        """
        [[cue]]
        number = 1
        after = 10
        [[cue.move]]
        camera = "left"
        position = "door"
        [[cue]]
        number = 2
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        """,
        [("left", "door", 0.0, 1.0, 1.5, 8.5), ("left", "post", 10.0, 1.5, 12.0, 8.0)],
        ["wanted-twice"],
    ),
    (
        "it leaves late on purpose, and must be there some time before its cue",
        """
        [[cue]]
        number = 1
        after = 10
        take = "right"
        [[cue.move]]
        camera = "left"
        position = "beam"
        earliest = -3.0
        latest = -1.5
        """,
        [("left", "beam", 7.0, 1.25, 8.75, -0.25)],
        ["late"],
    ),
]


@pytest.mark.parametrize(("cues", "rows", "kinds"), [each[1:] for each in BY_HAND], ids=[each[0] for each in BY_HAND])
def test_a_show_worked_out_by_hand(cues: str, rows: list[tuple[object, ...]], kinds: list[str]) -> None:
    rehearsal = rehearse(read_show_text(HOME + cues), two_cameras())
    found = [
        (
            move.camera,
            move.position,
            move.start_seconds,
            move.arrival_seconds - move.start_seconds - 0.1,
            move.settled_seconds,
            move.margin_seconds,
        )
        for move in rehearsal.moves
    ]
    assert [row[:2] for row in found] == [row[:2] for row in rows]
    for mine, by_hand in zip(found, rows, strict=True):
        assert mine[2:] == pytest.approx(by_hand[2:], abs=0.005)
    assert _kinds(rehearsal) == kinds
    assert rehearsal.fits == (not kinds)
    for move in rehearsal.moves:
        late = move.margin_seconds is not None and move.margin_seconds < 0
        assert (move.fit == "fits") == (not late) or move.fit == "unfit"


def test_a_camera_is_on_air_from_its_take_until_another_is_taken() -> None:
    text = HOME + "".join(
        f'[[cue]]\nnumber = {number}\nafter = {after}\ntake = "{take}"\n'
        for number, after, take in ((1, 10, "left"), (2, 5, "left"), (3, 4, "right"), (4, 3, "left"))
    )
    rehearsal = rehearse(read_show_text(text), two_cameras())
    stretches = [(each.camera, each.cue_number, each.from_seconds, each.until_seconds) for each in rehearsal.on_air]
    assert stretches[:2] == [("left", 1, 10.0, 19.0), ("right", 3, 19.0, 22.0)]


# On air


def test_a_move_on_air_runs_into_the_next_move_of_its_camera() -> None:
    # It leaves with cue 1 at 10 s, 5 s long, and settles at 15.4 s; at 13 s the camera is sent on, 2.4 s too early.
    show = """
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
        after = 3
        take = "right"
        [[cue]]
        number = 3
        after = 20
        [[cue.move]]
        camera = "left"
        position = "post"
        """
    rehearsal = rehearse(read_show_text(HOME + show), two_cameras())
    assert _kinds(rehearsal) == ["overlap"]
    first, second = rehearsal.moves
    assert first.settled_seconds == pytest.approx(15.4, abs=0.2)  # a shaped move keeps its seconds to 0.15 s
    assert (rehearsal.conflicts[0].from_seconds, second.start_seconds) == (13.0, 13.0)
    assert (first.fit, second.fit) == ("late", "unfit"), "that leaves while the other one runs"
    assert (first.pan_deg, second.pan_deg) == pytest.approx((30.0, 60.0), abs=0.02), "from the door, and not from home"
    # Cue 3 comes at 33 s, and the first may take 0.15 s longer: so 17.45 s before, rounded to the tenth after.
    assert _changes(rehearsal, "later-start")[0].value == -17.4
    assert rehearse(read_show_text(fix(HOME + show, two_cameras()).text), two_cameras()).fits


def test_a_remedy_that_leaves_less_to_wait_for_has_not_solved_it() -> None:
    text = HOME + '[[cue]]\nnumber = 1\nafter = 2\ntake = "left"\n[[cue.move]]\ncamera = "left"\nposition = "post"\n'
    (conflict,) = rehearse(read_show_text(text), two_cameras()).conflicts
    alike = [replace(conflict, kind=kind) for kind in ("taken-unsettled", "late", "tight")]
    assert len({key_of(each) for each in alike}) == 1
    assert key_of(replace(conflict, kind="locked")) not in map(key_of, alike)


def test_a_camera_is_taken_back_while_its_move_on_air_still_runs() -> None:
    show = """
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
        after = 2
        take = "right"
        [[cue]]
        number = 3
        after = 2
        take = "left"
        """
    rehearsal = rehearse(read_show_text(HOME + show), two_cameras())
    assert _kinds(rehearsal) == ["taken-unsettled"]
    assert rehearsal.moves[0].due_seconds == 14.0


def test_a_move_that_stays_on_air_is_waited_for_by_nobody() -> None:
    show = """
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "door"
        on_air = true
        seconds = 5
        """
    rehearsal = rehearse(read_show_text(HOME + show), two_cameras())
    assert rehearsal.fits
    assert rehearsal.moves[0].margin_seconds is None
    assert rehearsal.seconds == rehearsal.moves[0].settled_seconds


PAN_ON_AIR = """
    [[cue]]
    number = 1
    after = 10
    take = "left"
    [[cue.move]]
    camera = "left"
    position = "post"
    on_air = true
    """


def test_a_pan_on_air_that_is_too_fast_to_watch_is_told_with_a_length_that_can_be_watched() -> None:
    # 28 mm on 36 mm is 65.5° wide: at 24 frames/s 9.35°/s, at 25 frames/s 9.74°/s ("Panning speed best practices",
    # RED 101). 90° at 9.74°/s take 9.2 s and more; at speed 20, 58°/s, they take 2.0 s.
    cameras = {"left": camera("left", optics=LENS, head=TABLED, on_air_speed=20)}
    text = '[show]\nname = "pan"\nstart = { left = "home" }\n' + PAN_ON_AIR
    rehearsal = rehearse(read_show_text(text), cameras)
    assert _kinds(rehearsal) == ["too-fast-to-watch"]
    fixed = fix(text, cameras)
    assert fixed.rehearsal.fits
    assert 9.2 < fixed.rehearsal.moves[0].needed_seconds < 14.0


def test_nobody_judges_a_pan_that_is_not_on_air() -> None:
    cameras = {"left": camera("left", optics=LENS), "right": camera("right")}
    text = '[show]\nname = "pan"\nstart = { left = "home" }\n' + PAN_ON_AIR.replace('take = "left"', 'take = "right"')
    assert rehearse(read_show_text(text), cameras).fits


def test_a_camera_whose_moves_on_air_are_refused_is_told_before_the_show() -> None:
    cameras = {"left": camera("left", on_air_moves="refuse")}
    text = '[show]\nname = "pan"\nstart = { left = "home" }\n' + PAN_ON_AIR
    text += '[[cue]]\nnumber = 2\nafter = 9\ntake = "right"\n[[cue]]\nnumber = 3\nafter = 9\n'
    text += '[[cue.move]]\ncamera = "left"\nposition = "door"\n'
    cameras["right"] = camera("right")
    rehearsal = rehearse(read_show_text(text), cameras)
    assert _kinds(rehearsal) == ["refused-on-air"]
    assert rehearsal.moves[-1].from_position == "home", "the refused move leaves it where it is"


# What can't be made at all


def test_a_camera_that_is_switched_on_in_the_show_sweeps_its_whole_range() -> None:
    rehearsal = rehearse(
        read_show_text(HOME + '[[cue]]\nnumber = 1\nafter = 10\nswitch_on = ["left"]\n'), two_cameras()
    )
    (conflict,) = rehearsal.conflicts
    assert (conflict.kind, conflict.from_seconds, conflict.until_seconds) == ("start-up-sweep", 10.0, 40.0)
    assert [remedy.kind for remedy in conflict.remedies] == ["by-hand"]
    assert "on air" not in conflict.sentence
    seen = '[[cue]]\nnumber = 1\nafter = 5\ntake = "left"\n[[cue]]\nnumber = 2\nafter = 5\nswitch_on = ["left"]\n'
    conflicts = rehearse(read_show_text(HOME + seen), two_cameras()).conflicts
    assert any("switches left on, which is on air" in conflict.sentence for conflict in conflicts)


def test_a_camera_comes_from_home_after_its_sweep_and_makes_no_move_within_it() -> None:
    text = """
    [show]
    name = "late"
    start = { left = "post" }
    [[cue]]
    number = 1
    after = 10
    switch_on = ["left"]
    [[cue]]
    number = 2
    after = 40
    [[cue.move]]
    camera = "left"
    position = "beam"
    [[cue]]
    number = 3
    after = 60
    [[cue.move]]
    camera = "left"
    position = "post"
    """
    rehearsal = rehearse(read_show_text(text), two_cameras())
    within, after = rehearsal.moves
    assert (within.start_seconds, after.start_seconds) == (10.0, 50.0)
    assert _kinds(rehearsal) == ["start-up-sweep", "start-up-sweep"]
    assert rehearsal.conflicts[1].moves == (within.index,)
    # By the formula above: not from beam, where it has never been, but 90° from home.
    assert (after.from_position, after.pan_deg) == (None, 90.0)
    assert after.needed_seconds == pytest.approx(2.5, abs=0.005)


SWEEPS = """
[[cue]]
number = 1
after = 10
[[cue]]
number = 2
after = 3
switch_on = ["left"]
"""
TAKE = '[[cue]]\nnumber = 3\nafter = 12\ntake = "left"\n'
MOVE = '[[cue.move]]\ncamera = "left"\nposition = "post"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (SWEEPS + TAKE, "cue 3 takes left in its start-up sweep, 12 s after cue 2 has switched it on"),
        (SWEEPS + TAKE.replace("12", "31"), None),
        # The sweep begins 1 s into the move; one that has settled by then is out of its way.
        (SWEEPS + MOVE + "earliest = -1.0\n", "left to post for cue 2 falls into"),
        (SWEEPS + MOVE, None),
        (SWEEPS + TAKE.replace('take = "left"', "") + MOVE + "earliest = -2.0\n", "left to post for cue 3 falls into"),
        # On air 5 s after cue 1, while cue 2 has switched it on 3 s after cue 1.
        (
            SWEEPS.replace("[[cue]]\nnumber = 2", MOVE + "on_air = true\nearliest = 5.0\n[[cue]]\nnumber = 2"),
            "left to post for cue 1 falls into",
        ),
    ],
)
def test_whatever_falls_into_a_start_up_sweep_is_told(text: str, told: str | None) -> None:
    """By hand: cue 2 comes at 13 s, and the sweep lasts until 43 s; a move to post takes 2.5 s."""
    found = [
        conflict.sentence
        for conflict in rehearse(read_show_text(HOME + text), two_cameras()).conflicts
        if not conflict.sentence.startswith("cue 2 switches left on")
    ]
    assert len(found) == (told is not None)
    assert told is None or found[0].startswith(told)


def test_a_slow_move_is_not_in_a_sweep_where_the_camera_was_sent_on_before_it_was_switched_on() -> None:
    slow = SWEEPS.replace("[[cue]]\nnumber = 2", MOVE + "seconds = 14\n[[cue]]\nnumber = 2")
    sent_on = slow + MOVE.replace("post", "beam") + "earliest = -2.0\n"  # at 11 s, and there before 13 s
    for text, falls in ((slow, True), (sent_on, False)):
        told = [conflict.sentence for conflict in rehearse(read_show_text(HOME + text), two_cameras()).conflicts]
        assert any(each.startswith("left to post for") and "falls into" in each for each in told) is falls


def test_a_camera_that_stands_there_already_needs_no_time_and_may_be_on_air() -> None:
    text = """
    [[cue]]
    number = 1
    after = 0.2
    take = "left"
    [[cue.move]]
    camera = "left"
    position = "home"
    [[cue]]
    number = 2
    after = 0.2
    [[cue.move]]
    camera = "left"
    position = "home-again"
    """
    left = camera("left", {**PLACES, "home-again": PLACES["home"]})
    rehearsal = rehearse(read_show_text(HOME + text), {"left": left, "right": camera("right")})
    for move in rehearsal.moves:
        assert (move.needed_seconds, move.most_seconds) == (0.0, 0.0)
        assert move.margin_seconds == pytest.approx(0.2)
    assert rehearsal.fits


def test_a_take_in_mid_move_is_told_as_that_even_where_the_move_has_an_earlier_latest() -> None:
    """By the formula: 2.1 s until the head has arrived, 2.5 s until the picture is still."""
    for after, how in (("2.0", "in mid-move"), ("2.3", "while it still settles")):
        text = f"{TAKE.replace('12', after)}{MOVE}latest = -1.0\n"
        (conflict,) = rehearse(read_show_text(HOME + text), two_cameras()).conflicts
        assert conflict.kind == "taken-unsettled"
        assert conflict.sentence.startswith(f"left to post for cue 3 is taken {how}: it settles")
    (conflict,) = rehearse(
        read_show_text(HOME + TAKE.replace("12", "3") + MOVE + "latest = -1\n"), two_cameras()
    ).conflicts
    assert conflict.kind == "late", "it stands still when it is taken, but not as early as it was asked to"


def test_a_camera_that_is_locked_is_told_of_once_with_who_has_locked_it() -> None:
    cameras = {
        name: replace(each, locks=(Lock("the rigger", "rigging", EVENING),)) for name, each in two_cameras().items()
    }
    text = (
        TAKE.replace('take = "left"', "")
        + MOVE
        + "spare = true\n"
        + TAKE.replace("3", "4")
        + MOVE.replace("post", "home")
    )
    (conflict,) = rehearse(read_show_text(HOME + text), cameras).conflicts
    assert (conflict.kind, conflict.camera) == ("locked", "left"), "right makes no move"
    assert "the rigger (rigging)" in conflict.sentence
    assert [remedy.kind for remedy in conflict.remedies] == ["by-hand"]


@pytest.mark.parametrize(
    ("place", "word"),
    # The head's reach is 170° to either side and 90° up (SRG-300H technical manual); the lens ends at 4000 hexadecimal.
    [((171.0, 0.0, 0), "pan"), ((0.0, -21.0, 0), "tilt"), ((0.0, 0.0, 0x4001), "zoom")],
)
def test_what_head_or_lens_cannot_reach(place: tuple[float, float, int], word: str) -> None:
    cameras = {"left": camera("left", {"home": (0.0, 0.0, 0), "far": place})}
    text = '[show]\nname = "far"\nstart = { left = "home" }\n' + _one_move("far")
    rehearsal = rehearse(read_show_text(text), cameras)
    assert _kinds(rehearsal) == ["out-of-reach"]
    assert word in rehearsal.conflicts[0].sentence


def test_a_time_that_the_head_cannot_make_is_told_with_the_nearest() -> None:
    # 90° take 2.000 s at the fastest, and 0.1 s until the order is obeyed: 2.1 s.
    rehearsal = rehearse(read_show_text(HOME + _one_move("post") + "seconds = 1.0\n"), two_cameras())
    assert _kinds(rehearsal) == ["impossible-pace"]
    assert rehearsal.conflicts[0].remedies[0].kind == "slower"
    assert rehearsal.conflicts[0].remedies[0].changes[-1].value == 2.1


def test_a_time_that_is_too_long_for_a_move_on_air_is_told_with_the_nearest() -> None:
    # 30° at its slowest, 5°/s, take 6.042 s and 0.1 s; how a smooth move begins and ends may add or save 0.15 s.
    text = HOME + _one_move("door") + "on_air = true\nseconds = 12\n"
    rehearsal = rehearse(read_show_text(text), two_cameras())
    assert _kinds(rehearsal) == ["impossible-pace"]
    assert rehearsal.conflicts[0].remedies[0].kind == "faster"
    assert rehearsal.conflicts[0].remedies[0].changes[-1].value == pytest.approx(6.142, abs=0.2)
    assert fix(text, two_cameras()).rehearsal.fits


def test_a_camera_of_which_nobody_knows_where_it_stands_may_come_from_the_farthest_corner() -> None:
    # To 90° to the right from 170° to the left: 260/60 + 60/120 = 4.833 s, and 0.5 s.
    text = '[show]\nname = "unknown"\n' + _one_move("post")
    (move,) = rehearse(read_show_text(text), two_cameras()).moves
    assert move.from_position is None
    assert move.needed_seconds == pytest.approx(5.333, abs=0.005)


@pytest.mark.parametrize(
    ("focus", "farthest"),
    [("0x2000", "most_counts"), ("0xE000", "least_counts")],
)
def test_the_focus_may_come_from_its_farthest_end_too(focus: str, farthest: str) -> None:
    known = camera("left")
    door = known.positions["door"]
    by_hand = replace(door, framing=replace(door.framing, focus_mode="manual", focus_counts=int(focus, 16)))
    company = Company({"left": replace(known, positions={"door": by_hand})})
    assert company.farthest("left", "door").focus_counts == getattr(DIALECT.focus, farthest)


# Paces are those of the daemon: the cue's, else the position's, else the camera's


def test_the_pace_is_the_cues_else_the_positions_else_the_cameras() -> None:
    slow = camera("left")
    slow = type(slow)(slow.settings, {**slow.positions, "door": stored("left", "door", 30.0, 0.0, 0, speed=1)})
    cameras = {"left": slow, "right": camera("right", speed=2)}
    needed = {}
    for name, extra in (("left", ""), ("left", "speed = 3\n"), ("right", "")):
        text = HOME + _one_move("door").replace("left", name) + extra
        needed[name, extra] = rehearse(read_show_text(text), cameras).moves[0].needed_seconds - 0.5
    assert needed["left", ""] == pytest.approx(6.042, abs=0.005)  # 30/5 + 5/120
    assert needed["left", "speed = 3\n"] == pytest.approx(1.0, abs=0.005)
    assert needed["right", ""] == pytest.approx(1.667, abs=0.005)  # 30/20 + 20/120


# Remedies


def test_the_quiet_speed_is_the_slowest_that_still_arrives() -> None:
    # 90° in 6 s: step 1 takes 18.5 s, step 2 takes 5.17 s, step 3 takes 2.5 s.
    text = HOME + _one_move("post").replace("after = 20", "after = 6") + "speed = 1\n"
    rehearsal = rehearse(read_show_text(text), two_cameras())
    assert [change.value for change in _changes(rehearsal, "quiet-speed")] == [None, 2]


def test_the_latest_safe_start_is_worked_out() -> None:
    # 2.5 s are needed before cue 1 at 20 s.
    text = HOME + _one_move("post") + "earliest = -1\n"
    rehearsal = rehearse(read_show_text(text), two_cameras())
    assert [change.value for change in _changes(rehearsal, "earlier-start")] == [-2.5]


def test_a_move_without_time_goes_into_an_earlier_cue_whose_gap_is_long_enough() -> None:
    text = (
        HOME
        + """
        [[cue]]
        number = 1
        after = 20
        [[cue]]
        number = 2
        after = 1
        [[cue]]
        number = 3
        after = 1
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "post"
        """
    )
    fixed = fix(text, two_cameras())
    assert [solved.remedy.kind for solved in fixed.solved] == ["earlier-cue"]
    [move] = fixed.rehearsal.moves
    assert move.cue_number == 1.0
    assert move.margin_seconds == pytest.approx(17.5)


def test_a_move_that_nobody_takes_yet_goes_into_a_later_cue() -> None:
    text = (
        HOME
        + """
        [[cue]]
        number = 1
        after = 1
        [[cue.move]]
        camera = "left"
        position = "post"
        [[cue]]
        number = 2
        after = 30
        take = "left"
        """
    )
    fixed = fix(text, two_cameras())
    assert [solved.remedy.kind for solved in fixed.solved] == ["later-cue"]
    assert fixed.rehearsal.fits


@pytest.mark.parametrize("busy", [False, True])
def test_another_camera_goes_where_one_is_still_on_air_if_it_is_free(busy: bool) -> None:
    wanted = 'take = "right"\n[[cue.move]]\ncamera = "right"\nposition = "post"' if busy else ""
    text = (
        HOME
        + f"""
        [[cue]]
        number = 1
        after = 10
        take = "left"
        [[cue]]
        number = 2
        after = 10
        take = "left"
        [[cue.move]]
        camera = "left"
        position = "door"
        [[cue.move]]
        camera = "right"
        position = "{"beam" if busy else "home"}"
        spare = true
        [[cue]]
        number = 3
        after = 10
        {wanted}
        """
    )
    if not busy:
        text = text.replace(
            '        [[cue.move]]\n        camera = "right"\n        position = "home"\n        spare = true\n', ""
        )
    fixed = fix(text, two_cameras())
    assert bool(fixed.solved) != busy
    if busy:
        assert "on_air = true in that move of cue 2" in fixed.unsolved[0].why
    else:
        assert fixed.rehearsal.fits
        assert fixed.rehearsal.cues[1].take == "right"


def test_a_gap_is_for_people_to_change() -> None:
    # At its fastest it needs 2.5 s of the 2 s it has, and nobody else has that position.
    cameras = {"left": camera("left"), "right": camera("right", {"home": (0.0, 0.0, 0)})}
    fixed = fix(HOME + _one_move("post").replace("after = 20", "after = 2"), cameras)
    assert fixed.solved == ()
    assert "cue 1 must come 2.5 s after the start of the show" in fixed.unsolved[0].why
    assert fixed.text == HOME + _one_move("post").replace("after = 20", "after = 2")


# The choir evening


def test_the_choir_evening_has_the_three_conflicts_that_were_put_there() -> None:
    show = read_show_text((CONFIGS / "choir-evening.toml").read_text("utf-8"))
    rehearsal = rehearse(show, granary())
    assert len(rehearsal.cues) == 24
    assert rehearsal.cameras == ("gallery", "left", "right")
    assert [(conflict.cue_number, conflict.kind, conflict.camera) for conflict in rehearsal.conflicts] == [
        (8.0, "taken-unsettled", "left"),
        (14.0, "still-on-air", "right"),
        (19.0, "too-fast-to-watch", "gallery"),
    ]


def test_two_of_them_can_be_solved_and_the_third_is_explained() -> None:
    text = (CONFIGS / "choir-evening.toml").read_text("utf-8")
    told: list[tuple[int, int]] = []
    fixed = fix(text, granary(), lambda done, of: told.append((done, of)))
    assert told == [(1, 3), (2, 3), (3, 3)]
    assert [solved.conflict.cue_number for solved in fixed.solved] == [8.0, 14.0]
    assert [unsolved.conflict.cue_number for unsolved in fixed.unsolved] == [19.0]
    assert "too fast to watch" in fixed.unsolved[0].conflict.sentence
    assert "off air, at the standby of cue 19: let right be taken in cue 18" in fixed.unsolved[0].why
    assert [line for line in text.splitlines() if line.startswith("#")] == [
        line for line in fixed.text.splitlines() if line.startswith("#")
    ]
    assert read_show_text(fixed.text) != read_show_text(text)


def _one_move(position: str) -> str:
    return f'[[cue]]\nnumber = 1\nafter = 20\ntake = "left"\n[[cue.move]]\ncamera = "left"\nposition = "{position}"\n'


def _kinds(rehearsal: Rehearsal) -> list[str]:
    return [conflict.kind for conflict in rehearsal.conflicts]


def _changes(rehearsal: Rehearsal, kind: str) -> tuple[Change, ...]:
    return next(
        remedy.changes for conflict in rehearsal.conflicts for remedy in conflict.remedies if remedy.kind == kind
    )
