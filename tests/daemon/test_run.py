"""What the configuration says reaches the daemon; its bus alone is another, so that no broker is needed."""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from ptzsim import serve_udp
from rigs import simulated_camera

from ptzd.bus import BrokerSettings, Holding, MemoryBroker, MemoryBus, Said, Topics
from ptzd.config import load_config
from ptzd.daemon.run import NotAtRestError, run_daemon
from ptzd.daemon.setup import bus_of
from ptzd.visca import load_dialect

SHOW = """
[show]
name = "evening"
""" + "".join(
    f"""
[[cue]]
number = {number}
on_call = true
expected = 60.0
take = "left"
"""
    for number in (7, 8)
)
CAMERA = """
[store]
path = "show.db"
[camera.left]
link = "udp://127.0.0.1:52381"
dialect = "nibble4-51"
"""


@asynccontextmanager
async def daemon(
    folder: Path, monkeypatch: pytest.MonkeyPatch, *lines: str
) -> AsyncIterator[tuple[MemoryBroker, list[tuple[str, dict[str, Any]]]]]:
    """A daemon with one simulated camera, and what it says."""
    dialect, rng = load_dialect("nibble4-51"), random.Random(1)
    camera = simulated_camera(dialect, rng)
    broker, heard = MemoryBroker(), list[tuple[str, dict[str, Any]]]()

    def hear(said: Said) -> None:
        with suppress(ValueError):
            heard.append((said.topic, json.loads(said.payload)))

    def bus(*_: object) -> MemoryBus:
        holding = Holding(host="granary", since=datetime(2031, 5, 24, tzinfo=UTC), token="a")
        return MemoryBus(broker, Topics("ptzd"), offline=b"{}", cameras=["left"], holding=holding)

    monkeypatch.setattr("ptzd.daemon.run.bus_of", bus)
    broker.listen(hear)
    async with serve_udp(camera, "127.0.0.1", 0, rng=rng) as port:
        path = folder / "granary.toml"
        path.write_text("\n".join([*lines, CAMERA.replace("52381", str(port))]))
        ready = asyncio.Event()
        running = asyncio.create_task(run_daemon(load_config(path), rng=rng, on_ready=ready.set))
        await asyncio.wait_for(ready.wait(), 20)
        async with asyncio.timeout(20):
            while not any(said.get("link") == "up" for _, said in heard):
                await asyncio.sleep(0.05)
        yield broker, heard
        running.cancel()
        with suppress(asyncio.CancelledError, NotAtRestError):  # on a busy machine it may not be seen in time
            await running


@pytest.mark.parametrize(
    ("source", "first"), [("messages", ("refused", "tally-unknown")), ("none", ("accepted", None))]
)
async def test_a_camera_of_which_nobody_tells_is_off_air_where_the_configuration_says_that_nobody_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: str, first: tuple[str, str | None]
) -> None:
    async with daemon(tmp_path, monkeypatch, f'[tally]\nsource = "{source}"') as (broker, heard):
        async with asyncio.timeout(20):
            while not any(topic == "ptzd/outcome" and said["ok"] for topic, said in heard):  # refused until it rests
                broker.publish("ptzd/camera/left/store", b"wide")
                await asyncio.sleep(0.2)
            broker.publish("ptzd/camera/left/recall", b"wide")
            while not (moves := [said for topic, said in heard if topic == "ptzd/camera/left/move"]):
                await asyncio.sleep(0.05)
        assert (moves[0]["phase"], moves[0]["code"]) == first


DAMAGED = {
    "empty": "",
    "garbage": "\0{{",
    "cut off": 'format = 1\norigin = "lear',
    "later": "format = 2\n",
    "a folder": None,
}


@pytest.mark.parametrize("damage", DAMAGED)
async def test_a_learned_head_that_can_not_be_read_is_told_of_and_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: str
) -> None:
    path, text = tmp_path / "left.head.toml", DAMAGED[damage]
    path.mkdir() if text is None else path.write_text(text)
    async with daemon(tmp_path, monkeypatch, '[tally]\nsource = "none"') as (broker, heard):
        [trouble] = [said["troubles"] for topic, said in heard if topic == "ptzd/status"][-1]
        assert trouble.startswith("camera left goes by its dialect's tables, since ")
        assert str(path) in trouble
        assert trouble.endswith("; move it away, then learn the head again")
        learn = {"pan_deg": [-10, 10], "tilt_deg": [-5, 5], "id": "learn"}
        broker.publish("ptzd/camera/left/learn", json.dumps(learn).encode())
        async with asyncio.timeout(10):
            while not (outcomes := [said for topic, said in heard if topic == "ptzd/outcome"]):
                await asyncio.sleep(0.05)
        assert (outcomes[0]["ok"], outcomes[0]["code"]) == (False, "disk")
        assert "move it away" in outcomes[0]["sentence"]
    assert path.is_dir() if text is None else path.read_text() == text


async def test_the_show_of_the_configuration_is_run_and_read_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "evening.toml").write_text(SHOW)
    async with daemon(tmp_path, monkeypatch, '[show]\nfile = "evening.toml"\nonce_within_seconds = 0') as at_work:
        broker, heard = at_work

        def cues() -> dict[str, Any]:
            return [said for topic, said in heard if topic == "ptzd/cue/state"][-1]

        assert cues()["next"]["number"] == "7"
        (tmp_path / "evening.toml").write_text(SHOW.replace("evening", "matinee"))
        broker.publish("ptzd/cue/load", b"")
        async with asyncio.timeout(10):
            while not (outcomes := [said for topic, said in heard if topic == "ptzd/outcome"]):
                await asyncio.sleep(0.05)
        assert outcomes[0]["result"] == {"show": "matinee", "cues": 2, "warnings": []}
        for number in ("7", "8"):  # neither is taken for a key that was pressed once and counted twice
            broker.publish("ptzd/cue/go", b"")
            await asyncio.sleep(0.1)
            assert cues()["standing"]["number"] == number


async def test_the_brokers_password_is_the_first_line_of_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "password").write_text("granary 7\r\nand a note\n")
    path = tmp_path / "ptzd.toml"
    path.write_text('[broker]\nusername = "left"\npassword_file = "password"\n' + CAMERA)
    given: list[BrokerSettings] = []
    monkeypatch.setattr("ptzd.daemon.setup.MqttBus", lambda settings, *_, **__: given.append(settings))
    bus_of(load_config(path), random.Random(1))
    assert given[0].password == "granary 7"
