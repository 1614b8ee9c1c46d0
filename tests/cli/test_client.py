"""Whom the command line believes to be there: by what a daemon says, by what a broker keeps of it, and by silence."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Any, cast

import aiomqtt
from ptzsim.virtual_time import run

from ptzd.bus.messages import STATUS_SECONDS
from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import SILENT_SECONDS, Client, Heard

ONLINE = {"state": "online", "cameras": ["left"]}


@dataclass
class Message:
    topic: str
    payload: bytes
    retain: bool


@dataclass
class Connection:
    """What a broker sends, and what was subscribed to."""

    queue: asyncio.Queue[Message] = field(default_factory=asyncio.Queue)
    subscribed: list[str] = field(default_factory=list)

    @property
    def messages(self) -> AsyncIterator[Message]:
        async def come() -> AsyncIterator[Message]:
            while True:
                yield await self.queue.get()

        return come()

    async def subscribe(self, topics: list[tuple[str, int]]) -> None:
        self.subscribed += [topic for topic, _ in topics]

    def say(self, topic: str, payload: dict[str, Any], *, kept: bool = False) -> None:
        self.queue.put_nowait(Message(f"ptzd/{topic}", json.dumps(payload).encode(), kept))


def reached() -> tuple[Connection, Client]:
    connection = Connection()
    return connection, Client(cast(aiomqtt.Client, connection), BrokerAddress("127.0.0.1", 1883, "ptzd"))


def test_two_words_of_a_daemon_may_be_lost_before_it_is_said_to_be_silent() -> None:
    assert SILENT_SECONDS > 2 * STATUS_SECONDS


def test_a_daemon_that_goes_on_saying_so_is_there_and_a_beat_is_no_news() -> None:
    async def play() -> None:
        connection, client = reached()
        connection.say("status", ONLINE, kept=True)
        assert (await client.hear_of_the_living()) == Heard("status", ONLINE, kept=True)
        assert client.online and not client.lives
        connection.say("status", ONLINE)
        assert (await client.hear_of_the_living()) == Heard("status", ONLINE)
        assert client.lives and await client.hear_it_live()
        hearing = asyncio.create_task(client.hear_of_the_living())
        for _ in range(20):
            await asyncio.sleep(2)
            connection.say("status", ONLINE)
        assert client.silence() is None
        connection.say("camera/left/state", {"phase": "idle"})
        assert (await hearing).topic == "camera/left/state"

    run(play())


def test_a_daemon_of_which_a_broker_only_keeps_a_word_is_told_to_be_silent() -> None:
    async def play() -> None:
        connection, client = reached()
        connection.say("status", ONLINE, kept=True)
        connection.say("camera/left/state", {"phase": "settled"}, kept=True)
        assert [(await client.hear_of_the_living()).topic for _ in range(2)] == ["status", "camera/left/state"]
        assert client.silence() is None, "it may be about to say so"
        began = asyncio.get_running_loop().time()
        assert (await client.hear_of_the_living()).payload == {"state": "silent"}
        assert 4 <= asyncio.get_running_loop().time() - began <= 6
        assert not client.online and "has said nothing for 5 s" in str(client.silence())
        assert client.offline().message == client.silence()
        assert not await client.hear_it_live()

    run(play())


def test_whatever_a_daemon_says_tells_that_it_lives() -> None:
    async def play() -> None:
        connection, client = reached()
        connection.say("status", ONLINE, kept=True)
        await client.hear_of_the_living()
        for _ in range(4):
            await asyncio.sleep(3)
            connection.say("camera/left/state", {"phase": "idle"})
            assert (await client.hear_of_the_living()).topic == "camera/left/state"
        assert client.lives and client.silence() is None

    run(play())


def test_what_a_silent_daemon_said_is_asked_for_anew_once_it_is_heard() -> None:
    async def play() -> None:
        connection, client = reached()
        await client.listen(["status", "cue/state"])
        connection.say("status", ONLINE)
        assert (await client.hear_of_the_living()).payload == ONLINE
        assert (await client.hear_of_the_living()).payload == {"state": "silent"}
        assert connection.subscribed == ["ptzd/status", "ptzd/cue/state"]
        connection.say("status", ONLINE)
        assert (await client.hear_of_the_living()).payload == ONLINE
        assert connection.subscribed == ["ptzd/status", "ptzd/cue/state"] * 2
        assert client.online and client.silence() is None

    run(play())


def test_one_that_said_goodbye_is_gone_and_not_silent() -> None:
    async def play() -> None:
        connection, client = reached()
        connection.say("status", ONLINE)
        connection.say("status", {"state": "offline"})
        assert [(await client.hear_of_the_living()).payload["state"] for _ in range(2)] == ["online", "offline"]
        hearing = asyncio.create_task(client.hear_of_the_living())
        await asyncio.sleep(60)
        assert not hearing.done()
        assert client.silence() is None and client.offline().message.startswith("No daemon is online")
        hearing.cancel()

    run(play())
