"""A bus in memory, for a clock that can't wait for a broker: one broker, any number of daemons and listeners.

It keeps what is retained, says a will, and can go away and come back, having lost all it kept.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from .bus import Incoming
from .holding import Holding
from .messages import DaemonMessage, StatusMessage
from .outbox import Outbox, Outgoing
from .topics import ReportTopic, Topics


@dataclass(frozen=True, slots=True)
class Said:
    """A message as a listener hears it."""

    topic: str
    payload: bytes
    retain: bool = False  # kept from before, not just said
    correlation: bytes | None = None


class MemoryBroker:
    """What stands between a daemon and those who talk to it. Everything in it happens at once."""

    def __init__(self) -> None:
        self.retained: dict[str, bytes] = {}
        self.running = True
        self._buses: list[MemoryBus] = []
        self._listeners: list[Callable[[Said], None]] = []

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        response_topic: str | None = None,
        correlation: bytes | None = None,
    ) -> None:
        """Say something to everybody. It is lost while the broker is stopped."""
        if not self.running:
            return
        if retain and payload:
            self.retained[topic] = payload
        elif retain:
            self.retained.pop(topic, None)
        for bus in list(self._buses):
            bus._hear(Incoming(topic, payload, False, response_topic, correlation))
        for hear in list(self._listeners):
            hear(Said(topic, payload, False, correlation))

    def listen(self, hear: Callable[[Said], None]) -> None:
        """Call `hear` with whatever is said from now on, and first with all that is retained."""
        self._listeners.append(hear)
        for topic, payload in self.retained.items():
            hear(Said(topic, payload, True))

    def stop(self) -> None:
        """Go away, with everything retained."""
        self.running = False
        self.retained.clear()

    def start(self) -> None:
        """Come back, remembering nothing."""
        self.running = True
        for bus in list(self._buses):
            bus._connect()

    def kill(self, bus: MemoryBus, *, will: bool = True) -> None:
        """Lose a daemon without a goodbye: its will is said, or will be (`say_will`) once that is noticed."""
        self._buses.remove(bus)
        if will:
            self.say_will(bus)

    def say_will(self, bus: MemoryBus) -> None:
        """Say the will of a connection: of one that has ended, or of an older one of a daemon that has another now."""
        self.publish(bus.topics.of(StatusMessage), bus.offline, retain=True)

    def _enter(self, bus: MemoryBus) -> None:
        self._buses.append(bus)
        if self.running:
            bus._connect()

    def _leave(self, bus: MemoryBus, *, will: bool) -> None:
        if bus in self._buses:
            self.kill(bus, will=will)


class MemoryBus:
    """The daemon's side of a MemoryBroker; it behaves as `MqttBus` does."""

    def __init__(
        self, broker: MemoryBroker, topics: Topics, *, offline: bytes, cameras: Iterable[str], holding: Holding
    ) -> None:
        """`offline`, `cameras` and `holding` are as for `MqttBus`."""
        self.topics = topics
        self.offline = offline
        self._broker = broker
        self._cameras = frozenset(cameras)
        self._holding = holding
        self._incoming: asyncio.Queue[Incoming | None] = asyncio.Queue()  # None: the base was lost
        self._loop = asyncio.get_running_loop()
        self._outbox = Outbox(self._loop.time)

    @property
    def connected(self) -> bool:
        return self._broker.running and self in self._broker._buses and self._holding.holds

    @property
    def asks_anew(self) -> bool:
        return False  # nothing stands still here

    async def hold(self) -> None:
        self._holding.require(self.topics.base)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, correlation: bytes | None = None) -> None:
        if not self._holding.lost:
            self._outbox.put(Outgoing(topic, payload, retain, correlation))
            self._send()

    def __aiter__(self) -> AsyncIterator[Incoming]:
        return self

    async def __anext__(self) -> Incoming:
        incoming = None if self._holding.lost else await self._incoming.get()
        if incoming is None:
            self._holding.require(self.topics.base)
        assert incoming is not None
        return incoming

    async def __aenter__(self) -> Self:
        self._broker._enter(self)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._broker._leave(self, will=True)

    def _contradict(self, topic: str) -> None:
        said = self._outbox.kept(topic)
        if self.connected and said is not None and said.payload != self.offline:
            self.publish(topic, said.payload, retain=True)

    def _connect(self) -> None:
        # Whoever is there answers in this call.
        self._broker.publish(self.topics.of(DaemonMessage), self._holding.ask())
        if not self._holding.hold():
            return
        for topic, payload in list(self._broker.retained.items()):
            self._hear(Incoming(topic, payload, True))
        self._outbox.begin_again()
        self._send()

    def _send(self) -> None:
        while self.connected and (taken := self._outbox.take_now()) is not None:
            number, message = taken
            self._broker.publish(message.topic, message.payload, retain=message.retain, correlation=message.correlation)
            self._outbox.sent(number)

    def _hear(self, incoming: Incoming) -> None:
        found = self.topics.parse(incoming.topic)
        if isinstance(found, ReportTopic) and found.report is DaemonMessage:
            if not incoming.retain:
                self._hear_daemon(incoming.payload)
        elif isinstance(found, ReportTopic):
            if incoming.retain and found.camera is not None and found.camera not in self._cameras:
                self.publish(incoming.topic, b"", retain=True)
            elif (
                not incoming.retain
                and incoming.topic == self.topics.of(StatusMessage)
                and incoming.payload == self.offline
            ):
                self._loop.call_soon(self._contradict, incoming.topic)  # once everybody has heard what is not so
        elif self.topics.contains(incoming.topic):
            self._incoming.put_nowait(incoming)

    def _hear_daemon(self, payload: bytes) -> None:
        if (answer := self._holding.heard(payload)) is not None:
            self._broker.publish(self.topics.of(DaemonMessage), answer)
        elif self._holding.lost:
            self._broker._leave(self, will=False)
            self._incoming.put_nowait(None)
