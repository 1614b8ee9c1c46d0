"""A show played against simulated cameras: every move leaves when it is due, and takes what it takes."""

from __future__ import annotations

import asyncio
import json
import random
import subprocess
import sys
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from ptzevening import Actor, Evening, open_house, play
from ptzevening.house import STEP_ASIDE_COUNTS, scene_of
from ptzevening.wire import DELAY_SECONDS, Wire
from ptzsim import SimulatedCamera, draw_truth, mount_named, virtual_time

from ptzd.cameras import CameraSettings
from ptzd.files import read_show_text
from ptzd.line import Framing, Tolerance
from ptzd.links import Form
from ptzd.motion import published_head
from ptzd.positions import StoredPosition
from ptzd.visca import Packet, PayloadType, load_dialect

CONFIGS = Path(__file__).parents[2] / "configs"
DIALECT = load_dialect("nibble4-51")
CAMERAS = ("left", "right")
FRAMINGS = {"wide": (0, 0, 0), "solo": (1024, 102, 4096), "door": (-1536, -51, 2048)}  # 20°, -30° at 51.2 a degree [B]


def actor(name: str) -> Actor:
    head = published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s)
    stored_at = datetime(2031, 5, 24, 12, 0, tzinfo=UTC)
    return Actor(
        CameraSettings(name, DIALECT, head, 24, Tolerance()),
        tuple(
            StoredPosition(name, key, Framing(*counts, 8192, "manual"), "nibble4-51", None, None, "", stored_at)
            for key, counts in FRAMINGS.items()
        ),
        mount_named("tripod"),
    )


ACTORS = {name: actor(name) for name in CAMERAS}
POSITION = ACTORS["left"].positions[0]
HEAD = '[show]\nname = "short"\non_air = "right"\nstart = { left = "wide", right = "wide" }\n'


def cue(number: int, after: float, *moves: str, take: str | None = None) -> str:
    taken = "" if take is None else f'take = "{take}"\n'
    tables = "".join(f"[[cue.move]]\n{move}\n" for move in moves)
    return f"[[cue]]\nnumber = {number}\nafter = {after}\n{taken}{tables}"


def move(camera: str, position: str, more: str = "") -> str:
    return f'camera = "{camera}"\nposition = "{position}"\n{more}'


def played(folder: Path, *cues: str, skip_rests: bool = True, seed: int = 7) -> Evening:
    show = read_show_text(HEAD + "".join(cues))
    folder.mkdir(exist_ok=True)
    return virtual_time.run(play(show, ACTORS, folder, seed=seed, learn=False, skip_rests=skip_rests))


SHORT = (
    cue(1, 20, move("left", "solo"), take="left"),
    cue(2, 30, move("right", "door"), move("left", "wide", "on_air = true\nseconds = 6.0"), take=None),
    cue(3, 60, take="right"),
    cue(4, 15, move("left", "solo", "earliest = -5.0")),
)


def test_every_move_of_a_show_that_fits_settles_in_time_and_exactly_there(tmp_path: Path) -> None:
    evening = played(tmp_path, *SHORT)
    assert [one.ended for one in evening.moves] == ["settled"] * 4
    assert [one.in_time for one in evening.moves] == [True] * 4
    assert all(one.off_counts is not None and one.off_counts <= 1 for one in evening.moves)
    assert [one.stood_in for one in evening.moves] == ["wide", "wide", "solo", "wide"]


def test_each_takes_between_the_least_and_the_most_that_was_predicted(tmp_path: Path) -> None:
    for one in played(tmp_path, *SHORT).moves:
        assert one.simulated_seconds is not None
        assert one.least_seconds <= one.simulated_seconds <= one.most_seconds


def test_a_move_on_air_is_shaped_since_the_tally_came_with_the_take(tmp_path: Path) -> None:
    ways = {(one.camera, one.position): one.way for one in played(tmp_path, *SHORT).moves}
    assert ways["left", "wide"] == "shaped"
    assert ways["left", "solo"] == ways["right", "door"] == "direct"


def test_passing_over_the_rests_changes_no_move(tmp_path: Path) -> None:
    quick, whole = (played(tmp_path / str(skip), *SHORT, skip_rests=skip) for skip in (True, False))
    assert quick.skipped_seconds > 60
    assert whole.skipped_seconds == 0
    assert quick.datagrams < whole.datagrams / 2
    for one, other in zip(quick.moves, whole.moves, strict=True):
        assert one.ended == other.ended
        # The daemon reads a moving camera every 0.1 s, and when it does so differs between the two.
        assert one.simulated_seconds == pytest.approx(other.simulated_seconds, abs=0.15)


def test_the_same_seed_plays_the_same_evening_and_another_other_cameras(tmp_path: Path) -> None:
    first, again, other = (played(tmp_path / name, *SHORT, seed=seed) for name, seed in (("a", 1), ("b", 1), ("c", 2)))
    assert first == again
    assert [one.simulated_seconds for one in first.moves] != [one.simulated_seconds for one in other.moves]


def test_cameras_leave_when_the_rehearsal_has_them_leave(tmp_path: Path) -> None:
    evening = played(tmp_path, *SHORT)
    for one in evening.moves:
        assert one.left_seconds == pytest.approx(one.start_seconds, abs=1e-6)
    # By hand: with the show's start, with the go of cues 1 and 2, and 5 s before cue 4, which comes after 125 s.
    assert [one.start_seconds for one in evening.moves] == [0.0, 20.0, 50.0, 120.0]


def test_a_move_that_begins_with_the_last_cue_is_played_to_its_end(tmp_path: Path) -> None:
    last = cue(2, 20, move("left", "solo", "on_air = true\nseconds = 9.0"))
    (one,) = played(tmp_path, cue(1, 20, take="left"), last).moves
    assert (one.ended, one.in_time) == ("settled", None)
    assert one.simulated_seconds is not None and one.simulated_seconds > 9.0


def test_a_camera_on_air_beyond_its_cue_is_left_behind_and_the_next_move_starts_where_it_is(tmp_path: Path) -> None:
    evening = played(
        tmp_path,
        cue(1, 20, move("right", "solo")),  # it is on air
        cue(2, 20, take="left"),
        cue(3, 20, move("right", "door")),
    )
    behind, after = evening.moves
    assert (behind.ended, behind.code, behind.in_time, behind.difference_seconds) == (
        "left-behind",
        "left-behind",
        False,
        None,
    )
    assert (behind.conflict, behind.left_seconds) == ("still-on-air", None)
    assert (after.from_position, after.stood_in, after.ended) == ("wide", "wide", "settled")
    assert after.simulated_seconds is not None
    assert after.difference_seconds == pytest.approx(after.simulated_seconds - after.predicted_seconds)


def test_a_camera_on_air_until_its_cue_leaves_with_the_cue_and_too_late(tmp_path: Path) -> None:
    evening = played(
        tmp_path,
        cue(1, 20, move("right", "solo"), take="left"),
        cue(2, 20),
        cue(3, 20, move("right", "door")),
    )
    late, after = evening.moves
    assert (late.ended, late.conflict, late.in_time) == ("settled", "still-on-air", False)
    assert late.left_seconds == pytest.approx(20.0, abs=0.01)
    assert (after.from_position, after.stood_in, after.in_time) == ("solo", "solo", True)


def test_what_the_daemon_refuses_is_refused_here(tmp_path: Path) -> None:
    stubborn = replace(ACTORS["right"], settings=replace(ACTORS["right"].settings, on_air_moves="refuse"))
    show = read_show_text(HEAD + cue(1, 20, move("right", "solo", "on_air = true")))
    actors = ACTORS | {"right": stubborn}
    [refused] = virtual_time.run(play(show, actors, tmp_path, seed=7, learn=False, skip_rests=True)).moves
    assert (refused.ended, refused.code, refused.conflict) == ("refused", "on-air", "refused-on-air")
    assert refused.sentence is not None and "on_air_moves" in refused.sentence


def test_a_camera_that_stands_there_already_is_not_sent_and_is_in_time(tmp_path: Path) -> None:
    [there] = played(tmp_path, cue(1, 20, move("left", "wide"), take="left")).moves
    assert (there.ended, there.in_time, there.left_seconds, there.difference_seconds) == ("stood", True, None, None)


def test_a_camera_that_is_switched_on_sweeps_its_range_and_answers_no_recall_meanwhile(tmp_path: Path) -> None:
    show = read_show_text(
        HEAD.replace('left = "wide", ', "")
        + cue(1, 20).replace("after", 'switch_on = ["left"]\nafter')
        + cue(2, 10, move("left", "door", "earliest = -5.0"))
        + cue(3, 60, move("left", "solo", "earliest = -20.0"), take="left")
    )
    evening = virtual_time.run(play(show, ACTORS, tmp_path, seed=7, learn=False, skip_rests=True))
    [sweep] = evening.sweeps
    # A start-up takes half a minute (common practice), and 25 s of the simulated cameras.
    assert (sweep.cue_number, sweep.camera, sweep.predicted_seconds) == (1.0, "left", 30.0)
    assert sweep.simulated_seconds == pytest.approx(27.5, abs=3.0)
    early, later = evening.moves
    assert (early.ended, early.code, early.conflict) == ("refused", "initialising", "start-up-sweep")
    assert (later.ended, later.from_position, later.in_time) == ("settled", None, True)
    assert later.least_seconds <= (later.simulated_seconds or 0.0) <= later.most_seconds, "it comes from home"


def test_a_camera_that_is_on_is_switched_off_and_on_again(tmp_path: Path) -> None:
    evening = played(tmp_path, cue(1, 20).replace("after", 'switch_on = ["left"]\nafter'), cue(2, 40))
    [sweep] = evening.sweeps
    assert sweep.simulated_seconds == pytest.approx(27.5, abs=3.0)


def test_a_move_that_a_sweep_cuts_off_is_told_by_the_rehearsal_and_ends_so(tmp_path: Path) -> None:
    evening = played(
        tmp_path,
        cue(1, 1, move("left", "solo", "speed = 1")).replace("after", 'switch_on = ["left"]\nafter'),
        cue(2, 60, move("left", "door", "earliest = -20.0"), take="left"),
    )
    cut_off, later = evening.moves
    assert (cut_off.conflict, cut_off.ended, cut_off.in_time) == ("start-up-sweep", "failed", False)
    assert (cut_off.sentence or "").startswith("camera left to solo: ")
    assert (later.conflict, later.ended, later.in_time) == (None, "settled", True)
    [sweep] = evening.sweeps
    assert sweep.simulated_seconds == pytest.approx(27.5, abs=3.0)


def test_a_move_that_another_overtakes_is_told_as_superseded(tmp_path: Path) -> None:
    evening = played(
        tmp_path,
        cue(1, 0.5, move("left", "solo", "speed = 1")),
        cue(2, 20, move("left", "door")),
    )
    assert [one.ended for one in evening.moves] == ["superseded", "settled"]
    assert evening.moves[0].in_time is False


def test_cues_that_come_together_are_all_run(tmp_path: Path) -> None:
    left, right = (move(name, "solo", "on_air = true") for name in CAMERAS)
    evening = played(tmp_path, cue(1, 20, left), cue(2, 0), cue(3, 0.2, right))
    assert [one.ended for one in evening.moves] == ["settled", "settled"]


def test_a_show_without_moves_is_played_too(tmp_path: Path) -> None:
    evening = played(tmp_path, cue(1, 1, take="left"))
    assert evening.moves == ()
    assert evening.skipped_seconds == 0.0, "there was nothing to pass over"


def test_a_message_takes_the_wires_delay_both_ways_and_the_cameras_own_time() -> None:
    async def scene() -> None:
        loop = asyncio.get_running_loop()
        truth = draw_truth(DIALECT, random.Random(3))
        camera = SimulatedCamera(DIALECT, truth=truth, mount=mount_named("tripod"), ready=True)
        wire = Wire(camera)
        end = wire.end()
        assert wire.quiet
        end.send(Packet(PayloadType.CONTROL, 0, b"\x01").encode())
        assert not wire.quiet
        await end.receive()
        least = 2 * DELAY_SECONDS + truth.least_latency_seconds
        most = 2 * DELAY_SECONDS + truth.most_latency_seconds
        assert least <= loop.time() <= most
        assert wire.quiet
        assert wire.datagrams == 2
        end.cut()
        end.send(Packet(PayloadType.CONTROL, 0, b"\x01").encode())
        assert wire.quiet, "whoever held that end is gone"

    virtual_time.run(scene())


@pytest.mark.parametrize(("form", "arrive"), [("numbered", 0), ("datagrams", 0), ("stream", 3)])
def test_a_wire_that_loses_all_loses_datagrams_and_nothing_of_a_stream(form: Form, arrive: int) -> None:
    async def scene() -> None:
        truth = draw_truth(DIALECT, random.Random(3))
        camera = SimulatedCamera(DIALECT, truth=truth, mount=mount_named("tripod"), ready=True)
        wire = Wire(camera, form)
        wire.loses = lambda: True
        end = wire.end()
        for _ in range(3):
            end.send(bytes.fromhex("81 09 04 00 ff"))
        got = 0
        with suppress(TimeoutError):
            async with asyncio.timeout(2.0):
                while True:
                    got += (await end.receive()).count(0xFF)
        assert got == arrive

    virtual_time.run(scene())


def test_an_auto_focus_finds_about_what_it_found_when_the_position_was_stored() -> None:
    wide = replace(POSITION, name="wide", framing=Framing(0, 0, 0, 4000, "auto"))
    door = replace(POSITION, name="door", framing=Framing(-1536, -51, 2048, 9000, "auto"))  # -30°, -1° [B]
    solo = replace(POSITION, name="solo", framing=Framing(-1536, -51, 2048, 12000, "manual"))
    tele = replace(POSITION, name="tele", framing=Framing(-1536, -51, 12000, 11000, "auto"))  # of somebody before them
    scene = scene_of(replace(ACTORS["left"], positions=(wide, door, solo, tele)), random.Random(1))
    assert scene is not None
    assert scene(-30.0, -1.0, 12000.0) == pytest.approx(11000, abs=STEP_ASIDE_COUNTS)
    assert scene(2.0, 0.0, 0.0) == pytest.approx(4000, abs=STEP_ASIDE_COUNTS)
    assert scene(-30.0, -1.0, 2048.0) == pytest.approx(9000, abs=STEP_ASIDE_COUNTS)
    assert scene(2.0, 0.0, 0.0) == scene(2.0, 0.0, 0.0)
    assert scene_of(replace(ACTORS["left"], positions=()), random.Random(1)) is None


def test_a_house_that_falls_down_says_what_went_wrong_itself(tmp_path: Path) -> None:
    async def scene() -> None:
        async with open_house(ACTORS, tmp_path, seed=1):
            raise ValueError("the roof")

    with pytest.raises(ValueError, match="the roof"):
        virtual_time.run(scene())


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "ptzevening", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


@pytest.mark.parametrize("seed", ["1", "6", "8"])
def test_the_choir_evening_goes_as_predicted_once_its_heads_are_measured(seed: str) -> None:
    done = run(
        *(str(CONFIGS / "choir-evening.toml"), "--seed", seed),
        *("--config", str(CONFIGS / "granary.toml"), "--positions", str(CONFIGS / "granary-show.toml")),
    )
    assert (done.returncode, done.stderr) == (0, "")
    moves = json.loads(done.stdout)["moves"]
    settled = [one for one in moves if one["ended"] == "settled"]
    [behind] = [one for one in moves if one["ended"] != "settled"]
    assert (behind["ended"], behind["conflict"]) == ("left-behind", "still-on-air"), "it is put there on purpose"
    for one in settled:
        assert abs(one["difference_seconds"]) <= 0.2, one
        assert one["stood_in"] == one["from_position"]


def test_what_can_not_be_played_is_told_in_a_sentence(tmp_path: Path) -> None:
    show = tmp_path / "show.toml"
    show.write_text(HEAD + cue(1, 5, move("centre", "wide")))
    done = run(
        str(show),
        *("--config", str(CONFIGS / "granary.toml"), "--positions", str(CONFIGS / "granary-show.toml")),
    )
    assert (done.returncode, done.stderr) == (1, "")
    assert "there is no camera centre" in json.loads(done.stdout)["error"]
