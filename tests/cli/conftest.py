"""A terminal that nobody types in: the commands as processes, a broker, and a stand-in for the daemon."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import socket
import sys
import termios
from asyncio.subprocess import Process
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import aiomqtt
import psutil
import pytest
from brokers import running_embedded

from ptzd.bus import Incoming, Intake, Topics
from ptzd.bus.commands import Command

INTAKE = Intake(Topics(), calendar=lambda: datetime.now(UTC))
Answers = Sequence[tuple[str, dict[str, Any]]]
Answering = Answers | Callable[[dict[str, Any]], Answers]  # a function is given what was asked
PTZD = (sys.executable, "-c", "from ptzd.cli import main; main()")


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    code: int
    out: str
    err: str

    def json(self) -> Any:
        return json.loads(self.out)

    def json_lines(self) -> list[Any]:
        return [json.loads(line) for line in self.out.splitlines()]


def environment(**more: str) -> dict[str, str]:
    """The environment of a command: nothing of ours but what a test sets."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith("PTZD_")}
    return kept | {"NO_COLOR": "1", "COLUMNS": "200"} | more


async def _ptzd(*arguments: str, stdin: str = "", seconds: float = 20.0, **variables: str) -> Ended:
    process = await asyncio.create_subprocess_exec(
        *PTZD,
        *arguments,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env=environment(**variables),
    )
    try:
        async with asyncio.timeout(seconds):
            out, err = await process.communicate(stdin.encode())
    except TimeoutError:
        process.kill()
        out, err = await process.communicate()
        raise AssertionError(f"{arguments} did not end in {seconds} s: {out!r} {err!r}") from None
    assert process.returncode is not None
    return Ended(process.returncode, out.decode(), err.decode())


@pytest.fixture
def ptzd() -> Callable[..., Coroutine[Any, Any, Ended]]:
    """Runs one command to its end, as a process of its own."""
    return _ptzd


@pytest.fixture
def free_port() -> int:
    return _free_port()


@pytest.fixture
async def start_ptzd() -> AsyncIterator[Callable[..., Coroutine[Any, Any, Process]]]:
    """Starts a command that stays, and ends it with the test."""
    started: list[Process] = []

    async def start(*arguments: str, **variables: str) -> Process:
        process = await _start(*PTZD, *arguments, env=environment(**variables))
        started.append(process)
        return process

    yield start
    for process in started:
        if process.returncode is None:
            outliving = psutil.Process(process.pid).children()  # a guard, whose cameras may have gone with the test
            process.terminate()
            try:
                async with asyncio.timeout(10):
                    while psutil.pid_exists(process.pid):
                        await asyncio.sleep(0.05)
            except TimeoutError:
                process.kill()
                raise
            finally:
                for each in outliving:
                    with suppress(psutil.NoSuchProcess):
                        each.kill()
            await process.communicate()


class Terminal:
    """A command on a terminal of its own, as somebody in front of it sees it."""

    def __init__(self, file: int, process: Process) -> None:
        self._file = file
        self._process = process
        self._shown = b""
        asyncio.get_running_loop().add_reader(file, self._read)

    def _read(self) -> None:
        try:
            self._shown += os.read(self._file, 65536)
        except OSError:  # the last that had it open has closed it
            asyncio.get_running_loop().remove_reader(self._file)

    @property
    def shown(self) -> str:
        return self._shown.decode("utf-8", "replace")

    async def until(self, text: str, seconds: float = 20.0) -> None:
        """Wait until a text has been shown."""
        try:
            async with asyncio.timeout(seconds):
                while text not in self.shown:
                    await asyncio.sleep(0.02)
        except TimeoutError:
            raise AssertionError(f"{text!r} was not shown in {seconds} s: {self.shown!r}") from None

    def press(self, keys: bytes) -> None:
        os.write(self._file, keys)

    async def end(self, seconds: float = 20.0) -> int:
        async with asyncio.timeout(seconds):
            return await self._process.wait()

    def settings(self) -> list[Any]:
        """As `stty` knows them."""
        return termios.tcgetattr(self._file)


@pytest.fixture
async def on_a_terminal() -> AsyncIterator[Callable[..., Coroutine[Any, Any, Terminal]]]:
    """Starts a command on a terminal of its own, and kills it with the test if it has not ended."""
    started: list[tuple[Process, int, int]] = []

    async def start(*arguments: str) -> Terminal:
        ours, theirs = pty.openpty()
        process = await asyncio.create_subprocess_exec(
            *PTZD,
            *arguments,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=environment(TERM="xterm"),
            preexec_fn=lambda: os.login_tty(theirs),  # so that Ctrl-C reaches it
        )
        started.append((process, ours, theirs))  # theirs stays open: its settings are read after the end
        return Terminal(ours, process)

    yield start
    for process, ours, theirs in started:
        if process.returncode is None:
            process.kill()
            await process.wait()
        asyncio.get_running_loop().remove_reader(ours)
        os.close(ours)
        os.close(theirs)


@pytest.fixture
async def cameras() -> AsyncIterator[int]:
    """The UDP port of the first of two simulated cameras of the dialect nibble4-51."""
    first = _two_free_udp_ports()
    simulator = await _start(
        *(sys.executable, "-c", "from ptzsim.cli import main; main()"),
        *("--listen", f"127.0.0.1:{first}", "--cameras", "2", "--dialect", "nibble4-51", "--ready"),
    )
    assert simulator.stdout is not None
    for _ in range(2):
        assert b"listens" in await simulator.stdout.readline()
    yield first
    simulator.terminate()
    await simulator.communicate()


async def _start(*command: str, env: Mapping[str, str] | None = None) -> Process:
    return await asyncio.create_subprocess_exec(
        *command,
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env=env,
    )


def _two_free_udp_ports() -> int:
    while True:
        with (
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one,
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as next_one,
        ):
            one.bind(("127.0.0.1", 0))
            first = int(one.getsockname()[1])
            try:
                next_one.bind(("127.0.0.1", first + 1))
            except OSError:
                continue
            return first


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def broker_process() -> Iterator[int]:
    """The port of a broker in a process of its own, which all tests share."""
    with running_embedded() as port:
        yield port


@pytest.fixture
async def broker(broker_process: int) -> str:
    """A broker that remembers nothing of the test before, as HOST:PORT."""
    async with aiomqtt.Client("127.0.0.1", broker_process) as client:
        await client.subscribe("#", qos=1)
        await client.publish("the/last", "?", qos=1)
        async for message in client.messages:
            if str(message.topic) == "the/last":
                break
            await client.publish(str(message.topic), b"", qos=1, retain=True)
    return f"127.0.0.1:{broker_process}"


@dataclass
class StandIn:
    """Answers as the daemon would, with what a test tells it to answer; keeps what it was asked."""

    client: aiomqtt.Client
    answers: Mapping[str, Answering]
    asked: list[tuple[str, dict[str, Any]]] = field(default_factory=list)

    async def serve(self) -> None:
        async for message in self.client.messages:
            topic = str(message.topic).removeprefix("ptzd/")
            assert isinstance(message.payload, bytes)
            understood = INTAKE.read(Incoming(str(message.topic), message.payload)).what
            assert isinstance(understood, Command), understood  # the command line says nothing that is no command
            body = json.loads(message.payload) if message.payload else {}
            self.asked.append((topic, body))
            answers = self.answers[topic]
            for answer_topic, answer in answers(body) if callable(answers) else answers:
                payload = {"id": body.get("id"), "topic": topic, **answer}
                await self.client.publish(f"ptzd/{answer_topic}", json.dumps(payload), qos=1)

    async def say_online(self) -> None:
        online = {"state": "online", "cameras": ["gallery", "left"]}
        await self.client.publish("ptzd/status", json.dumps(online), qos=1, retain=True)

    async def say_offline(self) -> None:
        await self.client.publish("ptzd/status", json.dumps({"state": "offline"}), qos=1, retain=True)

    async def forget_status(self) -> None:
        await self.client.publish("ptzd/status", b"", qos=1, retain=True)


@asynccontextmanager
async def _stand_in(broker: str, answers: Mapping[str, Answering]) -> AsyncIterator[StandIn]:
    host, port = broker.split(":")
    async with aiomqtt.Client(host, int(port)) as client:
        daemon = StandIn(client, answers)
        for topic in answers:
            await client.subscribe(f"ptzd/{topic}", qos=1)
        await daemon.say_online()
        serving = asyncio.create_task(daemon.serve())
        try:
            yield daemon
        finally:
            serving.cancel()
            await asyncio.wait([serving])
            if not serving.cancelled():
                serving.result()
            await daemon.say_offline()


@pytest.fixture
def stand_in() -> Callable[[str, Mapping[str, Answering]], AbstractAsyncContextManager[StandIn]]:
    """A daemon with the cameras gallery and left, online on a broker, that answers what it is told to answer.

    Each answer is the topic below the base and the payload; the `id` of the command is put in.
    """
    return _stand_in
