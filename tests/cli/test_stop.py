"""`ptzd stop` never says that all is well where a camera could not hear it."""

from __future__ import annotations

import asyncio
import json

import aiomqtt
import pytest
from commands import Ptzd, StandInFor


async def say_activities(broker: str, **activities: str | None) -> None:
    host, port = broker.split(":")
    async with aiomqtt.Client(host, int(port)) as client:
        for camera, activity in activities.items():
            state = json.dumps({"camera": camera, "link": "up", "power": "on", "activity": activity})
            await client.publish(f"ptzd/camera/{camera}/state", state, qos=1, retain=True)


async def say_links(broker: str, **links: str) -> None:
    host, port = broker.split(":")
    async with aiomqtt.Client(host, int(port)) as client:
        for camera, link in links.items():
            state = json.dumps({"camera": camera, "link": link, "activity": "at-rest"})
            await client.publish(f"ptzd/camera/{camera}/state", state, qos=1, retain=True)


@pytest.mark.parametrize("arguments", [("stop",), ("stop", "left"), ("stop", "--json")])
async def test_a_stop_that_a_camera_may_not_have_heard_fails_and_names_it(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, arguments: tuple[str, ...]
) -> None:
    answers = {"all/stop": [("outcome", {"ok": True})], "camera/left/stop": [("outcome", {"ok": True})]}
    async with stand_in(broker, answers) as daemon:
        await say_links(broker, gallery="up", left="down")
        ended = await ptzd(*arguments, "--broker", broker)
    assert len(daemon.asked) == 1
    assert ended.code == 1
    assert ended.err.startswith("Camera left does not answer")
    assert ended.err.count("\n") == 1


async def test_a_camera_that_is_not_to_stop_does_not_matter(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"camera/gallery/stop": [("outcome", {"ok": True})]}):
        await say_links(broker, gallery="up", left="down")
        ended = await ptzd("stop", "gallery", "--broker", broker)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out == "Camera gallery was told to stop.\ncamera gallery stands still\n"


OK = [("outcome", {"ok": True})]


async def test_each_camera_is_told_of_as_it_comes_to_rest(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"all/stop": OK}):
        await say_activities(broker, left="at-rest", gallery="halting")
        stopping = asyncio.create_task(ptzd("stop", "--broker", broker))
        await asyncio.sleep(3)
        await say_activities(broker, gallery="at-rest")
        ended = await stopping
    assert (ended.code, ended.err) == (0, "")
    first, *others = ended.out.splitlines()
    assert first == "Every camera was told to stop."
    assert sorted(others) == ["camera gallery stands still", "camera left stands still"]


@pytest.mark.parametrize("command", [("stop",), ("stop", "gallery", "--json"), ("lock", "gallery")])
@pytest.mark.parametrize("activity", ["halting", "by-hand", None])
async def test_a_camera_that_is_not_seen_to_stand_still_is_never_said_to_be_stopped(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, command: tuple[str, ...], activity: str | None
) -> None:
    async with stand_in(broker, {"all/stop": OK, "camera/gallery/stop": OK, "camera/gallery/lock": OK}):
        await say_activities(broker, left="at-rest", gallery=activity)
        ended = await ptzd(*command, "--broker", broker)
    assert ended.code == 1
    assert ended.err.startswith("Camera gallery was not seen to stand still in 4 s")
    assert "camera gallery stands still" not in ended.out


@pytest.mark.parametrize("command", [("stop",), ("lock", "gallery")])
async def test_it_is_done_and_said_though_a_status_says_that_nobody_is_there(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, command: tuple[str, ...]
) -> None:
    async with stand_in(broker, {"all/stop": OK, "camera/gallery/lock": OK}) as daemon:
        await daemon.say_offline()
        await say_activities(broker, gallery="at-rest")
        ended = await ptzd(*command, "--broker", broker)
    assert len(daemon.asked) == 1
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.endswith("camera gallery stands still\n")


async def test_a_lock_on_a_camera_that_does_not_answer_says_that_nobody_knows_whether_it_stands(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {"camera/left/lock": OK}):
        await say_links(broker, left="down")
        ended = await ptzd("lock", "left", "--broker", broker)
    assert ended.code == 1
    assert "nobody knows whether it stands still" in ended.err
