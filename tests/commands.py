"""What tests of the command line know of it: a command that ended, one on a terminal, a stand-in for the daemon."""

from __future__ import annotations

import asyncio
import json
import os
import termios
from asyncio.subprocess import Process
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import aiomqtt
from forking import Forked

from ptzd.bus import Incoming, Intake, Topics
from ptzd.bus.commands import Command

INTAKE = Intake(Topics(), calendar=lambda: datetime.now(UTC))
Answers = Sequence[tuple[str, Mapping[str, Any]]]
Answering = Answers | Callable[[dict[str, Any]], Answers]  # a function is given what was asked


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

    @asynccontextmanager
    async def saying_that_it_lives(self) -> AsyncIterator[None]:
        """Say so again and again, as a daemon does; what a broker keeps of one that is gone tells as much else."""

        async def say() -> None:
            while True:
                await self.say_online()
                await asyncio.sleep(0.2)

        async with asyncio.TaskGroup() as group:
            saying = group.create_task(say())
            yield
            saying.cancel()

    async def say_offline(self) -> None:
        await self.client.publish("ptzd/status", json.dumps({"state": "offline"}), qos=1, retain=True)

    async def forget_status(self) -> None:
        await self.client.publish("ptzd/status", b"", qos=1, retain=True)


Ptzd = Callable[..., Coroutine[Any, Any, Ended]]  # with arguments, `stdin`, `seconds` and environment variables
StartPtzd = Callable[..., Coroutine[Any, Any, Process | Forked]]
OnATerminal = Callable[..., Coroutine[Any, Any, Terminal]]
StandInFor = Callable[[str, Mapping[str, Answering]], AbstractAsyncContextManager[StandIn]]


async def until_up(broker: str, daemon: Process | Forked) -> None:
    """Wait until the daemon says that its two cameras stand still; a process for each look would slow it down."""
    host, port = broker.split(":")
    at_rest: dict[str, bool] = {}
    try:
        async with asyncio.timeout(30), aiomqtt.Client(host, int(port)) as client:
            await client.subscribe("ptzd/camera/+/state", qos=1)
            async for message in client.messages:
                state = json.loads(message.payload)
                at_rest[str(message.topic)] = (state["power"], state["activity"]) == ("on", "at-rest")
                if list(at_rest.values()) == [True, True]:
                    return
    except TimeoutError:
        daemon.kill()
        raise AssertionError(f"not up in 30 s: {at_rest}, {await daemon.communicate()}") from None
