"""Driving an axis to where it goes no further: on many heads, on a virtual clock, with a daemon that is all there."""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import Callable, Coroutine
from contextlib import suppress
from pathlib import Path
from typing import Any, cast

import pytest
from ptzevening import Actor, House, open_house
from ptzsim.habits import draw_habits
from ptzsim.mount import mount_named
from ptzsim.virtual_time import run

from ptzd.bus import Said
from ptzd.cameras import CameraSettings
from ptzd.cli import driving
from ptzd.cli.client import Client, Heard
from ptzd.cli.driving import STOPPED, Driven, Following, NotDriven
from ptzd.line import Tolerance
from ptzd.motion import published_head
from ptzd.visca import Dialect, load_dialect

AXES: tuple[Driven, ...] = ("pan", "tilt", "zoom")


def small(name: str) -> Dialect:
    """A head that can't go far."""
    figures = load_dialect(name).model_dump()
    for axis, deg in (("pan", 6), ("tilt", 4)):
        counts = round(deg * figures[axis]["counts_per_degree"])
        figures[axis] |= {"least_counts": -counts, "most_counts": counts + 5}
    return Dialect.model_validate(figures | {"name": "small", "sources": ("made up",)})


def ends(dialect: Dialect, axis: Driven) -> tuple[int, int]:
    if axis == "zoom":
        return dialect.zoom.wide_counts, dialect.zoom.tele_counts
    scale = dialect.pan if axis == "pan" else dialect.tilt
    return scale.least_counts, scale.most_counts


class Wired:
    """What the command line has of the bus, without a broker."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._heard: asyncio.Queue[Heard] = asyncio.Queue()
        self._asked = 0
        house.broker.listen(self._take)

    def _take(self, said: Said) -> None:
        topic = said.topic.removeprefix("ptzd/")
        if said.payload and (topic == "outcome" or topic.endswith("/state")):
            self._heard.put_nowait(Heard(topic, json.loads(said.payload)))

    async def publish(self, topic: str, payload: dict[str, Any]) -> str:
        self._asked += 1
        self._house.say(topic, payload | {"id": f"ask {self._asked}"})
        return f"ask {self._asked}"

    async def hear(self) -> Heard:
        return await self._heard.get()


def drive(
    folder: Path,
    seed: int,
    scene: Callable[[House, Following], Coroutine[Any, Any, None]],
    monkeypatch: pytest.MonkeyPatch,
    name: str = "nibble4-14",
) -> None:
    """Play with one small head, drawn by the seed."""
    dialect = small(name)
    settings = CameraSettings(
        "left", dialect, published_head(dialect.pan.steps_deg_per_s, dialect.tilt.steps_deg_per_s), 24, Tolerance()
    )
    habits = draw_habits(random.Random(f"driving {seed}"))

    async def play() -> None:
        async with open_house(
            {"left": Actor(settings, (), mount_named("tripod"), habits=habits)}, folder, seed=seed
        ) as house:
            monkeypatch.setattr(driving, "sent_at", lambda: house.calendar().isoformat())
            following = Following(cast(Client, Wired(house)), {}, "left")
            house.say("camera/left/tally", "off")
            await following.begin()
            await following.hear(lambda heard: following.state["tally"] == "off", 5.0)
            await scene(house, following)

    run(play())


def speed(house: House) -> float:
    head, now = house.wires["left"].camera.head, asyncio.get_running_loop().time()
    return abs(head.pan_deg_per_s(now)) + abs(head.tilt_deg_per_s(now))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", ["nibble4-14", "nibble4-51"])
def test_each_end_of_any_head_is_come_to_one_after_the_other(
    name: str, seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House, following: Following) -> None:
        for axis in AXES:
            found = [await following.to_end(axis, way) for way in (-1, 1)]
            assert found == pytest.approx(ends(small(name), axis), abs=1), axis
        await asyncio.sleep(2.0)
        assert speed(house) == 0

    drive(tmp_path, seed, scene, monkeypatch, name)


@pytest.mark.parametrize("seconds", [1.5, 2.2, 2.7, 3.5])
@pytest.mark.parametrize("axis", AXES)
def test_a_camera_that_says_nothing_for_a_while_is_at_no_end(
    axis: Driven, seconds: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    came: list[int] = []

    async def scene(house: House, following: Following) -> None:
        await following.to_end(axis, -1)

        async def fall_silent() -> None:
            await asyncio.sleep(1.2)
            house.wires["left"].camera.silent_until = asyncio.get_running_loop().time() + seconds

        silence = asyncio.create_task(fall_silent())
        with suppress(NotDriven):
            came.append(await following.to_end(axis, 1))
        await silence
        await asyncio.sleep(8.0)
        assert speed(house) == 0

    drive(tmp_path, 1, scene, monkeypatch)
    assert came == ([] if seconds > 2.5 else [pytest.approx(ends(small("nibble4-14"), axis)[1], abs=1)])


@pytest.mark.parametrize("seed", range(4))
def test_who_is_sent_elsewhere_by_somebody_goes_there(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House, following: Following) -> None:
        house.say("camera/left/store", {"position": "home"})
        await asyncio.sleep(2.0)
        driving = asyncio.create_task(following.to_end("pan", -1))
        await asyncio.sleep(1.0 + 0.05 * seed)
        assert speed(house) > 0
        house.say("camera/left/recall", "home")
        with pytest.raises(NotDriven, match="somebody sent it elsewhere"):
            await driving
        await asyncio.sleep(10.0)
        assert (speed(house), house.position_of("left")) == (0, "home")

    drive(tmp_path, seed, scene, monkeypatch)


def test_who_is_stopped_by_somebody_else_drives_no_further(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def scene(house: House, following: Following) -> None:
        driving = asyncio.create_task(following.to_end("pan", -1))
        await asyncio.sleep(1.5)
        assert speed(house) > 0
        house.say("camera/left/stop", "")
        with pytest.raises(NotDriven, match=f"^{STOPPED}$"):
            await driving
        await asyncio.sleep(1.0)
        for _ in range(40):
            assert speed(house) == 0
            await asyncio.sleep(0.05)

    drive(tmp_path, 1, scene, monkeypatch)


def test_what_moves_already_is_not_driven_and_not_what_falls_silent_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House, following: Following) -> None:
        await following.hear(lambda heard: False, 2.0)  # a daemon takes the first pushes for older than itself
        for _ in range(3):
            house.say("camera/left/drive", {"pan": 0.3, "id": "theirs"})
            await following.hear(lambda heard: False, 0.3)
        pushing = asyncio.create_task(repeatedly(house))
        with pytest.raises(NotDriven, match="it does not come to rest"):
            await following.to_end("pan", 1)
        pushing.cancel()
        await following.hear(lambda heard: following.state["activity"] == "at-rest", 10.0)
        driving = asyncio.create_task(following.to_end("pan", -1))
        await asyncio.sleep(1.0)
        house.wires["left"].camera.silent_until = float("inf")
        with pytest.raises(NotDriven, match="it does not answer"):
            await driving

    async def repeatedly(house: House) -> None:
        while True:
            house.say("camera/left/drive", {"tilt": 0.3})
            await asyncio.sleep(0.2)

    drive(tmp_path, 1, scene, monkeypatch)


def test_what_is_refused_is_told_and_no_push_follows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def scene(house: House, following: Following) -> None:
        asked: list[str] = []
        house.broker.listen(lambda said: asked.append(said.topic.rpartition("/")[2]))
        driving = asyncio.create_task(following.to_end("pan", -1))
        await asyncio.sleep(1.0)
        monkeypatch.setattr(Following, "why_not", lambda self: None)  # the state has not come yet
        monkeypatch.setattr(Following, "halted", property(lambda self: False, lambda self, halted: None), raising=False)
        house.say("camera/left/lock", {"by": "the rigger"})
        with pytest.raises(NotDriven, match="locked by the rigger"):
            await driving
        asked.clear()
        await asyncio.sleep(2.0)
        assert "drive" not in asked and "stop" not in asked
        assert speed(house) == 0

    drive(tmp_path, 1, scene, monkeypatch)
