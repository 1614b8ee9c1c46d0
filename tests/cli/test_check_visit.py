"""Every position is gone to, through the daemon: the picture tells what counts do not; who may not move does not."""

from __future__ import annotations

import asyncio
import json
import random
import re
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from commands import Answering, Answers, Ptzd, StandInFor, StartPtzd
from ptzsim import serve_udp
from ptzsim.camera import Knock, SimulatedCamera
from ptzsim.fleet import CameraPlan
from ptzsim.picture_server import serve_pictures
from ptzsim.stage import Stage

from ptzd.cli.commands.check_visit import LEFT, RIGHT, Arrival, judged
from ptzd.config import CameraConfig
from ptzd.daemon import camera_settings
from ptzd.positions import read_show

PLACES = {"left": ("one", "two", "three"), "right": ("one",), "gallery": ("one",), "balcony": ("one",)}
POSITION = (
    "[positions.{}.{}]\npan_counts = {}\ntilt_counts = 0\nzoom_counts = 8000\nfocus_counts = 8192\n"
    'focus_mode = "auto"\ndialect = "nibble4-51"\n'
)
DRAGGED_DEG = 0.4


@pytest.fixture
async def cameras(tmp_path: Path, broker: str) -> AsyncIterator[dict[str, SimulatedCamera]]:
    """Four cameras with pictures, of a configuration `granary.toml`; a tally is kept of each."""
    loop = asyncio.get_running_loop()
    made: dict[str, SimulatedCamera] = {}
    ports: dict[str, int] = {}
    async with AsyncExitStack() as stack:
        for seed, name in enumerate(PLACES):
            plan = CameraPlan(name, "127.0.0.1", 1, "nibble4-51", "tripod", seed, ready=True, loss=0.0)
            made[name] = plan.build(loop.time())
            ports[name] = await stack.enter_async_context(
                serve_udp(made[name], "127.0.0.1", 0, rng=random.Random(seed))
            )
        pictures = await stack.enter_async_context(
            serve_pictures(made, "127.0.0.1", 0, rng=random.Random(1), stage=Stage(1))
        )
        host, mqtt = broker.split(":")
        text = f'[broker]\nport = {mqtt}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n'
        for name, port in ports.items():
            text += f'[camera.{name}]\nlink = "udp://127.0.0.1:{port}"\ndialect = "nibble4-51"\n'
            text += (
                f'sensor = [35.9, 24.0]\nfocal_length = [28, 135]\npicture = "http://127.0.0.1:{pictures}/{name}.jpg"\n'
            )
        (tmp_path / "granary.toml").write_text(text)
        async with aiomqtt.Client(host, int(mqtt)) as mixer:
            for name in PLACES:
                tally = "program" if name == "balcony" else "off"
                await mixer.publish(f"ptzd/camera/{name}/tally", tally, retain=True, qos=1)
        yield made


async def drag(camera: SimulatedCamera) -> None:
    """Let a cable turn a camera on its mount whenever it goes to the left."""
    loop = asyncio.get_running_loop()
    before = camera.head.pan_counts(loop.time())
    while True:
        await asyncio.sleep(0.02)
        now = camera.head.pan_counts(loop.time())
        if abs(now - before) > 2:
            camera.knocked = Knock(DRAGGED_DEG if now < before else 0.0)
            before = now


def places(cameras: dict[str, SimulatedCamera]) -> dict[str, int]:
    now = asyncio.get_running_loop().time()
    return {name: camera.head.pan_counts(now) for name, camera in cameras.items()}


async def test_a_visit_shows_what_slips_and_drags_and_moves_nobody_who_is_locked_or_on_air(
    ptzd: Ptzd, start_ptzd: StartPtzd, cameras: dict[str, SimulatedCamera], tmp_path: Path, broker: str
) -> None:
    await start_ptzd("run", "--config", str(tmp_path / "granary.toml"))
    host, mqtt = broker.split(":")
    async with asyncio.timeout(30), aiomqtt.Client(host, int(mqtt)) as client:
        await client.subscribe("ptzd/camera/+/state")
        up: set[str] = set()
        async for message in client.messages:
            if b'"at-rest"' in bytes(message.payload):
                up.add(str(message.topic))
            if len(up) == len(PLACES):
                break
    stored = "".join(
        POSITION.format(name, place, -200 + 200 * at)
        for name, places in PLACES.items()
        for at, place in enumerate(places)
    )
    assert (await ptzd("positions", "import", "-", "--broker", broker, stdin=stored)).code == 0
    assert (await ptzd("lock", "gallery", "--by", "rigger", "--broker", broker)).code == 0

    async with asyncio.timeout(30), aiomqtt.Client(host, int(mqtt)) as client:
        await client.subscribe("ptzd/camera/right/positions")
        assert (await ptzd("recall", "right", "one", "--broker", broker)).code == 0
        async for message in client.messages:  # which keeps a still of it
            if json.loads(message.payload)["positions"][0]["still"] is not None:
                break
    cameras["right"].zoom_slipped = 0.05

    visit = ("check", "--config", str(tmp_path / "granary.toml"), "--seconds", "0.1", "--visit", "--speed", "24")
    began = places(cameras)
    declined = await ptzd(*visit, stdin="n\n")
    assert (declined.code, "CAUTION" in declined.err) == (1, True)
    assert places(cameras) == began, "who does not say yes moves nothing"

    dragging = asyncio.create_task(drag(cameras["left"]))
    ended = await ptzd(*visit, "--yes", "--json", seconds=120)
    dragging.cancel()
    findings = [each for each in ended.json()["findings"] if each["what"] == "visit"]
    told = {name: [each for each in findings if each["subject"] == f"camera {name}"] for name in PLACES}
    for name, reason in (("gallery", "it is locked"), ("balcony", "its tally is program")):
        assert [each["state"] for each in told[name]] == ["unseen"]
        assert reason in told[name][0]["sentence"]
        assert places(cameras)[name] == began[name]
    [slipped] = [each for each in told["right"] if each["state"] == "failed"]
    assert "tighter: the zoom ring may have slipped" in slipped["sentence"]
    one, two, three, unseen = told["left"]
    assert two["state"] == "failed"
    assert "from the left" in two["sentence"] and "from the right" in two["sentence"]
    assert re.search(r"two has drifted since it was stored, \d+ px left", two["sentence"]), (
        "it had been come to otherwise"
    )
    assert [each["sentence"].partition(":")[0] for each in (one, two, three)] == ["one", "two", "three"]
    for each in (one, three):  # once at least there was no still yet, and the counts alone make nothing well
        assert (each["state"], "its picture can't tell" in each["sentence"]) == ("unseen", True)
    assert (unseen["state"], "one, two, three" in unseen["sentence"]) == ("unseen", True), "there were no stills yet"


async def test_the_ends_of_a_zoom_are_found_again_and_told_where_they_are_others(
    ptzd: Ptzd, tmp_path: Path, broker: str, stand_in: StandInFor
) -> None:
    (tmp_path / "granary.toml").write_text(
        f'[broker]\nport = {broker.split(":")[1]}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n'
        '[camera.left]\nlink = "udp://127.0.0.1:1"\ndialect = "nibble4-51"\n'
    )
    reckoned = POSITION.format("left", "reckoned", 100) + "provisional = true\n"
    (tmp_path / "positions.toml").write_text(POSITION.format("left", "one", 0) + reckoned)
    state: dict[str, Any] = {"link": "up", "power": "on", "tally": "off", "locks": [], "faults": [], "pan_counts": 0}
    state["activity"] = "at-rest"
    state |= {"pan_deg": 0.0, "tilt_deg": 0.0, "tilt_counts": 0, "zoom_counts": 8000, "focus_counts": 0}
    landing = dict.fromkeys(("pan_counts", "tilt_counts", "zoom_counts", "focus_counts", "pan_deg", "tilt_deg"), 0)

    def driven(asked: dict[str, Any]) -> Answers:
        pushed = asked.get("zoom", 0)
        assert abs(pushed) <= 0.3, "slowly"
        assert set(asked) - {"zoom"} == {"sent_at", "id"}, "nothing else is driven"
        if pushed:
            state["zoom_counts"] = min(max(state["zoom_counts"] + (6000 if pushed > 0 else -6000), 0), 16000)
        done = {"ok": True, "id": asked["id"], "result": {"zoom_read_seconds_ago": 0.1}}
        return [("camera/left/state", state), ("outcome", done)]

    answers: dict[str, Answering] = {
        "camera/left/recall": [("camera/left/move", {"phase": "settled", "landing": landing, "position": "one"})],
        "camera/left/drive": driven,
    }
    async with stand_in(broker, answers) as daemon:
        await daemon.client.publish("ptzd/camera/left/state", json.dumps(state), retain=True, qos=1)
        ended = await ptzd(
            *("check", "--config", str(tmp_path / "granary.toml"), "--positions", str(tmp_path / "positions.toml")),
            *("--seconds", "0.1", "--visit", "--zoom-ends", "--yes", "--json"),
            seconds=60,
        )
    told = [(each["state"], each["sentence"]) for each in ended.json()["findings"] if each["what"] == "zoom ends"]
    assert told == [
        ("ok", "the wide end is where it was, at 0"),
        ("caution", "the tele end is at 16000, 384 counts below 16384"),
    ]
    order = [topic.rpartition("/")[2] for topic, _ in daemon.asked]
    assert order[0] == order[-1] == "recall", "it ends where it was"
    assert {asked["position"] for _, asked in daemon.asked if "position" in asked} == {"one"}, "nobody framed the other"
    assert order[-2] == "drive" and "zoom" not in daemon.asked[-2][1], "it was let go before"


def two_cameras(folder: Path, broker: str) -> tuple[dict[str, Any], dict[str, int]]:
    """Write a configuration and positions of two cameras; return what both tell at rest, and an exact landing."""
    text = f'[broker]\nport = {broker.split(":")[1]}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n'
    for port, name in enumerate(("left", "gallery"), 1):
        text += f'[camera.{name}]\nlink = "udp://127.0.0.1:{port}"\ndialect = "nibble4-51"\n'
    (folder / "granary.toml").write_text(text)
    stored = [POSITION.format(*each) for each in (("left", "one", 0), ("left", "two", 300), ("gallery", "one", 0))]
    (folder / "positions.toml").write_text("".join(stored))
    state: dict[str, Any] = {"link": "up", "power": "on", "tally": "off", "locks": [], "faults": [], "pan_counts": 0}
    state |= {"pan_deg": 0.0, "tilt_deg": 0.0, "tilt_counts": 0, "zoom_counts": 8000, "focus_counts": 0}
    landing = dict.fromkeys(("pan_counts", "tilt_counts", "zoom_counts", "focus_counts", "pan_deg", "tilt_deg"), 0)
    return state, landing


@pytest.mark.parametrize("moment", ["on its way", "while it stands there"])
async def test_a_stop_ends_the_whole_visit(
    ptzd: Ptzd, tmp_path: Path, broker: str, stand_in: StandInFor, moment: str
) -> None:
    state, landing = two_cameras(tmp_path, broker)
    answers: dict[str, Answers] = {
        "on its way": [("camera/left/move", {"phase": "stopped", "sentence": "a stop was asked for"})],
        "while it stands there": [
            ("camera/left/move", {"phase": "settled", "landing": landing, "position": "one"}),
            ("camera/left/state", state | {"activity": "halting"}),
            ("camera/left/state", state | {"activity": "at-rest"}),
        ],
    }
    async with stand_in(broker, {"camera/left/recall": answers[moment], "camera/gallery/recall": []}) as daemon:
        for name in ("left", "gallery"):
            await daemon.client.publish(
                f"ptzd/camera/{name}/state", json.dumps(state | {"activity": "at-rest"}), retain=True, qos=1
            )
        ended = await ptzd(
            *("check", "--config", str(tmp_path / "granary.toml"), "--positions", str(tmp_path / "positions.toml")),
            *("--seconds", "0.1", "--visit", "--zoom-ends", "--yes", "--json"),
            seconds=60,
        )
    assert [topic for topic, _ in daemon.asked] == ["camera/left/recall"], "it goes on though it was stopped"
    told = {each["subject"]: each for each in ended.json()["findings"] if each["what"] == "visit"}
    assert "stopped" in told["camera gallery"]["sentence"] and told["camera gallery"]["state"] == "unseen"


async def test_what_was_found_is_told_though_the_daemon_goes_in_mid_visit(
    ptzd: Ptzd, tmp_path: Path, broker: str, stand_in: StandInFor
) -> None:
    state, landing = two_cameras(tmp_path, broker)

    def recall(asked: dict[str, Any]) -> Answers:
        if asked["position"] == "one":
            return [("camera/left/move", {"phase": "settled", "landing": landing, "position": "one"})]
        return [("camera/left/move", {"phase": "slewing"}), ("status", {"state": "offline"})]

    async with stand_in(broker, {"camera/left/recall": recall}) as daemon:
        for name in ("left", "gallery"):
            await daemon.client.publish(
                f"ptzd/camera/{name}/state", json.dumps(state | {"activity": "at-rest"}), retain=True, qos=1
            )
        ended = await ptzd(
            *("check", "--config", str(tmp_path / "granary.toml"), "--positions", str(tmp_path / "positions.toml")),
            *("--seconds", "0.1", "--visit", "--yes", "--json"),
            seconds=60,
        )
    assert ended.code == 1
    told = [each for each in ended.json()["findings"] if each["what"] == "visit"]
    assert [(each["subject"], each["state"]) for each in told if each["state"] != "unseen"] == [
        ("camera left", "failed"),
        ("camera left", "ok"),
    ]
    assert told[0]["sentence"].startswith("broke off while it may have been on its way, so look at it: No daemon is")
    assert "one" in told[1]["sentence"]
    assert [each["sentence"] for each in told if each["subject"] == "camera gallery"] == [
        "not gone to: the visit was stopped"
    ]


def arrival(side: str, right: float, larger: float = 0.0) -> Arrival:
    landing = dict.fromkeys(("pan_counts", "tilt_counts", "zoom_counts", "focus_counts", "pan_deg", "tilt_deg"), 0)
    drift = {"right": right, "up": 0.0, "larger": larger, "roll_deg": 0.0, "sure": 0.9, "drifted": False}
    return Arrival(side, landing, drift)


@pytest.mark.parametrize(
    ("arrivals", "says"),
    [
        ([arrival(LEFT, 0.02), arrival(RIGHT, 0.02)], ""),  # off alike, which the daemon tells by itself
        ([arrival(LEFT, 0.02), arrival(RIGHT, -0.02)], "77 px right (of 1920 × 1080) against from the right: a cable"),
        ([arrival(LEFT, 0.0), arrival(RIGHT, 0.0, 0.02)], "2.0 % wider against from the right"),
        ([arrival(LEFT, 0.02)], ""),  # nobody knows
        ([arrival(LEFT, 0.02), Arrival(RIGHT, arrival(RIGHT, 0).landing, None)], ""),
    ],
)
def test_what_a_picture_shows_otherwise_from_either_side_is_told(arrivals: list[Arrival], says: str) -> None:
    text = POSITION.format("left", "one", 0)
    [position] = read_show(text, datetime(2026, 5, 3, tzinfo=UTC), lambda camera, name: None, replace=True)
    camera = CameraConfig.model_validate({"link": "udp://127.0.0.1:1", "dialect": "nibble4-51"})
    _, wrong = judged(camera_settings("left", camera), position, arrivals)
    assert (len(wrong), says in "".join(wrong)) == (bool(says), True)
