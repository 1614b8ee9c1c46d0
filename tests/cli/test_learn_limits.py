"""What no document tells of a head: its ends, come to slowly, and its counts a degree, by marks of a known angle."""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from commands import Answering, Answers, OnATerminal, Ptzd, StandInFor, StartPtzd
from ptzsim import serve_udp
from ptzsim.fleet import CameraPlan

from ptzd.visca import load_dialect, read_dialect

ENDS = {"pan": (-9000, 8800), "tilt": (-1100, 4700), "zoom": (64, 16000)}  # of the head that answers
STEP = 9000


class Head:
    """A head as the daemon tells of it: each drive brings it further, and its ends end it."""

    def __init__(self, **more: object) -> None:
        self.state: dict[str, Any] = {"link": "up", "power": "on", "tally": "off", "locks": [], "activity": "at-rest"}
        self.state |= {"pan_counts": 100, "tilt_counts": 0, "zoom_counts": 64, **more}
        self.asked: list[Mapping[str, Any]] = []

    def drive(self, asked: dict[str, Any]) -> Answers:
        self.asked.append(asked)
        for axis, (least, most) in ENDS.items():
            if asked.get(axis):
                counts = self.state[f"{axis}_counts"] + (STEP if asked[axis] > 0 else -STEP)
                self.state[f"{axis}_counts"] = min(max(counts, least), most)
        refused = {"ok": False, "id": "another's", "topic": "camera/right/drive", "sentence": "camera right is locked"}
        read = {"head_read_seconds_ago": 0.05, "zoom_read_seconds_ago": 0.1}
        done = {"ok": True, "id": asked["id"], "topic": "camera/left/drive", "result": read}
        return [("outcome", refused), ("camera/left/state", self.state), ("outcome", done)]

    @property
    def answers(self) -> dict[str, Answering]:
        return {"camera/left/drive": self.drive, "camera/left/stop": []}


@pytest.fixture
def config(tmp_path: Path, broker: str) -> Path:
    path = tmp_path / "granary.toml"
    path.write_text(
        f'[broker]\nport = {broker.split(":")[1]}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n'
        '[camera.left]\nlink = "udp://127.0.0.1:1"\ndialect = "nibble4-51"\n'
    )
    return path


async def test_ends_are_found_slowly_and_written_as_a_dialect(
    ptzd: Ptzd, config: Path, broker: str, stand_in: StandInFor, tmp_path: Path
) -> None:
    head, written = Head(), tmp_path / "my-head.toml"
    async with stand_in(broker, head.answers) as daemon:
        await daemon.client.publish("ptzd/camera/left/state", json.dumps(head.state), retain=True, qos=1)
        learn = ("learn", "left", "--limits", "--config", str(config), "--write", str(written))
        declined = await ptzd(*learn, stdin="n\n")
        assert (declined.code, head.asked, written.exists()) == (1, [], False)
        ended = await ptzd(*learn, "--yes", seconds=60)
        assert (ended.code, "CAUTION" in ended.err) == (0, True), ended.err
        again = await ptzd(*learn, "--yes")
        assert (again.code, "not written over" in again.err) == (2, True)
    assert all(abs(each.get(axis, 0)) <= 1 / 24 for each in head.asked for axis in ("pan", "tilt")), "the slowest step"
    pushed = [[axis for axis in ENDS if axis in each] for each in head.asked]
    assert all(len(axes) <= 1 for axes in pushed), "one axis at a time"
    assert pushed.count([]) == 12 and not pushed[-1], "before each end it is let go, and at each"
    assert "pan: left end at -9000, right end at 8800; nibble4-51 says -8704 and 8704" in ended.out
    dialect, like = read_dialect(written), load_dialect("nibble4-51")
    assert (dialect.pan.least_counts, dialect.pan.most_counts) == ENDS["pan"]
    assert (dialect.tilt.least_counts, dialect.tilt.most_counts) == ENDS["tilt"]
    assert (dialect.zoom.wide_counts, dialect.zoom.tele_counts) == ENDS["zoom"]
    assert (dialect.pan.counts_per_degree, dialect.focus) == (like.pan.counts_per_degree, like.focus)
    assert (dialect.name, "measured" in dialect.sources[-1]) == ("my-head", True)


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({"tally": "unknown"}, "only a camera that is known to be off air"),
        ({"locks": [{"by": "rigger"}]}, "it is locked"),
        ({"link": "down"}, "it does not answer"),
    ],
)
async def test_a_camera_that_may_not_move_is_not_driven(
    ptzd: Ptzd, config: Path, broker: str, stand_in: StandInFor, told: dict[str, object], says: str
) -> None:
    head = Head(**told)
    async with stand_in(broker, head.answers) as daemon:
        await daemon.client.publish("ptzd/camera/left/state", json.dumps(head.state), retain=True, qos=1)
        ended = await ptzd("learn", "left", "--limits", "--config", str(config), "--yes")
    assert (ended.code, says in ended.err) == (1, True), ended.err
    assert head.asked == []


async def test_a_head_that_does_not_move_has_no_ends(
    ptzd: Ptzd, config: Path, broker: str, stand_in: StandInFor, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(ENDS, "pan", (100, 100))
    head, written = Head(), tmp_path / "my-head.toml"
    async with stand_in(broker, head.answers) as daemon:
        await daemon.client.publish("ptzd/camera/left/state", json.dumps(head.state), retain=True, qos=1)
        learn = ("learn", "left", "--limits", "--config", str(config), "--write", str(written))
        ended = await ptzd(*learn, "--yes", seconds=60)
    assert (ended.code, "told 100 and 100: it does not move" in ended.err, written.exists()) == (1, True, False)


async def test_a_stop_by_somebody_else_ends_it(
    ptzd: Ptzd, start_ptzd: StartPtzd, config: Path, broker: str, tmp_path: Path
) -> None:
    loop = asyncio.get_running_loop()
    camera = CameraPlan("left", "127.0.0.1", 1, "nibble4-51", "tripod", 1, ready=True, loss=0.0).build(loop.time())
    async with asyncio.timeout(60), serve_udp(camera, "127.0.0.1", 0, rng=random.Random(1)) as port:
        config.write_text(config.read_text().replace(':1"', f':{port}"') + '[tally]\nsource = "none"\n')
        await start_ptzd("run", "--config", str(config))
        async with aiomqtt.Client("127.0.0.1", int(broker.split(":")[1])) as client:
            await client.subscribe("ptzd/camera/left/state")
            async for message in client.messages:
                if b'"at-rest"' in bytes(message.payload):
                    break
        learning = asyncio.create_task(
            ptzd("learn", "left", "--limits", "--config", str(config), "--write", str(tmp_path / "a.toml"), "--yes")
        )
        while not camera.head.moving(loop.time()):
            assert not learning.done(), learning.result().err
            await asyncio.sleep(0.05)
        await asyncio.sleep(1.0)
        assert (await ptzd("stop", "left", "--broker", broker)).code == 0
        await asyncio.sleep(0.5)
        for _ in range(15):
            assert not camera.head.moving(loop.time()), "it is driven on though it was stopped"
            await asyncio.sleep(0.1)
        ended = await learning
    assert (ended.code, "stopped" in ended.err) == (1, True), ended.err


async def test_two_marks_of_a_known_angle_tell_the_counts_of_a_degree(
    on_a_terminal: OnATerminal, config: Path, broker: str, stand_in: StandInFor
) -> None:
    head = Head()
    async with stand_in(broker, head.answers) as daemon:

        async def stands_at(pan_counts: int) -> None:
            head.state["pan_counts"] = pan_counts
            await daemon.client.publish("ptzd/camera/left/state", json.dumps(head.state), retain=True, qos=1)

        await stands_at(-500)
        learn = await on_a_terminal("learn", "left", "--limits", "--config", str(config), "--pan-angle", "30", "--yes")
        await learn.until("first mark")
        learn.press(b"\r")
        await learn.until("second mark")
        await stands_at(-500 + 432)  # 14.4 counts a degree [D], "VISCA pan tilt absolute position value"
        assert head.asked == [], "it is the person who brings the marks to the middle"
        learn.press(b"\r")
        await learn.until("pan: 14.4 counts a degree; nibble4-51 says 51.2 (-71.9%)", 60)
        assert await learn.end() == 0


async def test_marks_too_near_to_each_other_tell_nothing(
    ptzd: Ptzd, config: Path, broker: str, stand_in: StandInFor
) -> None:
    head = Head()
    async with stand_in(broker, head.answers) as daemon:
        await daemon.client.publish("ptzd/camera/left/state", json.dumps(head.state), retain=True, qos=1)
        ended = await ptzd(
            *("learn", "left", "--limits", "--config", str(config), "--pan-angle", "30", "--yes"),
            stdin="\n\n",
            seconds=60,
        )
    assert (ended.code, "Both marks are only 0 counts of pan apart" in ended.err) == (1, True)
    assert head.asked == []


async def test_a_window_is_in_the_way(ptzd: Ptzd, config: Path) -> None:
    config.write_text(config.read_text() + "window = { pan_deg = [-60, 60] }\n")
    ended = await ptzd("learn", "left", "--limits", "--config", str(config), "--yes")
    assert (ended.code, "has a window" in ended.err) == (2, True)
