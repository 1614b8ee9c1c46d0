"""The daemon and the simulator as processes of their own, for measurements and end-to-end tests."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Self

import aiomqtt

BIN = Path(sys.executable).parent


def free_udp_ports(count: int) -> int:
    """Return the first of `count` consecutive UDP ports on 127.0.0.1 that nobody uses at the moment."""
    for first in range(20000, 60000, count + 7):
        opened: list[socket.socket] = []
        try:
            for port in range(first, first + count):
                opened.append(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
                opened[-1].bind(("127.0.0.1", port))
        except OSError:
            continue
        else:
            return first
        finally:
            for each in opened:
                each.close()
    raise RuntimeError("no free UDP ports")


def write_config(
    folder: Path,
    broker_port: int,
    ports: Sequence[int],
    base: str = "ptzd",
    page_port: int | None = None,
    pictures_port: int | None = None,
) -> Path:
    """Write a configuration with a camera `camera-N` for each UDP port; a page and pictures where a port is given."""
    lines = [
        f'[broker]\nport = {broker_port}\nbase_topic = "{base}"\n\n[store]\npath = "show.db"\n'
        '[tally]\nsource = "none"\n'
    ]
    for number, port in enumerate(ports):
        lines.append(f'[camera.camera-{number}]\nlink = "udp://127.0.0.1:{port}"\ndialect = "nibble4-51"\n')
        if pictures_port is not None:
            lines.append(f'picture = "http://127.0.0.1:{pictures_port}/camera-{number + 1}.jpg"\n')
    if page_port is not None:
        lines.append(f"[page]\nport = {page_port}\n")
    path = folder / "show.toml"
    path.write_text("\n".join(lines))
    return path


class Processes:
    """Started in a context, ended with it."""

    def __init__(self) -> None:
        self.running: list[asyncio.subprocess.Process] = []

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        for process in reversed(self.running):  # a daemon before its cameras, which it brings to rest first
            if process.returncode is None:
                process.send_signal(signal.SIGTERM)
            try:
                await asyncio.wait_for(process.wait(), 10)
            except TimeoutError:
                process.kill()
                await process.wait()
        await asyncio.sleep(0)

    async def start(self, *command: str) -> asyncio.subprocess.Process:
        process = await asyncio.create_subprocess_exec(
            *command, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL
        )
        self.running.append(process)
        return process

    async def simulator(self, first_port: int, count: int, *more: str) -> asyncio.subprocess.Process:
        """Start cameras; who asks them is answered as soon as they are there."""
        return await self.start(
            str(BIN / "ptzsim"), "--listen", f"127.0.0.1:{first_port}", "--cameras", str(count),
            "--dialect", "nibble4-51", "--ready", *more,
        )  # fmt: skip

    async def daemon(self, config: Path, command: Sequence[str] = (str(BIN / "ptzd"),)) -> asyncio.subprocess.Process:
        """Start a daemon and wait until it has reached each of its cameras."""
        process = await self.start(*command, "run", "--config", str(config))
        settings = tomllib.loads(config.read_text())
        waited_for = set(settings["camera"])
        async with asyncio.timeout(60), aiomqtt.Client("127.0.0.1", settings["broker"]["port"]) as client:
            await client.subscribe(f"{settings['broker']['base_topic']}/camera/+/state")
            while waited_for:
                message = await anext(client.messages)
                assert isinstance(message.payload, bytes)
                state = json.loads(message.payload)
                waited_for -= {state["camera"]} if state["link"] == "up" else set()
        return process

    async def import_positions(self, client: aiomqtt.Client, cameras: int, base: str = "ptzd") -> None:
        """Give each camera two positions, `here` and `there`, two degrees apart."""
        await client.subscribe(f"{base}/outcome")
        positions = []
        for number in range(cameras):
            for name, pan in (("here", 0), ("there", 102)):
                positions.append(
                    f"[positions.camera-{number}.{name}]\npan_counts = {pan}\ntilt_counts = 0\nzoom_counts = 0\n"
                    f'focus_counts = 16384\nfocus_mode = "auto"\ndialect = "nibble4-51"\n'
                    f"stored_at = 2026-06-20T19:30:00Z\n"
                )
        text = "\n".join(positions)
        await client.publish(f"{base}/show/import", json.dumps({"show": text, "replace": True, "id": "import"}), qos=1)
        async with asyncio.timeout(20):
            async for message in client.messages:
                assert isinstance(message.payload, bytes)
                outcome = json.loads(message.payload)
                if outcome["id"] == "import":
                    assert outcome["ok"], outcome
                    return
