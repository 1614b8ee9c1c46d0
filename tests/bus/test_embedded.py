"""The broker inside the process, as `ptzd demo` uses it: MQTT 3.1.1."""

from __future__ import annotations

import asyncio
import random
import socket
import sys
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
import pytest
from brokers import free_port, listening, mosquitto_pub, mosquitto_sub

from ptzd.bus import BrokerSettings, Holding, Incoming, MqttBus, Topics
from ptzd.bus.embedded import embedded_broker

STATUS, LEFT = "ptzd/status", "ptzd/camera/left/state"


def bus_on(port: int) -> MqttBus:
    settings = BrokerSettings(port=port, protocol="3.1.1")
    holding = Holding(host="granary", since=datetime.now(UTC), token="granary")
    return MqttBus(
        settings, Topics("ptzd"), offline=b"offline", cameras=["left"], rng=random.Random(1), holding=holding
    )


async def connected(bus: MqttBus) -> None:
    async with asyncio.timeout(5):
        while not bus.connected:
            await asyncio.sleep(0.01)


async def test_a_state_is_kept_for_the_next_connection(capfd: pytest.CaptureFixture[str]) -> None:
    port = free_port()
    async with embedded_broker("127.0.0.1", port):
        async with bus_on(port) as bus:
            await connected(bus)
            bus.publish("ptzd/camera/left/tally", b"program", retain=True)
        async with bus_on(port) as bus:
            assert await asyncio.wait_for(anext(aiter(bus)), 5) == Incoming("ptzd/camera/left/tally", b"program", True)
    assert not listening("127.0.0.1", port)
    assert capfd.readouterr().err == ""


async def test_the_broker_says_offline_for_a_daemon_that_was_killed(capfd: pytest.CaptureFixture[str]) -> None:
    port = free_port()
    async with embedded_broker("127.0.0.1", port):
        process = await asyncio.create_subprocess_exec(
            sys.executable, str(Path(__file__).parent / "lone_daemon.py"), str(port), "3.1.1", "granary",
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        assert process.stdout is not None
        while "online" not in (line := (await asyncio.wait_for(process.stdout.readline(), 20)).decode()).split():
            assert line
        process.kill()
        await process.communicate()
        async with aiomqtt.Client("127.0.0.1", port) as viewer:
            await viewer.subscribe(STATUS)
            status = await asyncio.wait_for(anext(viewer.messages), 5)
            assert (status.payload, status.retain) == (b"offline", True)
    assert capfd.readouterr().err == ""


async def test_a_broker_that_ends_lets_go_of_its_clients() -> None:
    port = free_port()
    async with embedded_broker("127.0.0.1", port):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01c")  # CONNECT: MQTT 3.1.1, section 3.1
        assert await reader.readexactly(4) == b"\x20\x02\x00\x00"  # CONNACK, accepted: section 3.2
    assert await asyncio.wait_for(reader.read(), 5) == b""
    writer.close()
    await writer.wait_closed()


async def test_a_port_that_is_taken_is_an_error() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(OSError, match="in use"):
        async with embedded_broker("127.0.0.1", taken.getsockname()[1]):
            pass


async def test_it_listens_to_this_machine_only() -> None:
    with pytest.raises(ValueError, match=r"127\.0\.0\.1"):
        async with embedded_broker("0.0.0.0", free_port()):
            pass


@pytest.mark.mosquitto
async def test_whoever_publishes_and_hangs_up_is_heard_and_whoever_subscribes_hears() -> None:
    port, recall = free_port(), "ptzd/camera/left/recall"
    async with embedded_broker("127.0.0.1", port), bus_on(port) as bus:
        await connected(bus)
        bus.publish(STATUS, b"online", retain=True)
        bus.publish(LEFT, b"1", retain=True)
        async with mosquitto_sub(port, "ptzd/#") as subscriber:
            assert {(await subscriber.next())["payload"] for _ in range(2)} == {"online", "1"}
            for _ in range(10):
                await mosquitto_pub(port, recall, "-m", "choir-wide")
            for _ in range(10):
                assert await asyncio.wait_for(anext(aiter(bus)), 5) == Incoming(
                    "ptzd/camera/left/recall", b"choir-wide"
                )
