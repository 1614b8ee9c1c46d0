"""A daemon that is frozen, as a process: SIGSTOP, and SIGCONT some seconds later."""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from aiohttp import ClientSession
from commands import StartPtzd
from ptzsim import SimulatedCamera


async def first_said(panel: aiomqtt.Client, found: Callable[[Any], object]) -> Any:
    """Return the first message from now on of which that is true."""
    async for message in panel.messages:
        if message.payload and found(said := json.loads(message.payload)):
            return said
    raise AssertionError("the broker has gone")


async def test_a_frozen_daemon_says_so_stops_and_discards_what_waited(
    tmp_path: Path, broker: str, cameras: int, start_ptzd: StartPtzd
) -> None:
    config = tmp_path / "granary.toml"
    config.write_text(
        f'[broker]\nport = {broker.split(":")[1]}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n'
        '[tally]\nsource = "none"\n'
        f'[camera.left]\nlink = "udp://127.0.0.1:{cameras}"\ndialect = "nibble4-51"\n'
    )
    daemon = await start_ptzd("run", "--config", str(config))
    host, port = broker.split(":")
    async with aiomqtt.Client(host, int(port)) as panel, asyncio.timeout(30):
        await panel.subscribe("ptzd/#")

        heard = partial(first_said, panel)
        await heard(lambda said: said.get("link") == "up" and said.get("power") == "on")
        await panel.publish("ptzd/camera/left/drive", json.dumps({"pan": 0.2}))
        await asyncio.sleep(0.2)
        daemon.send_signal(signal.SIGSTOP)
        await panel.publish("ptzd/camera/left/drive", json.dumps({"pan": 0.2, "id": "waited"}))
        await asyncio.sleep(2.0)
        daemon.send_signal(signal.SIGCONT)
        answer = await heard(lambda said: said.get("id") == "waited" and "ok" in said)
        assert (answer["ok"], answer["code"]) == (False, "stalled")
    daemon.send_signal(signal.SIGTERM)
    _, log = await asyncio.wait_for(daemon.communicate(), 10)
    stalls = [line for line in map(json.loads, log.splitlines()) if "stood still for" in line["event"]]
    stall = [line for line in stalls if "since" in line][-1]
    assert 1.8 <= float(stall["event"].split("stood still for ")[1].split(" s")[0]) <= 4
    assert stall["since"] < stall["until"]


async def test_a_lock_that_was_made_where_another_daemon_took_over_holds_when_the_frozen_one_wakes(
    tmp_path: Path,
    broker: str,
    cameras: int,
    simulated: Mapping[int, SimulatedCamera],
    start_ptzd: StartPtzd,
    free_port: int,
) -> None:
    host, port = broker.split(":")
    told = (
        f'[broker]\nport = {port}\nprotocol = "3.1.1"\n[tally]\nsource = "none"\n'
        f'[camera.left]\nlink = "udp://127.0.0.1:{cameras}"\ndialect = "nibble4-51"\n'
    )
    for name, more in (("first", ""), ("second", f"[page]\nport = {free_port}\n")):
        (tmp_path / f"{name}.toml").write_text(f'{told}{more}[store]\npath = "{name}.db"\n')
    stored = (
        "[positions.left.far]\npan_counts = 4000\ntilt_counts = 0\nzoom_counts = 0\nfocus_counts = 8192\n"
        'focus_mode = "auto"\ndialect = "nibble4-51"\n'
    )
    async with aiomqtt.Client(host, int(port)) as panel, ClientSession() as browser, asyncio.timeout(60):
        await panel.subscribe("ptzd/#")

        heard = partial(first_said, panel)

        async def outcome(topic: str, **payload: Any) -> Any:
            await panel.publish(f"ptzd/{topic}", json.dumps(payload))
            return await heard(lambda said: said.get("id") == payload["id"] and ("ok" in said or "code" in said))

        first = await start_ptzd("run", "--config", str(tmp_path / "first.toml"))
        await heard(lambda said: said.get("activity") == "at-rest" and said.get("link") == "up")
        assert (await outcome("show/import", show=stored, id="1"))["ok"]
        first.send_signal(signal.SIGSTOP)
        second = await start_ptzd("run", "--config", str(tmp_path / "second.toml"))
        await heard(lambda said: said.get("link") == "down")  # its own first word
        await heard(lambda said: said.get("activity") == "at-rest" and said.get("link") == "up")
        assert (await outcome("show/import", show=stored, id="2"))["ok"]
        page = f"http://127.0.0.1:{free_port}"
        async with browser.ws_connect(f"{page}/socket", headers={"Origin": page}) as socket:
            beat = (await socket.receive_json())["beat"]
            lock = {"by": "rigger", "reason": "hands in the head", "id": "lock"}
            await socket.send_json({"topic": "camera/left/lock", "heard": beat, "payload": lock})
            assert (await heard(lambda said: said.get("id") == "lock"))["ok"]
        now = datetime.now(UTC).isoformat()  # it says itself that it is still meant, and waits for the frozen one
        assert (await outcome("camera/left/recall", position="far", sent_at=now, id="3"))["code"] == "locked"
        first.send_signal(signal.SIGCONT)
        assert await asyncio.wait_for(first.wait(), 10) == 2
        await asyncio.sleep(1.0)
        assert second.returncode is None, "it served meanwhile, and has the lock"
        assert (await outcome("camera/left/recall", position="far", id="4"))["code"] == "locked"
    head = simulated[cameras].head
    assert head.pan_deg(asyncio.get_running_loop().time()) == pytest.approx(0.0, abs=0.1)
