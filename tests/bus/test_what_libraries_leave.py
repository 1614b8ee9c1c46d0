"""What the bus changes in aiomqtt and amqtt is still needed. Where a test fails, its change of the library can go.

Each shows the library alone doing what the bus can't live with; the tests of the bus show that it does better.
"""

from __future__ import annotations

import asyncio
import socket
import statistics
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress

import aiomqtt
import paho.mqtt.client as paho
import pytest
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from brokers import free_port

from ptzd.bus.client import BrokerSettings, _Client

CONNACK = b"\x20\x02\x00\x00"  # accepted: MQTT 3.1.1, section 3.2
UNACKNOWLEDGED = 24  # where Linux's `struct tcp_info` has tcpi_unacked: linux/tcp.h
HELD_BACK_SECONDS = 0.02  # half of what Linux puts an acknowledgement off for

Talk = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def broker_that(talks: Talk) -> AsyncIterator[int]:
    """Let each connection be answered by a function; yield the port."""
    open_now: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def converse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        open_now[task] = writer
        with suppress(ConnectionError):
            await talks(reader, writer)

    async with await asyncio.start_server(converse, "127.0.0.1", 0) as server:
        yield server.sockets[0].getsockname()[1]
        for task, writer in open_now.items():
            task.cancel()
            writer.close()
        await asyncio.gather(*open_now, return_exceptions=True)
        await asyncio.sleep(0)  # a transport that was told to close does so in the next turn of the loop


def plain(port: int) -> aiomqtt.Client:
    return aiomqtt.Client("127.0.0.1", port, socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)])


def ours(port: int) -> aiomqtt.Client:
    return _Client(BrokerSettings(port=port, protocol="3.1.1"), None, lambda message: None)


async def acknowledging(client_of: Callable[[int], aiomqtt.Client]) -> float:
    """Return how long, as a median, a message waits for TCP's acknowledgement that the client doesn't answer.

    Before each there are some that it answers: Linux then expects an answer to the next as well, and waits for it.
    """
    took: list[float] = []
    done = asyncio.Event()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        loop, connection = asyncio.get_running_loop(), writer.get_extra_info("socket")
        await reader.read(1000)
        writer.write(CONNACK)
        for _ in range(25):
            for _ in range(4):
                writer.write(b"\x32\x06\x00\x01c\x00\x010")  # PUBLISH, QoS 1: section 3.3
                assert await reader.readexactly(4) == b"\x40\x02\x00\x01"  # PUBACK: section 3.4
            began_at = loop.time()
            writer.write(b"\x30\x04\x00\x01c0")  # PUBLISH, QoS 0
            while struct.unpack_from(
                "I", connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 104), UNACKNOWLEDGED
            )[0]:
                await asyncio.sleep(0.0005)
            took.append(loop.time() - began_at)
        done.set()

    async with broker_that(talk) as port, client_of(port):
        await asyncio.wait_for(done.wait(), 20)
    return statistics.median(took)


linux_only = pytest.mark.skipif(not hasattr(socket, "TCP_QUICKACK"), reason="this system has no TCP_QUICKACK")


@linux_only
async def test_aiomqtt_alone_lets_a_broker_wait_for_acknowledgements() -> None:
    assert await acknowledging(plain) > HELD_BACK_SECONDS


@linux_only
async def test_the_bus_acknowledges_at_once() -> None:
    assert await acknowledging(ours) < HELD_BACK_SECONDS


async def test_aiomqtt_shows_its_paho_client_to_nobody() -> None:
    client = plain(1)
    public = [getattr(client, name) for name in dir(client) if not name.startswith("_")]
    assert not any(isinstance(each, paho.Client) for each in public)


async def test_aiomqtt_alone_leaves_a_connection_open_that_was_called_off() -> None:
    ended = asyncio.Event()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await reader.read(1000):
            pass
        ended.set()

    async with broker_that(talk) as port:
        client = plain(port)
        connecting = asyncio.create_task(client.__aenter__())
        await asyncio.sleep(0)
        connecting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await connecting
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(ended.wait(), 0.5)
        client._client.on_disconnect = None
        client._client.disconnect()
        await asyncio.wait_for(ended.wait(), 5)


async def test_aiomqtt_alone_fails_when_an_attempt_that_was_called_off_is_disconnected() -> None:
    asked, failed = asyncio.Event(), asyncio.Event()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        asked.set()
        await reader.read()

    def note(loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        if isinstance(context.get("exception"), asyncio.CancelledError):
            failed.set()

    asyncio.get_running_loop().set_exception_handler(note)
    async with broker_that(talk) as port:
        client = plain(port)
        connecting = asyncio.create_task(client.__aenter__())
        await asked.wait()
        await asyncio.sleep(0.1)
        connecting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await connecting
        client._client.disconnect()
        await asyncio.wait_for(failed.wait(), 5)
        client._client.on_disconnect = None
        client._client.disconnect()
        await asyncio.sleep(0.05)


@asynccontextmanager
async def amqtt_alone(port: int) -> AsyncIterator[Broker]:
    broker = Broker(
        BrokerConfig(
            listeners={"default": ListenerConfig(bind=f"127.0.0.1:{port}")},
            plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        )
    )
    await broker.start()
    try:
        yield broker
    finally:
        await broker.shutdown()


async def test_amqtt_alone_sends_what_is_retained_to_one_who_never_subscribed() -> None:
    port = free_port()
    async with amqtt_alone(port), plain(port) as subscriber:
        await subscriber.subscribe("ptzd/#")
        await subscriber.publish("ptzd/status", b"online", qos=1, retain=True)
        async with plain(port) as stranger:
            message = await asyncio.wait_for(anext(stranger.messages), 5)
            assert message.payload == b"online"
