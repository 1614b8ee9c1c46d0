"""The MQTT conversation of one command with a running daemon.

A command is published with an `id` of its own; what comes back on `outcome` or on the camera's `move` topic with the
same `id` is its answer. Before anything but a stop is published, the retained `status` must say that a daemon is
online: otherwise the command would wait for nobody. A stop goes out at once, whatever is known.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import aiomqtt

from ptzd.likely import did_you_mean

from .broker import BrokerAddress
from .output import Failure
from .sentences import capital

Payload = dict[str, Any]

CUE_STATE = "cue/state"
KEPT_STATUS_SECONDS = 2.0  # a retained message comes with the subscription, or never
SILENT_SECONDS = 5.0  # without a word: a daemon is gone, frozen or cut off, whatever the broker keeps
ANSWER_SECONDS = 5.0
KEPT_SECONDS = 0.5  # a broker sends at once what it keeps
OFFLINE_SECONDS = 2.0  # for whoever carries out a stop although the status says that nobody is there
# What the command line says, by the code of a refusal, where the daemon's sentence has a hint for messages.
OPTIONS = {
    "on-air": "add --on-air",
    "tally-unknown": "add --on-air",
    "exists": "store it with --replace",
    "invalid": "import with --replace",
    "not-clear": "add --yes",
    "not-theirs": "name whose lock to take off with --whose",
}
SILENT: Payload = {"state": "silent"}  # the status of a daemon that does not say any more that it is there
OFFLINE_HINT = "start it with `ptzd run --config FILE`, or try `ptzd demo`"


@dataclass(frozen=True, slots=True)
class Heard:
    """One message of the daemon's, its topic without the base."""

    topic: str
    payload: Payload
    kept: bool = False  # by the broker, from earlier

    @property
    def camera(self) -> str | None:
        """The camera that it is about."""
        levels = self.topic.split("/")
        return levels[1] if len(levels) == 3 and levels[0] == "camera" else None


class Client:
    """A connection to the daemon behind a broker, made by `reach`."""

    def __init__(self, mqtt: aiomqtt.Client, broker: BrokerAddress) -> None:
        self._mqtt = mqtt
        self._broker = broker
        self._loop = asyncio.get_running_loop()  # `silence` is asked in the thread that draws
        self.was_online = False
        self.lives = False  # whether it says itself that it is online: a broker may only keep that
        self._alive_until = 0.0
        self._status: Payload = {}  # the last that was heard of
        self._told: Payload = {}  # the last that `hear_of_the_living` returned
        self._topics: list[str] = []  # subscribed to last
        self._early: dict[str, Heard] = {}

    @property
    def online(self) -> bool:
        """Whether the daemon's last status, if it was heard, said so."""
        return self._status.get("state") == "online"

    async def listen(self, topics: Iterable[str]) -> None:
        """Subscribe to topics below the base."""
        self._topics = list(topics)
        await self._mqtt.subscribe([(f"{self._broker.base}/{topic}", 1) for topic in self._topics])

    async def receive(self) -> Heard:
        """Return the next thing that is said below the base. Raises Failure where the broker goes away."""
        while True:
            try:
                message = await anext(self._mqtt.messages)
            except aiomqtt.MqttError:
                raise Failure(
                    f"The broker at {self._broker} ended the connection; look at its log and try again."
                ) from None
            payload = read_object(message.payload)
            if payload is None:
                continue
            heard = Heard(str(message.topic).removeprefix(f"{self._broker.base}/"), payload, message.retain)
            if heard.topic == "status":
                self._status = payload
                self.was_online = self.was_online or self.online
            self.lives = self.online and (self.lives or not heard.kept)
            if not (heard.kept and self._alive_until):  # to subscribe anew brings what is kept once more
                self._alive_until = self._loop.time() + SILENT_SECONDS
            return heard

    async def hear_of_the_living(self) -> Heard:
        """Return the next status that tells something new, or the next thing that a daemon says that is online.

        What a broker keeps of one that is gone is not so any more. Of one that is online by what the broker keeps and
        says nothing for SILENT_SECONDS, the status is `silent`. Raises Failure where the broker goes away.
        """
        while True:
            if self.online and self._early:
                return self._early.pop(next(iter(self._early)))
            lived = self.lives
            try:
                async with asyncio.timeout_at(self._alive_until if self.online else None):
                    heard = await self.receive()
            except TimeoutError:
                self._status, self.lives = SILENT, False
                heard = Heard("status", SILENT)
            if heard.topic == "status":
                if heard.payload == self._told and self.lives == lived:
                    continue
                if self._told is SILENT:  # what was told to be old is sent once more by the broker
                    await self.listen(self._topics)
                self._told = heard.payload
                return heard
            if self.online:
                return heard
            if not heard.kept:  # said by one that has yet to say that it is online
                self._early[heard.topic] = heard

    async def hear_it_live(self) -> bool:
        """Wait until the daemon of the last status says itself that it is online; return whether it does."""
        with suppress(TimeoutError):
            async with asyncio.timeout_at(self._alive_until):
                while self.online and not self.lives:
                    await self.receive()
        return self.lives

    async def hear(self) -> Heard:
        """Return the next thing that the daemon says. Raises Failure where it or the broker goes away."""
        heard = await self.receive()
        if heard.topic == "status" and not self.online:
            raise self.offline()
        return heard

    async def status(self) -> Payload | None:
        """Return the daemon's retained status, or None where there has never been a daemon."""
        await self.listen(["status"])
        try:
            async with asyncio.timeout(KEPT_STATUS_SECONDS):
                while (heard := await self.receive()).topic != "status":
                    pass
        except TimeoutError:
            return None
        return heard.payload

    async def kept(self, topic: str) -> dict[str, bytes]:
        """Return what the broker keeps on the topics that match one below the base, each by its whole name."""
        await self.listen([topic])
        found: dict[str, bytes] = {}
        with suppress(TimeoutError, aiomqtt.MqttError):
            async with asyncio.timeout(KEPT_SECONDS):
                while True:
                    message = await anext(self._mqtt.messages)
                    if message.retain and isinstance(message.payload, bytes):
                        found[str(message.topic)] = message.payload
        return found

    async def require_daemon(self) -> Payload:
        """Return the status of a daemon that is online. Raises Failure where none is."""
        status = await self.status()
        if status is None or not self.online:
            raise self.offline()
        return status

    async def require_camera(self, camera: str) -> Payload:
        """Return the daemon's status. Raises Failure where none is online or it has no such camera."""
        status = await self.require_daemon()
        cameras = status.get("cameras")
        if isinstance(cameras, list) and camera not in cameras:
            there_are = f"the daemon has {', '.join(map(str, cameras)) or 'none'}."
            raise Failure(f"There is no camera {camera}; {did_you_mean(camera, map(str, cameras), there_are)}")
        return status

    def silence(self) -> str | None:
        """Return the sentence that says that a daemon that was online says nothing any more, None where it does."""
        overdue = self.online and self._loop.time() >= self._alive_until
        if not overdue and self._status is not SILENT:
            return None
        return (
            f"The daemon at {self._broker} has said nothing for {SILENT_SECONDS:.0f} s: what it said before is old; "
            "look at it, and at its way to the broker."
        )

    def offline(self) -> Failure:
        """Return the failure that says that no daemon is there."""
        if sentence := self.silence():
            return Failure(sentence)
        return Failure(f"No daemon is online at {self._broker} below the topic {self._broker.base}; {OFFLINE_HINT}.")

    async def publish(self, topic: str, payload: Mapping[str, object]) -> str:
        """Send a command and return the `id` that its answer will carry."""
        ticket = f"cli-{secrets.token_hex(6)}"
        body = {key: value for key, value in payload.items() if value is not None} | {"id": ticket}
        try:
            await self._mqtt.publish(f"{self._broker.base}/{topic}", json.dumps(body), qos=1)
        except aiomqtt.MqttError as error:
            raise Failure(f"The broker at {self._broker} did not take the command ({error}); try again.") from None
        return ticket

    async def ask(
        self,
        topic: str,
        payload: Mapping[str, object],
        seconds: float = ANSWER_SECONDS,
        *,
        hear: Callable[[], Awaitable[Heard]] | None = None,
    ) -> Payload:
        """Send a command and return its outcome; `hear` listens for it in place of this client's own.

        Raises Failure where it was refused or nobody answered in time.
        """
        await self.listen(["status", "outcome"])
        ticket = await self.publish(topic, payload)
        try:
            async with asyncio.timeout(seconds) as patience:
                while True:
                    heard = await (hear or self.hear)()
                    if heard.topic == "status" and not self.online:
                        patience.reschedule(self._loop.time() + OFFLINE_SECONDS)
                    if heard.topic == "outcome" and heard.payload.get("id") == ticket:
                        break
        except TimeoutError:
            raise (self.silent(seconds) if self.online else self.offline()) from None
        if heard.payload.get("ok") is not True:
            raise refused(heard.payload)
        return heard.payload

    @asynccontextmanager
    async def stopping_when_left(self, camera: str) -> AsyncIterator[None]:
        """Stop a camera should this be cancelled: whoever lets go of the keyboard wants the head to stand still."""
        try:
            yield
        except asyncio.CancelledError:
            await self.publish(f"camera/{camera}/stop", {})
            raise

    def silent(self, seconds: float = ANSWER_SECONDS) -> Failure:
        """Return the failure that says that an answer is overdue."""
        return Failure(
            f"The daemon at {self._broker} did not answer within {seconds:.0f} s; "
            "whether it did it is not known: look with `ptzd watch`."
        )


def refused(payload: Payload) -> Failure:
    """Return the failure that an outcome or a move tells of, in the daemon's own sentence but for its hint."""
    sentence = str(payload.get("sentence") or payload.get("code") or "the daemon gave no reason")
    hint, option = payload.get("hint"), OPTIONS.get(str(payload.get("code")))
    if hint and option:
        sentence = sentence.replace(str(hint), option)
    end = "" if sentence.endswith((".", "?", "!")) else "."
    return Failure(f"{capital(sentence)}{end}", str(payload.get("code")))


def sent_at() -> str:
    """Return this moment as a recall carries it, so that a late one is refused."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


@asynccontextmanager
async def reach(
    broker: BrokerAddress, keepalive_seconds: int = 60, *, will: str | None = None
) -> AsyncIterator[Client]:
    """Connect to a broker for as long as the context lasts. Raises Failure where it can't be reached.

    `will` is where the broker sends an empty command should this process, or the way to it, be gone before that.
    """
    connection = broker.connection(keepalive_seconds, will)
    try:
        mqtt = await connection.__aenter__()
    except aiomqtt.MqttCodeError as error:
        raise Failure(
            f"The broker at {broker} refused the connection ({_reason(error)}); check --username and --password-file."
        ) from None
    except (aiomqtt.MqttError, OSError) as error:
        raise Failure(
            f"No broker answers at {broker} ({_reason(error)}); start one, such as `mosquitto -p {broker.port}`, "
            "or name another with --broker HOST:PORT."
        ) from None
    try:
        yield Client(mqtt, broker)
    finally:
        with suppress(aiomqtt.MqttError):  # it may have gone before we say goodbye
            await connection.__aexit__(None, None, None)
        lost = mqtt._disconnected  # nobody may have waited for it, and Python prints whatever error nobody took
        if lost.done() and not lost.cancelled():
            lost.exception()


def ask_camera(
    broker: BrokerAddress, camera: str, verb: str, payload: Mapping[str, object], seconds: float = ANSWER_SECONDS
) -> Payload:
    """Connect, send one command to a camera, and return its outcome. Raises Failure, also where no daemon has it."""

    async def asked() -> Payload:
        async with reach(broker) as client:
            await client.require_camera(camera)
            return await client.ask(f"camera/{camera}/{verb}", payload, seconds)

    return asyncio.run(asked())


def read_object(payload: object) -> Payload | None:
    """Return the JSON object that a message carries; None where it is somebody else's."""
    if not isinstance(payload, (bytes, bytearray, str)):
        return None
    try:
        value = json.loads(payload)
    except ValueError:
        return None
    return value if isinstance(value, dict) else None


def _reason(error: BaseException) -> str:
    text = str(error)
    return text.split("] ", 1)[-1].lower() or "no reason given"
