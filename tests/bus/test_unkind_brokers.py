"""Brokers that mosquitto does not play: one that refuses a subscription, one that brings a thousand messages at once.

Packets: MQTT 3.1.1 (OASIS, 2014), section 2 and 3. Bits 4 to 7 of the first byte say what it is, then comes how long.
"""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime

import structlog.testing

from ptzd.bus import BrokerSettings, Holding, MqttBus, Topics

CONNECT, PUBLISH, SUBSCRIBE = 1, 3, 8
CONNECTED = bytes((0x20, 2, 0, 0))


@asynccontextmanager
async def bus_on_a_broker(granted: int, brings: bytes = b"") -> AsyncIterator[MqttBus]:
    """A bus on a broker that answers each subscription with a code and then `brings` something."""

    ends: list[asyncio.StreamWriter] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ends.append(writer)
        try:
            while True:
                kind = (await reader.readexactly(1))[0] >> 4
                length = shift = 0
                more = 0x80
                while more:
                    (byte,) = await reader.readexactly(1)
                    length, shift, more = length | (byte & 0x7F) << shift, shift + 7, byte & 0x80
                body = await reader.readexactly(length)
                if kind == CONNECT:
                    writer.write(CONNECTED)
                elif kind == SUBSCRIBE:
                    writer.write(bytes((0x90, 3)) + body[:2] + bytes((granted,)) + brings)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    bus = MqttBus(
        BrokerSettings(port=server.sockets[0].getsockname()[1], protocol="3.1.1"),
        Topics("ptzd"),
        offline=b"offline",
        cameras=["left"],
        rng=random.Random(1),
        holding=Holding(host="granary", since=datetime(2031, 5, 17, tzinfo=UTC), token="a"),
    )
    async with bus:
        yield bus
    server.close()
    for end in ends:
        end.transport.abort()
    await asyncio.sleep(0)  # a transport that was told to close does so in the next turn of the loop


async def test_a_broker_that_lets_nobody_subscribe_is_told_and_is_no_connection() -> None:
    with structlog.testing.capture_logs() as logged:
        async with bus_on_a_broker(granted=0x80) as bus:
            await asyncio.sleep(0.5)
            assert not bus.connected
    assert any("does not let this user subscribe" in str(line) for line in logged)


async def test_a_burst_of_messages_leaves_others_their_turns() -> None:
    topic = b"ptzd/camera/left/drive"
    message = bytes((PUBLISH << 4, 2 + len(topic) + 2)) + len(topic).to_bytes(2, "big") + topic + b"{}"
    turns = 0

    async def other() -> None:
        nonlocal turns
        while True:
            await asyncio.sleep(0)
            turns += 1

    async with bus_on_a_broker(granted=1, brings=message * 1000) as bus:
        await asyncio.sleep(0.5)
        beside = asyncio.create_task(other())
        for _ in range(100):
            await anext(bus)
            time.sleep(0.002)  # noqa: ASYNC251 - what is done about a message
        assert turns >= 10
        beside.cancel()
