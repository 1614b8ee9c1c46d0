"""A broker inside this process, for a demonstration without any other program: MQTT 3.1.1 on the loopback only."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from amqtt.errors import BrokerError
from amqtt.session import Session


class _Broker(Broker):  # type: ignore[misc]  # amqtt has no types
    """As amqtt has it, but for two things that amqtt 0.12.1 leaves undone.

    It sends a new client the retained messages of everybody's subscriptions; one that only wanted to publish has hung
    up by then, and what it published is lost with the connection. And a client that leaves while the broker shuts down
    is forgotten with its connection open.
    """

    def __init__(self, config: BrokerConfig) -> None:
        super().__init__(config)
        self._conversations: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._conversations[task] = writer
        try:
            await super().stream_connected(reader, writer, listener_name)
        finally:
            writer.close()
            del self._conversations[task]

    async def hang_up(self) -> None:
        """Close whatever connection is left."""
        await asyncio.sleep(0)  # who was let in just now is known by then
        left = list(self._conversations)
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        await asyncio.sleep(0)  # a transport that was told to close does so in the next turn of the loop

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        if any(subscriber is session for subscriber, _ in self.subscriptions.get(subscription[0], ())):
            await super()._publish_retained_messages_for_subscription(subscription, session)


@asynccontextmanager
async def embedded_broker(host: str = "127.0.0.1", port: int = 1883) -> AsyncIterator[None]:
    """Run a broker on `host`:`port` for as long as the context lasts. Anybody on this machine may use it.

    Raises ValueError for an address that other machines could reach, OSError where the port is taken.
    """
    if host not in ("127.0.0.1", "::1", "localhost"):
        raise ValueError(f"the embedded broker knows no passwords: let it listen on 127.0.0.1, not on {host}")
    for name in ("amqtt", "transitions"):  # they report each client that leaves as something to worry about
        logging.getLogger(name).setLevel(logging.CRITICAL)
    broker = _Broker(
        BrokerConfig(
            listeners={"default": ListenerConfig(bind=f"{host}:{port}")},
            plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        )
    )
    try:
        await broker.start()
    except BrokerError as error:
        cause = error.__cause__
        raise cause if isinstance(cause, OSError) else OSError(str(error)) from None
    try:
        yield
    finally:
        await broker.shutdown()
        await broker.hang_up()
