"""A daemon that is frozen in the middle of a drive, as a process: SIGSTOP, and SIGCONT some seconds later."""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
from commands import StartPtzd


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

        async def heard(found: Callable[[Any], object]) -> Any:
            async for message in panel.messages:
                if message.payload and found(said := json.loads(message.payload)):
                    return said
            raise AssertionError("the broker has gone")

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
