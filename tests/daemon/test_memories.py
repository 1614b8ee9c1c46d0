"""A camera that is recalled by its own memories: a mirror of what is stored, trusted until it was wrong once."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Coroutine
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bus_document import promised
from drawn_evenings import actor
from evening_watcher import Counts
from ptzevening.house import House, open_doors
from ptzsim import virtual_time

from ptzd.bus import Said
from ptzd.bus.asyncapi import name_of
from ptzd.bus.commands import RestoreCommand
from ptzd.cameras import OwnMemories
from ptzd.visca import MemoryRecall, MemoryRecallSpeed, MemorySet, PanTiltAbsolute, load_dialect

DIALECT = load_dialect("nibble4-51")
PLACES = {
    "wide": Counts(1000, 200, 0x0800, 0x4000, False),
    "solo": Counts(-900, 100, 0x1000, 0x5000, False),
    "door": Counts(300, 0, 0x0400, 0x4000, False),
}
SET, RECALL, SPEED = (order.encode(DIALECT)[:5] for order in (MemorySet(0), MemoryRecall(0), MemoryRecallSpeed(0, 1)))
ABSOLUTE = PanTiltAbsolute(0, 0, 1, 1).encode(DIALECT)[:4]


class Scene:
    """A house with one camera, what it was sent and what was said."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.sent: list[bytes] = []
        self.said: list[tuple[str, dict[str, Any]]] = []
        house.broker.listen(self._hear)
        simulated = house.wires["left"].camera
        receive = simulated.receive

        def keep(datagram: bytes, *more: Any, **how: Any) -> None:
            self.sent.append(datagram[8:])
            receive(datagram, *more, **how)

        simulated.receive = keep  # type: ignore[method-assign]

    def _hear(self, said: Said) -> None:
        if said.payload and said.topic.endswith(("/outcome", "/move")):
            self.said.append((said.topic, json.loads(said.payload)))

    async def ask(self, topic: str, seconds: float = 60.0, **wanted: Any) -> dict[str, Any]:
        """Say it, and return its outcome, or the end of its move."""
        id = f"ask-{len(self.said)}"
        self.house.say(topic, wanted | {"id": id})
        async with asyncio.timeout(seconds):
            while True:
                for _, message in self.said:
                    ended = message.get("phase") not in ("accepted", "slewing", "settling")
                    if message.get("id") == id and ended:
                        return message
                await asyncio.sleep(0.05)

    async def store(self, *names: str) -> None:
        for name in names:
            assert (await self.ask("camera/left/recall", position=name))["phase"] == "settled"
            outcome = await self.ask("camera/left/store", position=name, replace=True)
            assert outcome["ok"], outcome

    async def away(self) -> None:
        assert (await self.ask("camera/left/nudge", pan_deg=9.0))["phase"] == "settled"
        self.sent.clear()

    def of(self, prefix: bytes) -> list[bytes]:
        return [each for each in self.sent if each.startswith(prefix)]


def with_scene(
    folder: Path, scene: Callable[[Scene], Coroutine[Any, Any, None]], memories: OwnMemories | None, **more: Any
) -> None:
    async def play() -> None:
        left = actor("left", PLACES, DIALECT, memories=memories, **more)
        async with open_doors({"left": left}, folder, seed=3, show=None, off_air_untold=True) as house:
            await house.start()
            made = Scene(house)
            await asyncio.sleep(3.0)
            await scene(made)

    virtual_time.run(play())


def memories_of(house: House) -> set[int]:
    return set(house.wires["left"].camera.body._memories)


@pytest.mark.parametrize("speed", [True, False])
def test_a_stored_position_lies_in_a_memory_and_is_recalled_from_there_off_air_alone(
    tmp_path: Path, speed: bool
) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide", "solo")
        assert memories_of(on.house) == {0, 1}
        await on.away()
        ended = await on.ask("camera/left/recall", position="wide")
        assert (ended["phase"], ended["warning"]) == ("settled", None)
        assert len(on.of(RECALL)) == 1 and len(on.of(SPEED)) == speed and not on.of(ABSOLUTE)
        assert abs(ended["landing"]["pan_counts"]) <= 1 and abs(ended["landing"]["zoom_counts"]) <= 1
        await on.away()
        ended = await on.ask("camera/left/recall", position="wide", speed=6)
        assert ended["phase"] == "settled"
        # A memory whose speed nobody can choose is not used where somebody has chosen one.
        assert (len(on.of(RECALL)), len(on.of(ABSOLUTE))) == ((1, 0) if speed else (0, 1))
        await on.away()
        on.house.say("camera/left/tally", {"tally": "program"})
        ended = await on.ask("camera/left/recall", position="solo", on_air=True)
        assert ended["phase"] == "settled"
        assert not on.of(RECALL)

    with_scene(tmp_path, scene, OwnMemories(6, speed))


def test_a_camera_without_the_setting_is_never_told_of_its_memories(tmp_path: Path) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide")
        await on.away()
        await on.ask("camera/left/recall", position="wide")
        assert not on.of(RECALL) and memories_of(on.house) == set()
        refused = await on.ask("camera/left/restore", clear=True)
        assert (refused["ok"], refused["code"]) == (False, "no-memory")

    with_scene(tmp_path, scene, None)


def test_a_memory_that_somebody_else_has_set_is_told_of_and_trusted_no_more(tmp_path: Path) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide", "solo")
        body = on.house.wires["left"].camera.body
        body._memories[0] = replace(body._memories[0], pan_deg=body._memories[0].pan_deg + 3.0)
        await on.away()
        ended = await on.ask("camera/left/recall", position="wide")
        assert ended["phase"] == "settled" and abs(ended["landing"]["pan_counts"]) <= 1
        assert "its own memory 0 does not bring it there (pan +154" in ended["warning"]  # 3 degrees of 51.2 counts
        await on.away()
        for name in ("solo", "wide"):
            ended = await on.ask("camera/left/recall", position=name)
            assert (ended["phase"], ended["warning"]) == ("settled", None)
        assert not on.of(RECALL)

    with_scene(tmp_path, scene, OwnMemories(6))


def test_a_swapped_camera_gets_its_memories_back_after_a_yes(tmp_path: Path) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide", "solo", "door")
        on.house.wires["left"].camera.body._memories.clear()  # another camera
        on.sent.clear()
        refused = await on.ask("camera/left/restore")
        assert (refused["ok"], refused["code"]) == (False, "not-clear")
        assert "it hangs over people" in refused["sentence"]
        assert not on.of(ABSOLUTE)
        outcome = await on.ask("camera/left/restore", clear=True, seconds=200.0)
        assert outcome["ok"], outcome
        promised(f"{name_of(RestoreCommand)}-outcome").validate(outcome)
        assert sorted(outcome["result"]["restored"]) == ["door", "solo", "wide"] and outcome["result"]["left"] == []
        assert memories_of(on.house) == {0, 1, 2}
        await on.away()
        for name in PLACES:
            ended = await on.ask("camera/left/recall", position=name)
            assert (ended["phase"], ended["warning"]) == ("settled", None)
        assert len(on.of(RECALL)) == 3 and not on.of(ABSOLUTE)

    with_scene(tmp_path, scene, OwnMemories(6), overhead=True)


def test_an_empty_memory_is_gone_past(tmp_path: Path) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide")
        on.house.wires["left"].camera.body._memories.clear()
        await on.away()
        ended = await on.ask("camera/left/recall", position="wide")
        assert ended["phase"] == "settled"
        assert "its own memory 0 does not bring it there" in ended["warning"]

    with_scene(tmp_path, scene, OwnMemories(6))


def test_a_stop_ends_a_restore(tmp_path: Path) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide", "solo", "door")
        restoring = asyncio.ensure_future(on.ask("camera/left/restore", clear=True, seconds=100.0))
        await asyncio.sleep(0.6)
        on.house.say("camera/left/stop", "")
        on.sent.clear()
        outcome = await restoring
        assert outcome["ok"] and len(outcome["result"]["left"]) + len(outcome["result"]["restored"]) == 3
        assert outcome["result"]["left"]
        await asyncio.sleep(5.0)
        assert not on.of(ABSOLUTE), "it goes on though it was stopped"

    with_scene(tmp_path, scene, OwnMemories(6))


def test_a_restore_ends_once_the_broker_is_lost_over_which_it_could_be_stopped(tmp_path: Path) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide", "solo", "door")
        restoring = asyncio.ensure_future(on.ask("camera/left/restore", clear=True, seconds=100.0))
        await asyncio.sleep(0.6)
        on.house.broker.stop()
        await asyncio.sleep(0.5)
        on.sent.clear()
        await asyncio.sleep(5.0)
        assert not on.of(ABSOLUTE), "it goes on though nobody could stop it"
        on.house.broker.start()
        assert (await restoring)["result"]["left"]

    with_scene(tmp_path, scene, OwnMemories(6))


@pytest.mark.parametrize("moment", ["it has settled", "its memory is being set", "its memory is set"])
def test_a_stop_between_two_positions_ends_a_restore_too(tmp_path: Path, moment: str) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide", "solo", "door")
        on.sent.clear()
        on.said.clear()
        restoring = asyncio.ensure_future(on.ask("camera/left/restore", clear=True, seconds=100.0))
        async with asyncio.timeout(60.0):
            while not on.of(SET) if "memory" in moment else all(said.get("phase") != "settled" for _, said in on.said):
                await asyncio.sleep(0.001)
        if moment == "its memory is set":
            await asyncio.sleep(0.02)
        on.house.say("camera/left/stop", "")
        on.sent.clear()
        outcome = await restoring
        assert outcome["ok"] and len(outcome["result"]["left"]) >= 2
        await asyncio.sleep(5.0)
        assert not on.of(ABSOLUTE), "it goes on though it was stopped"

    with_scene(tmp_path, scene, OwnMemories(6))


def test_where_memories_are_too_few_the_rest_is_recalled_by_position_and_that_is_told(tmp_path: Path) -> None:
    async def scene(on: Scene) -> None:
        await on.store("wide", "solo")
        assert (await on.ask("camera/left/recall", position="door"))["phase"] == "settled"
        outcome = await on.ask("camera/left/store", position="door", replace=True)
        assert "the 2 memories of camera left are all taken" in outcome["result"]["warning"]
        assert (await on.ask("camera/left/delete", position="wide"))["ok"]
        outcome = await on.ask("camera/left/store", position="door", replace=True)
        assert outcome["result"]["warning"] is None
        assert (await on.ask("camera/left/rename", position="door", to="gate"))["ok"]
        await on.away()
        assert (await on.ask("camera/left/recall", position="gate"))["phase"] == "settled"
        assert on.of(RECALL) and not on.of(ABSOLUTE), "a renamed position has lost its memory"

    with_scene(tmp_path, scene, OwnMemories(2))
