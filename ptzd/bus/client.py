"""The bus over an MQTT broker, 3.1.1 or 5, that may come and go.

Theory of operation. One task keeps a connection for as long as the context lasts: it connects, asks whether another
daemon holds the base (`holding.py`), subscribes to everything below it, says every retained message anew, and then
sends what waits until the broker is lost; after a pause that grows it begins again. The daemon notices nothing of it:
what it says waits in the outbox, and the cameras don't depend on the bus. A session ends with its connection, so
commands that were sent while the daemon was away are lost and never carried out late. Where the process itself stood
still over a connection that held, it asks anew as well: until that is answered it says nothing, and nothing moves.

A message goes from the socket to the consumer with one turn of the event loop in between. The consumer gets only so
many in one turn that whatever else the loop has to do is soon done: among it, to read the second connection. On that
one only stops and locks come, so that nothing is ever ahead of them, neither in a stream nor at the broker, and the
consumer gets them first. How they and their copies among all messages keep their order, `overtaking.py` tells. The
second connection says nothing and has no will: without it, stops wait in their turn, and all else is as ever.
"""

from __future__ import annotations

import asyncio
import random
import socket
import ssl
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import aiomqtt
import structlog
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from .bus import Incoming
from .holding import Holding
from .messages import DaemonMessage, StatusMessage
from .outbox import Outbox, Outgoing
from .overtaking import Overtaking
from .topics import ReportTopic, Topics

log = structlog.get_logger()

CONNECT_SECONDS = 2.0  # for a TCP connection
ANSWER_SECONDS = 5.0  # for any answer of the broker's; one that takes longer is taken for lost
KEEPALIVE_SECONDS = 10  # a lost host is noticed within twice this, and its will said after 1.5 times this
FIRST_PAUSE_SECONDS = 0.25
LONGEST_PAUSE_SECONDS = 5.0
STEADY_SECONDS = 5.0  # a connection that held this long was a good one: the next pause is short again
IN_FLIGHT = 8  # messages sent before the broker has confirmed the first of them
GOODBYE_SECONDS = 2.0  # longer than it may be in doubt whether the base is still its own
ASKING_SECONDS = 1.0  # a daemon that lives answers within a few milliseconds, at its worst within half a second
STOOD_STILL_SECONDS = 0.8  # or longer, and another may have asked meanwhile and taken the base, since nobody answered
BEAT_SECONDS = 0.1  # between two looks at whether this process stood still
FIRST_ASKING_SECONDS = 3.0  # for a broker that does not answer either; then the daemon starts without
TURN_SECONDS = 0.01  # how long messages are handed out in one turn of the loop: a tenth of what a stop may take
TCP_QUICKACK: int | None = getattr(socket, "TCP_QUICKACK", None)  # Linux has it
SUBSCRIPTION_REFUSED = 0x80  # this and above: MQTT 5.0, section 3.9.3; MQTT 3.1.1, section 3.9.3


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """Where the broker is and how to be let in."""

    host: str = "127.0.0.1"
    port: int = 1883
    protocol: Literal["3.1.1", "5"] = "5"
    username: str | None = None
    password: str | None = None
    ca_file: Path | None = None  # PEM; with it the connection is encrypted and the broker's certificate checked


class MqttBus:
    """The daemon's side of a broker: `async with MqttBus(…) as bus`, then `async for incoming in bus`.

    Entering it doesn't wait for the broker, which may come later.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        topics: Topics,
        *,
        offline: bytes,
        cameras: Iterable[str],
        rng: random.Random,
        holding: Holding,
        clock: Callable[[], float] | None = None,
    ) -> None:
        """`offline` is the payload of `status` when the daemon has gone, said by the broker if need be.

        What the broker still keeps of other `cameras` from earlier is cleared. `rng` spreads the pauses between
        attempts, so that not all clients of a broker come back at once. `holding` tells this daemon from others. By
        `clock`, which goes on while the machine sleeps, it sees that this process stood still; without one by the
        loop's. Raises ValueError for an unusable `ca_file`.
        """
        self.topics = topics
        self._settings = settings
        self._tls = None if settings.ca_file is None else _tls_context(settings.ca_file)
        self._offline = offline
        self._cameras = frozenset(cameras)
        self._rng = rng
        self._holding = holding
        self._asked = asyncio.Event()  # once: the base is ours, or another's, or there is no broker to ask over
        self._held = asyncio.Event()  # once: the base is ours
        self._client: _Client | None = None  # the one that speaks
        self._loop = asyncio.get_running_loop()
        self._ahead: deque[Incoming] = deque()
        self._in_turn: deque[Incoming] = deque()
        self._arrived = asyncio.Event()
        self._overtaking = Overtaking(topics, self._loop.time)
        self._turn_ends_at = 0.0
        self._clock = clock or self._loop.time
        self._ran_at = self._sure_at = self._clock()
        self._sure = asyncio.Event()  # that no other has taken the base while this process stood still
        self._outbox = Outbox(self._loop.time)
        self.connected = False
        self._open = AsyncExitStack()

    @property
    def asks_anew(self) -> bool:
        self._look_for_a_stall()
        return self.connected and not self._sure.is_set()

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, correlation: bytes | None = None) -> None:
        if not self._holding.lost:
            self._outbox.put(Outgoing(topic, payload, retain, correlation))

    async def hold(self) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(FIRST_ASKING_SECONDS):
                await self._asked.wait()
        self._holding.require(self.topics.base)

    def __aiter__(self) -> AsyncIterator[Incoming]:
        return self

    async def __anext__(self) -> Incoming:
        if self._loop.time() >= self._turn_ends_at:
            await asyncio.sleep(0)
            self._turn_ends_at = self._loop.time() + TURN_SECONDS
        while True:
            self._holding.require(self.topics.base)
            while self._ahead:
                if (urgent := self._overtaking.ahead(self._ahead.popleft())) is not None:
                    return urgent
            if self._in_turn:
                return self._overtaking.in_turn(self._in_turn.popleft())
            self._arrived.clear()
            await self._arrived.wait()
            self._turn_ends_at = self._loop.time() + TURN_SECONDS

    async def __aenter__(self) -> Self:
        group = await self._open.enter_async_context(asyncio.TaskGroup())
        for keeper in (group.create_task(self._stay_connected()), group.create_task(self._stay_ahead())):
            self._open.callback(keeper.cancel)
        self._open.push_async_callback(self._say_goodbye)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> bool | None:
        # Only a cancellation concerns the group: it may be its own way of saying that its task has failed. Any other
        # error goes on to the caller as it is, not wrapped.
        if isinstance(error, asyncio.CancelledError):
            return await self._open.__aexit__(kind, error, traceback)
        await self._open.aclose()
        return None

    async def _say_goodbye(self) -> None:
        """A connection that is ended in good order has no will, so what it would say is said here."""
        if self.connected and not self._holding.lost:
            self.publish(self.topics.of(StatusMessage), self._offline, retain=True)
            with suppress(TimeoutError):
                async with asyncio.timeout(GOODBYE_SECONDS):
                    await self._outbox.emptied()

    async def _stay_connected(self) -> None:
        told = ""
        broker = f"{self._settings.host}:{self._settings.port}"

        async def converse() -> None:
            nonlocal told
            will = aiomqtt.Will(self.topics.of(StatusMessage), self._offline, 1, True)
            self._client = client = _Client(self._settings, self._tls, self._hear, will)
            async with self._connected_with(client):
                log.info("broker connected", broker=broker)
                told = ""
                if await self._holds_with(client):
                    await self._converse(client)

        def lost(reason: str) -> None:
            nonlocal told
            self._asked.set()
            if reason != told:  # once, not at every attempt
                log.warning("no broker: cameras go on, nobody hears of them", broker=broker, reason=reason)
                told = reason

        await self._again_and_again(converse, lost)

    async def _stay_ahead(self) -> None:
        told = ""

        async def converse() -> None:
            nonlocal told
            await self._held.wait()
            async with self._connected_with(_Client(self._settings, self._tls, self._hear_ahead)) as client:
                for topics in self.topics.overtaking:
                    await client.subscribe_to(topics)
                told = ""
                self._overtaking.line_ahead(up=True)
                await client.wait_until_lost()

        def lost(reason: str) -> None:
            nonlocal told
            self._overtaking.line_ahead(up=False)
            if self.connected and reason != told:
                log.warning("no second connection to the broker: stops wait behind other messages", reason=reason)
                told = reason

        await self._again_and_again(converse, lost)

    async def _again_and_again(self, converse: Callable[[], Awaitable[None]], lost: Callable[[str], None]) -> None:
        """Begin a connection anew whenever it ends, after a pause that grows; `lost` is told why it ended."""
        keeper = asyncio.current_task()
        assert keeper is not None
        pause = FIRST_PAUSE_SECONDS
        reason = ""
        while True:
            began_at = self._loop.time()
            try:
                await converse()
            except* aiomqtt.MqttError as errors:
                reason = _reason(errors)
            if keeper.cancelling():  # in Python 3.11 a group whose task fails in that very moment forgets about it
                raise asyncio.CancelledError
            if self._holding.lost:
                return
            lost(reason)
            if self._loop.time() - began_at >= STEADY_SECONDS:
                pause = FIRST_PAUSE_SECONDS
            await asyncio.sleep(pause * self._rng.uniform(0.5, 1.0))
            pause = min(2 * pause, LONGEST_PAUSE_SECONDS)

    @asynccontextmanager
    async def _connected_with(self, client: _Client) -> AsyncIterator[_Client]:
        connecting = asyncio.ensure_future(client.__aenter__())
        try:
            await asyncio.shield(connecting)
        except BaseException:
            # It connects in a thread, which nobody can call off: let that end, so that no socket is left behind.
            await client.attempted.wait()
            connecting.cancel()
            with suppress(asyncio.CancelledError, aiomqtt.MqttError):
                await connecting
            client.hang_up()
            raise
        try:
            yield client
        finally:
            with suppress(aiomqtt.MqttError):
                await client.__aexit__(None, None, None)

    async def _holds_with(self, client: _Client) -> bool:
        """Ask on a new connection whether another daemon holds the base; return whether it is ours."""
        await client.subscribe_to(self.topics.of(DaemonMessage))
        stood_still = True
        while stood_still:  # what was answered meanwhile is heard only now
            asked_at = self._clock()
            client.say_at_once(self.topics.of(DaemonMessage), self._holding.ask())
            with suppress(TimeoutError):
                async with asyncio.timeout(ASKING_SECONDS):
                    await client.wait_until_lost()
            stood_still = self._clock() - asked_at > ASKING_SECONDS + STOOD_STILL_SECONDS
        if self._holding.hold():
            self._held.set()
        self._asked.set()
        return self._holding.holds

    async def _converse(self, client: _Client) -> None:
        """Hear and speak until the connection ends, which raises MqttError."""
        try:
            await client.subscribe_to(self.topics.everything)
            self._outbox.begin_again()
            self._ran_at = self._clock()
            self._sure.set()
            self.connected = True
            async with asyncio.TaskGroup() as group:
                group.create_task(self._speak(client))
                group.create_task(self._stay_sure())
                await client.wait_until_lost()
        finally:
            self.connected = False

    def _look_for_a_stall(self) -> None:
        """Ask anew where this process stood still for so long that another daemon may have taken the base meanwhile."""
        now = self._clock()
        stood_still, self._ran_at = now - self._ran_at > STOOD_STILL_SECONDS, now
        if stood_still and self.connected and self._client is not None:
            self._sure.clear()
            self._sure_at = now + ASKING_SECONDS
            self._client.say_at_once(self.topics.of(DaemonMessage), self._holding.ask())

    async def _stay_sure(self) -> None:
        """Look again and again whether this process stood still, and take the base anew where nobody else has it."""
        while True:
            await asyncio.sleep(BEAT_SECONDS)
            self._look_for_a_stall()
            if not self._sure.is_set() and self._clock() >= self._sure_at and self._holding.hold():
                self._sure.set()
                self._outbox.begin_again()  # another may have said something else, and be gone

    async def _speak(self, client: _Client) -> None:
        window = asyncio.Semaphore(IN_FLIGHT)
        async with asyncio.TaskGroup() as group:
            while True:
                await window.acquire()
                number, message = await self._outbox.take()
                if self._sure.is_set():
                    group.create_task(self._send(client, number, message, window))
                else:
                    await self._sure.wait()
                    window.release()  # it is taken again, with all that was not said

    async def _send(self, client: _Client, number: int, message: Outgoing, window: asyncio.Semaphore) -> None:
        await client.send(message)
        self._outbox.sent(number)
        window.release()

    def _hear(self, message: aiomqtt.Message) -> None:
        self._look_for_a_stall()
        topic = message.topic.value
        found = self.topics.parse(topic)
        if isinstance(found, ReportTopic):  # our own words: from this life, or retained from an earlier one
            if found.report is DaemonMessage:
                if not message.retain:  # nobody knows whether the one lives that said so
                    self._hear_daemon(message.payload)
            elif message.retain and found.camera is not None and found.camera not in self._cameras:
                self.publish(topic, b"", retain=True)
            elif not message.retain and topic == self.topics.of(StatusMessage):
                self._contradict(topic, message.payload)
            return
        self._in_turn.append(_incoming(message))
        self._arrived.set()

    def _hear_daemon(self, payload: bytes) -> None:
        answer = self._holding.heard(payload)
        if self._client is None:
            return
        if answer is not None:
            self._client.say_at_once(self.topics.of(DaemonMessage), answer)
        elif self._holding.lost:
            self._client.hang_up()
            self._asked.set()
            self._arrived.set()

    def _contradict(self, topic: str, payload: bytes) -> None:
        """Say that we are here, where the will of a connection that we had before or another daemon says otherwise."""
        said = self._outbox.kept(topic)
        if said is None or said.payload in (self._offline, payload):
            return
        if payload == self._offline:
            self.publish(topic, said.payload, retain=True)
        elif self._client is not None and self._sure.is_set():  # two hold the base, and one of them goes now
            self._client.say_at_once(self.topics.of(DaemonMessage), self._holding.word())
            self._outbox.begin_again()

    def _hear_ahead(self, message: aiomqtt.Message) -> None:
        if not message.retain:  # what was retained is told in its turn
            self._ahead.append(_incoming(message))
            self._arrived.set()


def _incoming(message: aiomqtt.Message) -> Incoming:
    properties: Any = message.properties
    return Incoming(
        message.topic.value,
        message.payload,
        # MQTT's flag means "from before" only when the broker sends what it kept, as a live one comes without.
        message.retain,
        getattr(properties, "ResponseTopic", None),
        getattr(properties, "CorrelationData", None),
    )


class _Client(aiomqtt.Client):
    """One connection, with what aiomqtt leaves to its user."""

    def __init__(
        self,
        settings: BrokerSettings,
        tls: ssl.SSLContext | None,
        hear: Callable[[aiomqtt.Message], None],
        will: aiomqtt.Will | None = None,
    ) -> None:
        self._mqtt5 = settings.protocol == "5"
        super().__init__(
            settings.host,
            settings.port,
            username=settings.username,
            password=settings.password,
            protocol=aiomqtt.ProtocolVersion.V5 if self._mqtt5 else aiomqtt.ProtocolVersion.V311,
            clean_session=None if self._mqtt5 else True,
            will=will,
            timeout=ANSWER_SECONDS,
            keepalive=KEEPALIVE_SECONDS,
            queue_type=_straight_to(hear),
            tls_context=tls,
            # Small messages in both directions: with Nagle's algorithm they would wait for each other's confirmation.
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )
        self._paho = self._client  # aiomqtt has no public way to it, but all that is changed of it below is public
        self._paho.connect_timeout = CONNECT_SECONDS
        self.attempted = asyncio.Event()  # whether there is a TCP connection now, or none after all
        self._tell_of_attempts(asyncio.get_running_loop())
        self._acknowledge_at_once()
        self._survive_a_late_disconnect()

    def _tell_of_attempts(self, loop: asyncio.AbstractEventLoop) -> None:
        connect = self._paho.connect

        def connect_and_tell(*arguments: Any, **more: Any) -> MQTTErrorCode:
            try:
                return connect(*arguments, **more)
            finally:
                loop.call_soon_threadsafe(self.attempted.set)

        self._paho.connect = connect_and_tell  # type: ignore[method-assign]

    def _acknowledge_at_once(self) -> None:
        """Leave no TCP segment of the broker's without acknowledgement for long.

        A broker with Nagle's algorithm, which is what mosquitto is by default, holds a recall back until all that it
        sent before is acknowledged, which Linux puts off for 40 ms in the hope of sending something along. TCP_QUICKACK
        doesn't last (Linux, tcp(7)), so it is said after each read.
        """
        if TCP_QUICKACK is None:
            return
        read = self._paho.loop_read

        def read_and_acknowledge(*arguments: Any, **more: Any) -> MQTTErrorCode:
            try:
                return read(*arguments, **more)
            finally:
                if isinstance(connection := self._paho.socket(), socket.socket):
                    with suppress(OSError):  # it may have broken: the next read tells
                        connection.setsockopt(socket.IPPROTO_TCP, TCP_QUICKACK, 1)

        self._paho.loop_read = read_and_acknowledge  # type: ignore[method-assign]

    def _survive_a_late_disconnect(self) -> None:
        """Let an attempt that was called off end: aiomqtt fails in the middle of closing its socket."""
        told: Any = self._paho.on_disconnect

        def tell(*arguments: Any) -> None:
            with suppress(asyncio.CancelledError):
                told(*arguments)

        self._paho.on_disconnect = tell

    async def subscribe_to(self, topics: str) -> None:
        if self._mqtt5:
            granted = await self.subscribe(topics, options=SubscribeOptions(qos=1, noLocal=True))
        else:
            granted = await self.subscribe(topics, qos=1)
        _require_not_cancelled()
        if any(code >= SUBSCRIPTION_REFUSED for code in (getattr(code, "value", code) for code in granted)):
            raise aiomqtt.MqttError(f"the broker does not let this user subscribe to {topics}: see its access rules")

    async def send(self, message: Outgoing) -> None:
        properties = None
        if self._mqtt5 and message.correlation is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.CorrelationData = message.correlation
        await self.publish(message.topic, message.payload, 1, message.retain, properties)
        _require_not_cancelled()

    def say_at_once(self, topic: str, payload: bytes) -> None:
        """Send what is of no use later, ahead of all that waits."""
        self._paho.publish(topic, payload)

    async def wait_until_lost(self) -> None:
        """Messages don't come this way, see `_straight_to`: only the end of the connection does, as MqttError."""
        async for _ in self.messages:
            pass

    def hang_up(self) -> None:
        """End the connection in good order, or close what a failed attempt may have left open."""
        self._paho.disconnect()


def _straight_to(hear: Callable[[aiomqtt.Message], None]) -> type[asyncio.Queue[aiomqtt.Message]]:
    """A queue that keeps nothing: `hear` is called in the very call that read the message from the socket."""

    class Straight(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            hear(item)

    return Straight


def _reason(errors: BaseExceptionGroup[BaseException]) -> str:
    first: BaseException = errors
    while isinstance(first, BaseExceptionGroup):
        first = first.exceptions[0]
    return str(first) or "the connection was lost"


def _require_not_cancelled() -> None:
    """Raise CancelledError where a wait has forgotten it: in Python 3.11 one does that ends in that very moment."""
    if (task := asyncio.current_task()) is not None and task.cancelling():
        raise asyncio.CancelledError


def _tls_context(ca_file: Path) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise ValueError(
            f"{ca_file} can't be used as ca_file ({error}): name a file with the broker's CA certificate in PEM form"
        ) from None
