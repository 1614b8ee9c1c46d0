"""A process that is online until it is killed or another holds the base: `lone_daemon.py PORT PROTOCOL TOKEN`.

It prints `online` when it is, and then, should it come to that, which other daemon holds the base.
"""

from __future__ import annotations

import asyncio
import random
import sys
from datetime import UTC, datetime
from typing import Literal, cast

import structlog

from ptzd.bus import BrokerSettings, HeldElsewhere, Holding, MqttBus, StatusMessage, Topics


async def main(port: int, protocol: Literal["3.1.1", "5"], token: str) -> None:
    settings = BrokerSettings(port=port, protocol=protocol)
    holding = Holding(host=token, since=datetime.now(UTC), token=token)
    bus = MqttBus(settings, Topics("ptzd"), offline=b"offline", cameras=[], rng=random.Random(1), holding=holding)
    try:
        async with bus:
            await bus.hold()
            bus.publish(bus.topics.of(StatusMessage), f"online {token}".encode(), retain=True)
            while not bus.connected:
                await asyncio.sleep(0.01)
            await asyncio.sleep(0.2)
            print("online", flush=True)
            async for _ in bus:
                pass
    except HeldElsewhere as held:
        print(held, flush=True)


structlog.configure(logger_factory=structlog.ReturnLoggerFactory())
asyncio.run(main(int(sys.argv[1]), cast(Literal["3.1.1", "5"], sys.argv[2]), sys.argv[3]))
