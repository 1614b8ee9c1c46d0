"""Asking for what moves a head by itself: not as clear at first, so that the daemon's caution is read."""

from __future__ import annotations

import asyncio
import sys

from .broker import BrokerAddress
from .client import ANSWER_SECONDS, Payload, reach, sent_at
from .output import Failure, complain, require_yes


def ask_when_clear(
    broker: BrokerAddress, camera: str, verb: str, wanted: Payload, *, yes: bool, may_ask: bool, seconds: float = 0.0
) -> Payload:
    """Send a command to a camera and return its outcome, asking on a terminal whether all is clear unless `yes`.

    Ctrl-C meanwhile stops the camera. Raises Failure where it was refused, also since nobody could be asked, and where
    nobody answered in time; KeyboardInterrupt where it was stopped.
    """
    patience = ANSWER_SECONDS + seconds
    try:
        return asyncio.run(_ask(broker, camera, verb, wanted | {"clear": yes or None}, patience))
    except Failure as failure:
        if failure.code != "not-clear" or not may_ask or not sys.stdin.isatty():
            raise
        complain(f"CAUTION: {failure.message}")
        require_yes("Is all clear of it?")
        return asyncio.run(_ask(broker, camera, verb, wanted | {"clear": True}, patience))


async def _ask(broker: BrokerAddress, camera: str, verb: str, wanted: Payload, seconds: float) -> Payload:
    async with reach(broker) as client:
        await client.require_camera(camera)
        async with client.stopping_when_left(camera):
            return await client.ask(f"camera/{camera}/{verb}", wanted | {"sent_at": sent_at()}, seconds)
