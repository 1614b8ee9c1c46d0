"""From a recall on the broker to the first packet at the camera, against a bare relay in the same run.

The relay does the least that any program between the two could: aiomqtt in, `sendto` out, on the same broker, with the
same Python. The daemon has 32 cameras connected and asks each where it stands all the while.
"""

from __future__ import annotations

import asyncio
import statistics
import sys
import textwrap
from contextlib import AsyncExitStack
from functools import partial
from pathlib import Path

import aiomqtt
import pytest
from processes import Processes, free_udp_ports, write_config
from taps import Tap

CAMERAS = 32
ROUNDS = 500

RELAY = textwrap.dedent("""
    import asyncio, socket, sys
    import aiomqtt

    async def main(broker, camera):
        out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        async with aiomqtt.Client("127.0.0.1", broker, protocol=aiomqtt.ProtocolVersion.V5) as client:
            await client.subscribe("relay/recall", qos=1)
            async for message in client.messages:
                out.sendto(bytes(message.payload), ("127.0.0.1", camera))

    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2])))
""")


class Ear(asyncio.DatagramProtocol):
    """Where the relay sends to."""

    heard: asyncio.Future[float] | None = None

    def datagram_received(self, data: bytes, addr: object) -> None:
        if self.heard is not None and not self.heard.done():
            self.heard.set_result(asyncio.get_running_loop().time())


@pytest.mark.bench
async def test_the_first_packet_leaves_nearly_as_soon_as_a_bare_relay_could_send_it(
    tmp_path: Path, mosquitto_broker: object
) -> None:
    loop = asyncio.get_running_loop()
    broker_port: int = mosquitto_broker.port  # type: ignore[attr-defined]
    async with AsyncExitStack() as opened, Processes() as processes:
        first = free_udp_ports(CAMERAS)
        await processes.simulator(first, CAMERAS)
        taps: list[Tap] = []
        ports: list[int] = []
        for number in range(CAMERAS):
            transport, tap = await loop.create_datagram_endpoint(
                partial(Tap, first + number), local_addr=("127.0.0.1", 0)
            )
            opened.callback(transport.close)
            taps.append(tap)
            ports.append(transport.get_extra_info("sockname")[1])
        ear_transport, ear = await loop.create_datagram_endpoint(Ear, local_addr=("127.0.0.1", 0))
        opened.callback(ear_transport.close)
        config = write_config(tmp_path, broker_port, ports)
        relay = tmp_path / "relay.py"
        relay.write_text(RELAY)
        await processes.start(
            sys.executable, str(relay), str(broker_port), str(ear_transport.get_extra_info("sockname")[1])
        )
        await processes.daemon(config)
        async with aiomqtt.Client("127.0.0.1", broker_port) as client:
            await processes.import_positions(client, CAMERAS)
            ours, theirs = [], []
            for turn in range(ROUNDS):
                number = turn % CAMERAS
                tap = taps[number]
                tap.ordered = loop.create_future()
                position = ("here", "there")[turn // CAMERAS % 2]
                sent = loop.time()
                await client.publish(f"ptzd/camera/camera-{number}/recall", position, qos=0)
                ours.append(await asyncio.wait_for(tap.ordered, 5) - sent)
                await asyncio.sleep(0.02)
                ear.heard = loop.create_future()
                sent = loop.time()
                await client.publish("relay/recall", position, qos=0)
                theirs.append(await asyncio.wait_for(ear.heard, 5) - sent)
                await asyncio.sleep(0.02)
    ours, theirs = ours[CAMERAS:], theirs[CAMERAS:]  # the first round warms both up
    rows = []
    for name, figure in (
        ("median", statistics.median),
        ("99th percentile", lambda x: statistics.quantiles(x, n=100)[98]),
    ):
        rows.append((name, figure(ours), figure(theirs), figure(ours) / figure(theirs)))
    print(f"\n{'':16} {'ptzd':>9} {'relay':>9} {'ratio':>6}   ({len(ours)} recalls, {CAMERAS} cameras)")
    for name, our, their, ratio in rows:
        print(f"{name:16} {1000 * our:7.2f}ms {1000 * their:7.2f}ms {ratio:6.2f}")
    assert rows[0][3] <= 1.5
    assert rows[1][3] <= 2.0
