"""The choir evening run by its cues alone: standby and go at the daemon, and nobody calls a position by name."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from ptzevening import House, open_house
from ptzevening.__main__ import _actors
from ptzsim import virtual_time

from ptzd.config import load_config
from ptzd.files import number_text, read_show_file
from ptzd.rehearsal import RehearsedCamera, rehearse

CONFIGS = Path(__file__).parents[2] / "configs"
SHOW = read_show_file(CONFIGS / "choir-evening.toml")
ACTORS = _actors(load_config(CONFIGS / "granary.toml"), CONFIGS / "granary-show.toml")
REHEARSAL = rehearse(
    SHOW,
    {name: RehearsedCamera(each.settings, {one.name: one for one in each.positions}) for name, each in ACTORS.items()},
)


class Desk:
    """Whoever runs the cues, with an eye on what is said."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.cues: list[dict[str, Any]] = []
        self.moves: list[dict[str, Any]] = []
        house.hear(self._heard)

    def _heard(self, topic: str, message: dict[str, Any]) -> None:
        if topic == "cue/state":
            self.cues.append(message)
        elif topic.endswith("/move"):
            self.moves.append(message)

    @property
    def stands(self) -> tuple[str | None, str | None]:
        last = self.cues[-1]
        return tuple(None if last[key] is None else last[key]["number"] for key in ("standing", "next"))  # type: ignore[return-value]

    async def take_places(self) -> None:
        self.take(None)
        for camera, position in SHOW.show.start.items():
            self.house.say(f"camera/{camera}/recall", position)
        await asyncio.sleep(1)
        await self.house.until_still(SHOW.show.start)
        self.moves.clear()

    def take(self, camera: str | None) -> None:
        for name in ACTORS:
            self.house.say(f"camera/{name}/tally", "program" if name == camera else "off")


def test_the_evening_run_by_its_cues_goes_as_it_was_rehearsed(tmp_path: Path) -> None:
    async def scene() -> None:
        async with open_house(ACTORS, tmp_path, seed=1, show=SHOW) as house:
            desk = Desk(house)
            await desk.take_places()
            desk.take(SHOW.show.on_air)
            began = asyncio.get_running_loop().time()
            house.say("cue/standby", "")
            for cue in REHEARSAL.cues:
                await asyncio.sleep(began + cue.at_seconds - asyncio.get_running_loop().time())
                desk.take(cue.on_air)
                house.say("cue/go", "")
                await asyncio.sleep(0.05)
                assert desk.stands[0] == number_text(cue.number)
                if cue is not REHEARSAL.cues[-1]:
                    house.say("cue/standby", "")
            await asyncio.sleep(30)
            assert desk.stands == ("24", None)

            settled = [one for one in desk.moves if one["phase"] == "settled"]
            # All but one: cue 14 wants a camera off air that is on air until that very cue.
            wanted = [
                (one.camera, one.position, f"cue {number_text(one.cue_number)}")
                for one in REHEARSAL.moves
                if one.cue_number != 14
            ]
            assert sorted((one["camera"], one["position"], one["id"]) for one in settled) == sorted(wanted)
            assert {one["phase"] for one in desk.moves} == {"accepted", "slewing", "settling", "settled"}
            on_air = [one for state in desk.cues for one in state["not_ready"] if one["code"] == "on-air"]
            assert {one["camera"] for one in on_air} == {"right"}
            for one in settled:
                assert one["least_seconds"] <= one["measured_seconds"] <= one["most_seconds"], one

    virtual_time.run(scene())


def test_the_daemon_comes_up_on_the_cue_it_was_on_and_moves_nothing_by_itself(tmp_path: Path) -> None:
    async def first() -> None:
        async with open_house(ACTORS, tmp_path, seed=1, show=SHOW) as house:
            desk = Desk(house)
            house.say("cue/jump", "12")
            house.say("cue/go", "")
            house.say("cue/hold", "")
            await asyncio.sleep(1)
            assert desk.stands == ("12", "13")

    async def again() -> None:
        async with open_house(ACTORS, tmp_path, seed=1, show=SHOW) as house:
            desk = Desk(house)
            house.say("cue/go", "")
            await asyncio.sleep(10)
            assert desk.moves == [], "it is still on hold"
            house.say("cue/release", "")
            await asyncio.sleep(10)
            assert desk.stands == ("12", "13")
            assert desk.moves == []

    virtual_time.run(first())
    virtual_time.run(again())


def test_a_locked_camera_stays_and_everybody_is_told_why_the_cue_is_not_ready(tmp_path: Path) -> None:
    async def scene() -> None:
        async with open_house(ACTORS, tmp_path, seed=1, show=SHOW) as house:
            desk = Desk(house)
            await desk.take_places()
            house.say("camera/left/lock", {"by": "the rigger", "reason": "hands at the head"})
            await asyncio.sleep(0.1)
            house.say("cue/standby", "1")
            await asyncio.sleep(5)
            [fault] = desk.cues[-1]["not_ready"]
            assert (fault["camera"], fault["code"]) == ("left", "locked")
            assert "hands at the head" in fault["sentence"]
            house.say("camera/left/unlock", {"by": "the rigger"})
            await asyncio.sleep(5)
            assert desk.moves == []
            house.say("cue/standby", "1")
            await asyncio.sleep(10)
            assert desk.cues[-1]["ready"]

    virtual_time.run(scene())


def test_a_standby_is_ready_when_its_cameras_stand_and_not_before(tmp_path: Path) -> None:
    async def scene() -> None:
        async with open_house(ACTORS, tmp_path, seed=1, show=SHOW) as house:
            desk = Desk(house)
            await desk.take_places()
            house.say("cue/standby", "1")
            await asyncio.sleep(10)
            ready = next(index for index, state in enumerate(desk.cues) if state["ready"])
            assert desk.cues[ready - 1]["not_ready"][0]["code"] == "moving"
            [settled] = [one for one in desk.moves if one["phase"] == "settled"]
            assert desk.cues[ready]["as_of"] == pytest.approx(settled["as_of"])

    virtual_time.run(scene())
