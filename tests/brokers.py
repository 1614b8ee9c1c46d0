"""A mosquitto of our own for each test that wants one, on the loopback and in a folder of the test's."""

from __future__ import annotations

import asyncio
import getpass
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

START_SECONDS = 20.0
EMBEDDED = """
import asyncio, sys
from ptzd.bus.embedded import embedded_broker

async def main():
    async with embedded_broker("127.0.0.1", int(sys.argv[1])):
        await asyncio.Event().wait()

asyncio.run(main())
"""


def required(tool: str) -> str:
    """Return the path of a program. Without it the test is skipped, or fails where PTZD_REQUIRE_TOOLS=1."""
    path = shutil.which(tool, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if path is not None:
        return path
    if os.environ.get("PTZD_REQUIRE_TOOLS") == "1":
        pytest.fail(f"{tool} is not installed, and PTZD_REQUIRE_TOOLS=1 wants it")
    pytest.skip(f"{tool} is not installed")


def free_port() -> int:
    """Return a TCP port on 127.0.0.1 that nobody uses at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def listening(host: str, port: int) -> bool:
    """Whether somebody accepts connections there."""
    try:
        socket.create_connection((host, port), timeout=1).close()
    except OSError:
        return False
    return True


@dataclass
class MosquittoBroker:
    """A broker that can be stopped and started again, remembering nothing."""

    folder: Path
    options: tuple[str, ...] = ("allow_anonymous true",)  # lines of its configuration
    host: str = "127.0.0.1"
    port: int = field(default_factory=free_port)
    nodelay: bool = True  # mosquitto's own default is not
    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it listens."""
        configuration = self.folder / "mosquitto.conf"
        lines = [
            f"listener {self.port} {self.host}",
            f"user {getpass.getuser()}",
            "persistence false",
            *(["set_tcp_nodelay true"] if self.nodelay else []),
            "log_dest none",
            *self.options,
        ]
        configuration.write_text("\n".join(lines) + "\n")
        self._process = subprocess.Popen(
            [required("mosquitto"), "-c", str(configuration)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + START_SECONDS
        while not listening(self.host, self.port):
            if self._process.poll() is not None or time.monotonic() > until:
                self.stop()
                pytest.fail(f"mosquitto did not start with {configuration}")
            time.sleep(0.01)

    def stop(self) -> None:
        """Kill it: connections break, and whatever it kept is lost."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@contextmanager
def running_mosquitto(folder: Path, *options: str, nodelay: bool = True) -> Iterator[MosquittoBroker]:
    """Run a broker with these lines in its configuration for as long as the context lasts."""
    broker = MosquittoBroker(folder, options or ("allow_anonymous true",), nodelay=nodelay)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


@contextmanager
def running_embedded() -> Iterator[int]:
    """Run the embedded broker in a process of its own for as long as the context lasts; yield its port."""
    port = free_port()
    with subprocess.Popen([sys.executable, "-c", EMBEDDED, str(port)], stdin=subprocess.DEVNULL) as process:
        try:
            until = time.monotonic() + 2 * START_SECONDS
            while not listening("127.0.0.1", port):
                assert time.monotonic() < until, "the broker does not start"
                time.sleep(0.02)
            yield port
        finally:
            process.kill()


@contextmanager
def running_broker(folder: Path) -> Iterator[int]:
    """Run whichever broker there is, mosquitto or the embedded one; yield its port."""
    if shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin"):
        with running_mosquitto(folder) as broker:
            yield broker.port
    else:
        with running_embedded() as port:
            yield port


async def mosquitto_pub(port: int, topic: str, *arguments: str, payload: bytes | None = None) -> None:
    """Publish with mosquitto's own client; without a payload the arguments say what."""
    process = await asyncio.create_subprocess_exec(
        required("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(port), "-t", topic,
        *arguments, *(["-s"] if payload is not None else []),
        stdin=asyncio.subprocess.PIPE,
    )  # fmt: skip
    await process.communicate(payload)
    assert process.returncode == 0


@dataclass
class Subscriber:
    """mosquitto's own subscriber; each message is a dictionary with `topic`, `payload`, `retain` and more."""

    _process: asyncio.subprocess.Process

    async def next(self, seconds: float = 5.0) -> dict[str, Any]:
        """Return the next message. Raises TimeoutError."""
        assert self._process.stdout is not None
        line = await asyncio.wait_for(self._process.stdout.readline(), seconds)
        assert line, "mosquitto_sub has ended"
        message: dict[str, Any] = json.loads(line)
        return message


@asynccontextmanager
async def mosquitto_sub(port: int, topic: str, *arguments: str) -> AsyncIterator[Subscriber]:
    """Subscribe with mosquitto's own client for as long as the context lasts."""
    process = await asyncio.create_subprocess_exec(
        required("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(port), "-t", topic, "-t", "ready",
        "-F", "%j", *arguments,
        stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    subscriber = Subscriber(process)
    try:
        # It has subscribed when it hears us; what is retained may come first and is given back.
        early: list[dict[str, Any]] = []
        async with asyncio.timeout(START_SECONDS):
            while True:
                await mosquitto_pub(port, "ready", "-m", "?")
                try:
                    while (message := await subscriber.next(0.3))["topic"] != "ready":
                        early.append(message)
                    break
                except TimeoutError:
                    continue
        yield _Remembering(process, early)
    finally:
        if process.returncode is None:
            process.kill()
        await process.communicate()


@dataclass
class _Remembering(Subscriber):
    early: list[dict[str, Any]] = field(default_factory=list)

    async def next(self, seconds: float = 5.0) -> dict[str, Any]:
        while True:
            message = self.early.pop(0) if self.early else await super().next(seconds)
            if message["topic"] != "ready":
                return message
