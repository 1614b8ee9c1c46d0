"""A process that is online until it is killed: `lone_daemon.py PORT PROTOCOL`. It prints a line when it is."""

from __future__ import annotations

import asyncio
import random
import sys
from typing import Literal, cast

from ptzd.bus import BrokerSettings, MqttBus, StatusMessage, Topics


async def main(port: int, protocol: Literal["3.1.1", "5"]) -> None:
    settings = BrokerSettings(port=port, protocol=protocol)
    bus = MqttBus(settings, Topics("ptzd"), offline=b"offline", cameras=[], rng=random.Random(1))
    async with bus:
        bus.publish(bus.topics.of(StatusMessage), b"online", retain=True)
        while not bus.connected:
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.2)
        print("online", flush=True)
        await asyncio.sleep(3600)


asyncio.run(main(int(sys.argv[1]), cast(Literal["3.1.1", "5"], sys.argv[2])))
