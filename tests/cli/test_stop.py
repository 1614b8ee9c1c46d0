"""`ptzd stop` never says that all is well where a camera could not hear it."""

from __future__ import annotations

import json

import aiomqtt
import pytest
from commands import Ptzd, StandInFor


async def say_links(broker: str, **links: str) -> None:
    host, port = broker.split(":")
    async with aiomqtt.Client(host, int(port)) as client:
        for camera, link in links.items():
            state = json.dumps({"camera": camera, "link": link})
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
