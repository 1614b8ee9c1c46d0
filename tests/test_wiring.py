"""What comes in on the bus reaches who is to do it, and what that brings comes back: the daemon's own wires.

The daemon runs as it is, with two simulated cameras, on a virtual clock; it is spoken to over its bus alone.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from ptzevening.house import DOORS, Actor, House, open_house
from ptzsim import mount_named, virtual_time

from ptzd.cameras import CameraSettings
from ptzd.cues.desk import IN_DOUBT
from ptzd.files import ShowFile, read_show_text
from ptzd.line import Framing, Tolerance
from ptzd.motion import published_head
from ptzd.positions import StoredPosition
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
PAN = {"wide": 0, "solo": 1024, "door": -1536}  # 20° and -30° at 51.2 counts a degree (SRG-300H technical manual)
ASKED_AT = datetime(2031, 5, 24, 12, 0, tzinfo=UTC)
SHOW = """
[show]
name = "evening"
on_air = "right"
""" + "".join(
    f"""
[[cue]]
number = {number}
on_call = true
expected = 60.0
take = "{taken}"
[[cue.move]]
camera = "left"
position = "{position}"
"""
    for number, taken, position in ((1, "right", "solo"), (2, "right", "door"), (3, "left", "wide"))
)


def actor(name: str) -> Actor:
    return Actor(
        CameraSettings(
            name, DIALECT, published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s), 24, Tolerance()
        ),
        tuple(
            StoredPosition(name, position, Framing(pan, 0, 0, 0x2000, "manual"), DIALECT.name, None, None, "", ASKED_AT)
            for position, pan in PAN.items()
        ),
        mount_named("tripod"),
    )


class Desk:
    """Whoever speaks to the daemon over the bus."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.heard: list[tuple[str, dict[str, Any]]] = []
        house.hear(lambda topic, message: self.heard.append((topic, message)))

    async def ask(self, topic: str, **asked: Any) -> dict[str, Any]:
        """Say it and return its outcome."""
        self.house.say(topic, asked | {"id": f"{topic} {len(self.heard)}"})
        await asyncio.sleep(1.0)
        outcomes = [
            message for said, message in self.heard if said == "outcome" and message["topic"] == f"ptzd/{topic}"
        ]
        return outcomes[-1]

    async def recall(self, camera: str, position: str) -> None:
        self.house.say(f"camera/{camera}/recall", position)
        await asyncio.sleep(0.1)
        await self.house.until_still([camera])
        assert self.house.position_of(camera) == position

    def pan_deg(self, camera: str) -> float:
        return self.house.wires[camera].camera.head.pan_deg(asyncio.get_running_loop().time())

    def cues(self) -> dict[str, Any]:
        return [message for topic, message in self.heard if topic == "cue/state"][-1]

    def last(self, topic: str) -> dict[str, Any]:
        """What was said last on a topic."""
        return [message for said, message in self.heard if said == topic][-1]

    def stands_at(self) -> tuple[str | None, str | None]:
        """The number of the last cue that was run, and of the next."""
        standing, upcoming = (self.cues()[each] for each in ("standing", "next"))
        return standing and standing["number"], upcoming and upcoming["number"]


def at_the_desk(folder: Path, scene: Callable[[Desk], Coroutine[Any, Any, None]], show: ShowFile | None = None) -> None:
    """Play a scene; the show is read anew from `folder`/show.toml."""

    async def play() -> None:
        async with open_house({name: actor(name) for name in ("left", "right")}, folder, seed=7, show=show) as house:
            await scene(Desk(house))

    virtual_time.run(play())


# Positions


def test_a_camera_tells_at_once_what_the_position_that_it_stands_in_is_called_now(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        await desk.recall("left", "solo")
        assert (await desk.ask("camera/left/rename", position="solo", to="singer"))["ok"]
        assert desk.house.position_of("left") == "singer"
        assert (await desk.ask("camera/left/delete", position="singer"))["ok"]
        assert desk.house.position_of("left") is None
        assert (await desk.ask("camera/left/store", position="alto"))["ok"]
        assert desk.house.position_of("left") == "alto"

    at_the_desk(tmp_path, scene)


def test_a_position_that_was_put_back_to_what_it_was_is_where_the_camera_goes(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        await desk.recall("left", "door")
        assert (await desk.ask("camera/left/store", position="solo", replace=True))["ok"]
        assert (await desk.ask("camera/left/revert", position="solo", number=1))["ok"]
        assert desk.house.position_of("left") == "door"
        await desk.recall("left", "solo")
        assert desk.pan_deg("left") == pytest.approx(20.0, abs=0.05)

    at_the_desk(tmp_path, scene)


def test_a_show_that_was_exported_comes_back_by_an_import_and_cameras_tell_where_they_stand(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        await desk.recall("left", "solo")
        exported = (await desk.ask("show/export"))["result"]["show"]
        assert (await desk.ask("camera/left/delete", position="solo"))["ok"]
        assert desk.house.position_of("left") is None
        assert (await desk.ask("show/import", show=exported, replace=True))["ok"]
        assert desk.house.position_of("left") == "solo"
        await desk.recall("left", "door")
        await desk.recall("left", "solo")
        assert desk.pan_deg("left") == pytest.approx(20.0, abs=0.05)

    at_the_desk(tmp_path, scene)


def test_a_name_is_not_given_twice_unless_that_is_asked_for(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        await desk.recall("left", "door")
        refused = await desk.ask("camera/left/store", position="solo")
        assert (refused["ok"], refused["code"]) == (False, "exists")
        await desk.recall("left", "solo")
        assert desk.pan_deg("left") == pytest.approx(20.0, abs=0.05)

    at_the_desk(tmp_path, scene)


def test_a_pace_is_given_and_taken_away_and_framing_and_history_stay(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        await desk.recall("left", "door")
        for asked, stored in (({"seconds": 4.0}, (None, 4.0)), ({"speed": 6}, (6, None)), ({}, (None, None))):
            assert (await desk.ask("camera/left/pace", position="solo", **asked))["ok"]
            entries = (await desk.ask("camera/left/history", position="solo"))["result"]["entries"]
            (current,) = [each["position"] for each in entries if each["current"]]
            assert (current["speed"], current["seconds"]) == stored
        assert desk.pan_deg("left") == pytest.approx(-30.0, abs=0.05), "nothing has moved"
        assert [each["position"]["seconds"] for each in entries if each["position"]["seconds"]] == [4.0]
        assert {each["position"]["pan_counts"] for each in entries} == {PAN["solo"]}
        refused = await desk.ask("camera/left/pace", position="sol", speed=6)
        assert "camera left" in refused["sentence"] and "did you mean solo?" in refused["sentence"]

    at_the_desk(tmp_path, scene)


def test_a_recall_is_foretold_as_it_then_goes(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        await desk.recall("left", "wide")
        foreseen = (await desk.ask("camera/left/foresee"))["result"]
        told = {each["position"]: each for each in foreseen["recalls"]}
        assert [name for name, each in told.items() if each["stands"]] == ["wide"]
        assert foreseen["on_air"] is False
        await desk.recall("left", "door")
        predicted = desk.last("camera/left/move")["predicted_seconds"]
        assert told["door"]["predicted_seconds"] == pytest.approx(predicted, abs=0.02)
        desk.house.say("camera/left/tally", "program")
        assert (await desk.ask("camera/left/foresee"))["code"] == "on-air"
        (seen,) = (await desk.ask("camera/left/foresee", position="solo", seconds=6.0))["result"]["recalls"]
        assert seen["predicted_seconds"] > 5.9
        (short,) = (await desk.ask("camera/left/foresee", position="solo", seconds=0.1))["result"]["recalls"]
        assert (short["code"], short["predicted_seconds"]) == ("too-short", None)

    at_the_desk(tmp_path, scene)


@pytest.mark.parametrize(("verb", "more"), [("rename", {"to": "singer"}), ("delete", {})])
def test_whoever_takes_a_name_away_that_the_show_needs_is_told_in_which_cues(
    tmp_path: Path, verb: str, more: dict[str, str]
) -> None:
    show = SHOW.replace('on_air = "right"', 'on_air = "right"\nstart = { left = "door" }')

    async def scene(desk: Desk) -> None:
        warning = (await desk.ask(f"camera/left/{verb}", position="door", **more))["result"]["warning"]
        assert "door of camera left in its start, cue 2:" in warning
        unused = await desk.ask(f"camera/right/{verb}", position="door", **more)
        assert unused["result"]["warning"] is None, "no cue sends the right one there"

    at_the_desk(tmp_path, scene, read_show_text(show))


# Cues


def test_a_show_that_was_changed_is_read_anew_at_its_place_and_nothing_moves(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        assert (await desk.ask("cue/go"))["ok"]
        (tmp_path / "show.toml").write_text(SHOW.replace("number = 2", "number = 1.5").replace('"door"', '"solo"'))
        outcome = await desk.ask("cue/load")
        [warning] = outcome["result"]["warnings"]
        assert "jump to the cue" in warning
        assert outcome["result"] == {"show": "evening", "cues": 3, "warnings": [warning]}
        assert desk.stands_at() == ("1", "1.5"), "cue 2 is gone, and what comes right after cue 1 is not passed over"
        await asyncio.sleep(5.0)
        assert desk.pan_deg("left") == pytest.approx(0.0, abs=0.05)
        assert (await desk.ask("cue/standby"))["ok"]
        await desk.house.until_still(["left"])
        assert desk.pan_deg("left") == pytest.approx(20.0, abs=0.05), "as the file has it now"

    at_the_desk(tmp_path, scene, read_show_text(SHOW))


@pytest.mark.parametrize(("label", "next_is", "warned"), [("", "20", False), ('label = "Other"\n', "20", True)])
def test_a_show_that_was_numbered_anew_is_read_at_its_cue_and_a_doubt_is_told(
    label: str, next_is: str, warned: bool, tmp_path: Path
) -> None:
    async def scene(desk: Desk) -> None:
        assert (await desk.ask("cue/go"))["ok"]
        text = SHOW.replace("number = ", "number = 10").replace("number = 101", "number = 10")
        text = text.replace("number = 102", f"number = 20\n{label}").replace("number = 103", "number = 30")
        (tmp_path / "show.toml").write_text(text)
        outcome = await desk.ask("cue/load")
        assert desk.stands_at() == ("10", next_is)
        assert ["jump to the cue" in each for each in outcome["result"]["warnings"]] == [True] * warned

    at_the_desk(tmp_path, scene, read_show_text(SHOW))


@pytest.mark.parametrize("name", ["evening", "matinee"])
def test_who_may_be_seen_when_a_show_is_read_anew_counts_as_on_air_after_a_restart_too(
    name: str, tmp_path: Path
) -> None:
    async def scene(desk: Desk) -> None:
        desk.house.off_air_untold = False
        assert (await desk.ask("cue/go", number=3))["ok"]  # takes left
        (tmp_path / "show.toml").write_text(SHOW.replace("number = 3", "number = 4").replace("evening", name))
        assert (await desk.ask("cue/load"))["ok"]
        assert (await desk.ask("cue/hold"))["ok"]  # which is kept anew
        await desk.house.lives[-1].end()
        desk.house.show = read_show_text((tmp_path / "show.toml").read_text())
        await desk.house.start()
        await desk.house.until_still(["left"])
        desk.house.say("camera/left/recall", "solo")
        await asyncio.sleep(1.0)
        assert desk.last("camera/left/move")["code"] == "on-air"

    at_the_desk(tmp_path, scene, read_show_text(SHOW))


def test_what_the_show_as_it_was_still_held_back_is_called_off_when_it_is_read_anew(tmp_path: Path) -> None:
    waits = SHOW.replace('position = "solo"', 'position = "solo"\nearliest = -50.0')

    async def scene(desk: Desk) -> None:
        assert (await desk.ask("cue/standby"))["ok"]  # it leaves ten seconds later
        (tmp_path / "show.toml").write_text(SHOW)
        assert (await desk.ask("cue/load"))["ok"]
        assert not desk.cues()["standby"]
        await asyncio.sleep(60.0)
        assert desk.pan_deg("left") == pytest.approx(0.0, abs=0.05)

    at_the_desk(tmp_path, scene, read_show_text(waits))


@pytest.mark.parametrize("text", [SHOW.replace("number = 2", "number = 1"), None])
def test_a_file_with_mistakes_leaves_the_show_as_it_was(tmp_path: Path, text: str | None) -> None:
    async def scene(desk: Desk) -> None:
        assert (await desk.ask("cue/standby"))["ok"]
        if text is not None:
            (tmp_path / "show.toml").write_text(text)
        refused = await desk.ask("cue/load")
        assert (refused["ok"], refused["code"]) == (False, "invalid")
        assert ("cue 1 is there twice" if text else "there is no file") in refused["sentence"]
        assert desk.cues()["standby"]
        await desk.house.until_still(["left"])
        assert desk.pan_deg("left") == pytest.approx(20.0, abs=0.05)

    at_the_desk(tmp_path, scene, read_show_text(SHOW))


def test_a_jump_makes_a_cue_the_next_and_moves_nothing(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        assert (await desk.ask("cue/jump", number=2))["ok"]
        assert desk.stands_at()[1] == "2"
        assert desk.pan_deg("left") == pytest.approx(0.0, abs=0.05)
        assert (await desk.ask("cue/standby"))["ok"]
        await desk.house.until_still(["left"])
        assert desk.pan_deg("left") == pytest.approx(-30.0, abs=0.05), "where the second cue wants it"

    at_the_desk(tmp_path, scene, read_show_text(SHOW))


def test_a_standby_and_a_go_with_a_number_are_for_that_cue(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        assert (await desk.ask("cue/standby", number=2))["ok"]
        await desk.house.until_still(["left"])
        assert desk.pan_deg("left") == pytest.approx(-30.0, abs=0.05)
        assert (await desk.ask("cue/go", number=2))["ok"]
        assert desk.stands_at() == ("2", "3")

    at_the_desk(tmp_path, scene, read_show_text(SHOW))


def test_back_takes_the_last_go_back(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        assert (await desk.ask("cue/go"))["ok"]
        assert desk.stands_at() == ("1", "2")
        assert (await desk.ask("cue/back"))["ok"]
        assert desk.stands_at() == (None, "1")

    at_the_desk(tmp_path, scene, read_show_text(SHOW))


def test_while_cues_are_held_none_sends_a_camera_and_after_the_release_they_do(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        assert (await desk.ask("cue/hold"))["ok"]
        assert desk.cues()["held"]
        refused = await desk.ask("cue/standby")
        assert not refused["ok"]
        await asyncio.sleep(5.0)
        assert desk.pan_deg("left") == pytest.approx(0.0, abs=0.05)
        assert (await desk.ask("cue/release"))["ok"]
        assert not desk.cues()["held"]
        assert (await desk.ask("cue/standby"))["ok"]
        await desk.house.until_still(["left"])
        assert desk.pan_deg("left") == pytest.approx(20.0, abs=0.05)

    at_the_desk(tmp_path, scene, read_show_text(SHOW))


def test_without_a_show_a_cue_is_refused_with_what_to_do(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        for asked in ("cue/go", "cue/load"):
            refused = await desk.ask(asked)
            assert (refused["ok"], refused["code"]) == (False, "no-cues")
            assert "[show]" in refused["sentence"]

    at_the_desk(tmp_path, scene)


# What is said


def test_who_comes_later_is_told_that_the_daemon_is_there_since_when_and_with_which_cameras(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        said: dict[str, dict[str, Any]] = {}
        desk.house.broker.listen(lambda each: said.update({each.topic: json.loads(each.payload)}))
        status = said["ptzd/status"]
        assert (status["state"], status["cameras"]) == ("online", ["left", "right"])
        assert datetime.fromisoformat(status["since"]).date() == DOORS.date()
        assert status["troubles"] == []
        assert said["ptzd/camera/left/state"]["power"] == "on"
        assert sorted(each["name"] for each in said["ptzd/camera/left/positions"]["positions"]) == sorted(PAN)

    at_the_desk(tmp_path, scene)


def test_a_bare_recall_of_a_camera_that_there_is_not_is_answered_with_the_one_that_may_be_meant(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        desk.house.say("camera/lefft/recall", "solo")
        await asyncio.sleep(1.0)
        (refused,) = [message for topic, message in desk.heard if topic == "outcome"]
        assert (refused["ok"], refused["code"]) == (False, "unknown-camera")
        assert "left" in refused["sentence"]

    at_the_desk(tmp_path, scene)


def test_whoever_has_a_head_learned_hears_how_far_that_is_and_a_stop_ends_it(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        desk.house.say("camera/left/learn", {"pan_deg": [-30, 30], "tilt_deg": [-5, 20], "id": "learn"})
        await asyncio.sleep(20.0)
        told = [message for topic, message in desk.heard if topic == "camera/left/learn-progress"]
        assert told, "twenty seconds are a good part of it"
        assert all(each["id"] == "learn" and 0 <= each["done"] <= each["of"] for each in told)
        assert told[-1]["done"] > told[0]["done"]
        desk.house.say("camera/left/stop", "")
        await asyncio.sleep(1.0)
        (ended,) = [message for topic, message in desk.heard if topic == "outcome" and message["id"] == "learn"]
        assert (ended["ok"], ended["code"]) == (False, "stopped")

    at_the_desk(tmp_path, scene)


# The cue list as it is written

COMMENTED = """\
# The evening
[show]
name = "evening"
on_air = "right"   # from the balcony

# Doors
[[cue]]
number = 1
on_call = true
expected = 60.0   # or so
take = "left"

[[cue.move]]
camera = "right"
position = "solo"   # wide enough

[[cue]]
number = 2
on_call = true
expected = 60.0
  # as soon as it may
  [[cue.move]]
  camera = "right"
  position = "door"
  earliest = -50
"""


def with_a_file(folder: Path, scene: Callable[[Desk, Path], Coroutine[Any, Any, None]], text: str = COMMENTED) -> None:
    file = folder / "show.toml"
    file.write_text(text)
    at_the_desk(folder, lambda desk: scene(desk, file), read_show_text(text))


@pytest.mark.parametrize(
    ("topic", "asked", "old", "new", "warned"),
    [
        (
            "cue/write",
            {"number": 1.5, "after": 20, "label": "Solo", "moves": [{"camera": "left", "position": "solo"}]},
            "\n[[cue]]\nnumber = 2",
            '\n[[cue]]\nnumber = 1.5\nlabel = "Solo"\nafter = 20\n\n[[cue.move]]\ncamera = "left"\n'
            'position = "solo"\n\n[[cue]]\nnumber = 2',
            [IN_DOUBT],  # right before the next
        ),
        (
            "cue/write",
            {"number": 1, "on_call": True, "expected": 45, "take": "left", "replace": True,
             "moves": [{"camera": "right", "position": "solo", "speed": None}]},
            "expected = 60.0   # or so",
            "expected = 45   # or so",
            [],
        ),
        (
            "cue/write",
            {"number": 2, "on_call": True, "expected": 60, "replace": True,
             "moves": [{"camera": "right", "position": "dor", "earliest": -50}]},
            '"door"',
            '"dor"',
            ["camera right has no position dor; did you mean door?"],
        ),
        ("cue/remove", {"number": 2}, COMMENTED[COMMENTED.index("\n[[cue]]\nnumber = 2") :], "", []),
    ],
    ids=["a new cue", "one field", "a position that is yet to be stored", "one less"],
)  # fmt: skip
def test_a_cue_is_written_into_the_show_file_and_nothing_else_in_it(
    tmp_path: Path, topic: str, asked: dict[str, Any], old: str, new: str, warned: list[str]
) -> None:
    async def scene(desk: Desk, file: Path) -> None:
        assert (await desk.ask("cue/jump", number=2))["ok"]
        outcome = await desk.ask(topic, **asked)
        assert outcome["ok"], outcome["sentence"]
        assert file.read_text() == COMMENTED.replace(old, new)
        assert outcome["result"]["warnings"] == warned
        listed = (await desk.ask("cue/list"))["result"]["cues"]
        assert [float(each["number"]) for each in listed] == [
            each.number for each in read_show_text(file.read_text()).cue
        ]
        assert desk.stands_at()[1] == (None if topic == "cue/remove" else "1.5" if IN_DOUBT in warned else "2")

    with_a_file(tmp_path, scene)


def test_what_is_listed_can_be_written_again_and_changes_not_a_byte(tmp_path: Path) -> None:
    async def scene(desk: Desk, file: Path) -> None:
        for cue in (await desk.ask("cue/list"))["result"]["cues"]:
            written = {key: value for key, value in cue.items() if key not in ("at_seconds", "places")}
            assert (await desk.ask("cue/write", **written, replace=True))["ok"]
        assert file.read_text() == COMMENTED

    with_a_file(tmp_path, scene)


@pytest.mark.parametrize(
    ("topic", "asked", "code", "words"),
    [
        ("cue/write", {"number": 2, "after": 5}, "cue-exists", '"replace": true'),
        ("cue/write", {"number": 3}, "invalid", "not said when this cue comes; write at, after, or on_call"),
        ("cue/write", {"number": 3, "after": 5, "on_call": True}, "invalid", "cue 3, on_call: "),
        ("cue/write", {"number": 1.5, "at": "half past"}, "invalid", "cue 1.5, at: 'half past' is no time"),
        ("cue/write", {"number": 3, "at": "0:00:10"}, "invalid", "can't come before the one before it"),
        (
            "cue/write",
            {"number": 3, "after": 5, "moves": [{"camera": "left", "position": "Solo!", "sped": 3}]},
            "invalid",
            "cue 3, move 1, sped: there is no setting 'sped'; did you mean speed?",
        ),
        ("cue/write", {"number": 3, "after": 5, "moves": [{"camera": "left"}]}, "invalid", "position: it is missing"),
        ("cue/write", {"number": 3, "after": 5, "moves": "left"}, "bad-value", "moves"),
        ("cue/write", {"number": 3, "after": 5, "label": "two\nlines"}, "bad-value", "one line"),
        ("cue/write", {"number": 1, "after": 5, "replace": True}, "standby", "cue 1 is in standby"),
        ("cue/remove", {"number": 1}, "standby", "cue 1 is in standby"),
        ("cue/remove", {"number": 7}, "unknown-cue", "the nearest there are 1 and 2"),
    ],
)
def test_a_cue_that_can_not_be_written_changes_nothing(
    tmp_path: Path, topic: str, asked: dict[str, Any], code: str, words: str
) -> None:
    async def scene(desk: Desk, file: Path) -> None:
        assert (await desk.ask("cue/standby"))["ok"]
        before = (await desk.ask("cue/list"))["result"]
        refused = await desk.ask(topic, **asked)
        assert (refused["ok"], refused["code"]) == (False, code), refused
        assert words in refused["sentence"]
        assert file.read_text() == COMMENTED
        assert [each.name for each in tmp_path.iterdir() if "show" in each.name] == ["show.toml"]
        assert (await desk.ask("cue/list"))["result"] == before
        assert desk.cues()["standby"]

    with_a_file(tmp_path, scene)


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        (COMMENTED.replace("number = 2", "number = 1"), "invalid", "cue 1 is there twice"),
        (COMMENTED.replace('"evening"', '"matinee"'), "other-show", "another show now, matinee"),
        (None, "invalid", "there is no file"),
    ],
)
def test_a_file_that_is_another_than_was_loaded_is_not_written_to(
    tmp_path: Path, text: str | None, code: str, words: str
) -> None:
    async def scene(desk: Desk, file: Path) -> None:
        file.unlink() if text is None else file.write_text(text)
        refused = await desk.ask("cue/write", number=3, after=5)
        assert (refused["ok"], refused["code"]) == (False, code), refused
        assert words in refused["sentence"]
        assert (file.read_text() if file.exists() else None) == text

    with_a_file(tmp_path, scene)


def test_a_cue_in_standby_goes_on_while_another_is_written(tmp_path: Path) -> None:
    async def scene(desk: Desk, file: Path) -> None:
        assert (await desk.ask("cue/go"))["ok"]  # it takes the left one, so that the right one is off air
        await desk.recall("right", "wide")
        assert (await desk.ask("cue/standby", number=2))["ok"]  # the right one leaves ten seconds after the go
        assert (await desk.ask("cue/write", number=3, after=5, take="right"))["ok"]
        assert desk.cues()["standby"] and desk.stands_at() == ("1", "2")
        assert desk.pan_deg("right") == pytest.approx(0.0, abs=0.05)
        await asyncio.sleep(10.0)
        await desk.house.until_still(["right"])
        assert desk.pan_deg("right") == pytest.approx(-30.0, abs=0.05)

    with_a_file(tmp_path, scene)


def test_a_camera_that_was_taken_counts_as_seen_whatever_its_cue_is_changed_to(tmp_path: Path) -> None:
    async def scene(desk: Desk, file: Path) -> None:
        assert (await desk.ask("cue/go"))["ok"]
        assert (await desk.ask("cue/write", number=1, on_call=True, expected=60, take="right", replace=True))["ok"]
        await asyncio.sleep(0.5)  # or it would be the same press
        assert (await desk.ask("cue/go"))["result"]["counted"]  # it takes none
        desk.house.say("camera/left/recall", {"position": "door", "id": "seen"})
        await asyncio.sleep(1.0)
        (told,) = [message for _, message in desk.heard if message.get("id") == "seen"]
        assert (told["phase"], told["code"]) == ("refused", "on-air")

    with_a_file(tmp_path, scene)


def test_who_must_be_where_for_the_next_cue_is_told(tmp_path: Path) -> None:
    async def scene(desk: Desk, file: Path) -> None:
        assert (await desk.ask("cue/go"))["ok"]
        assert desk.cues()["places"] == [{"camera": "right", "position": "door"}]
        assert (await desk.ask("cue/write", number=3, after=9, take="right"))["ok"]
        assert (await desk.ask("cue/go"))["ok"]
        assert desk.cues()["places"] == [{"camera": "right", "position": "door"}], "taken where cue 2 has sent it"

    with_a_file(tmp_path, scene)


def test_what_does_not_fit_is_told_at_its_cue_and_no_longer_once_that_is_mended(tmp_path: Path) -> None:
    short = {"number": 3, "take": "right", "moves": [{"camera": "right", "position": "wide"}]}  # 30 degrees away

    async def scene(desk: Desk, file: Path) -> None:
        assert (await desk.ask("cue/write", **short, after=0.5))["ok"]
        found = (await desk.ask("show/rehearse"))["result"]
        assert not found["fits"]
        (late,) = [each for each in found["conflicts"] if each["kind"] == "taken-unsettled"]
        assert (late["cue"], late["camera"]) == ("3", "right")
        assert late["remedies"]
        assert (await desk.ask("cue/write", **short, after=20, replace=True))["ok"]
        mended = (await desk.ask("show/rehearse"))["result"]
        assert "taken-unsettled" not in [each["kind"] for each in mended["conflicts"]]
        assert any("not measured" in each.lower() for each in mended["reservations"])
        assert (await desk.ask("camera/right/delete", position="door"))["ok"]
        strange = (await desk.ask("show/rehearse"))["result"]
        assert (strange["fits"], [each["cue"] for each in strange["conflicts"]]) == (False, ["2"])

    with_a_file(tmp_path, scene)


def test_a_cue_is_rehearsed_before_it_is_written(tmp_path: Path) -> None:
    moves = [{"camera": "right", "position": "wide"}]

    async def scene(desk: Desk, file: Path) -> None:
        for after, late in ((0, True), (0.5, True), (20, False)):
            cue = {"number": 3, "after": after, "take": "right", "moves": moves}
            found = (await desk.ask("show/rehearse", cue=cue))["result"]["conflicts"]
            assert late == any((each["cue"], each["kind"]) == ("3", "taken-unsettled") for each in found), after
        for wrong, words in (
            ({"number": 3}, "not said when"),
            ({"number": "third", "after": 1}, "up to three decimals"),
            ({"number": 1.5, "at": "9:00:00", "sped": 1}, "sped"),
        ):
            refused = await desk.ask("show/rehearse", cue=wrong)
            assert (refused["code"], words in refused["sentence"]) == ("invalid", True), refused
        assert file.read_text() == COMMENTED
        assert len((await desk.ask("cue/list"))["result"]["cues"]) == 2

    with_a_file(tmp_path, scene)


def test_without_a_show_there_is_no_list_to_write(tmp_path: Path) -> None:
    async def scene(desk: Desk) -> None:
        cue = {"number": 1, "after": 1}
        for topic, asked in (
            ("cue/list", {}),
            ("cue/write", cue),
            ("cue/remove", {"number": 1}),
            ("show/rehearse", {}),
        ):
            assert (await desk.ask(topic, **asked))["code"] == "no-cues"

    at_the_desk(tmp_path, scene)
