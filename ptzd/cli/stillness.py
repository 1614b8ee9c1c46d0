"""Whether cameras that were told to stop are seen to stand still, by the daemon's own states."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import suppress

from .broker import BrokerAddress
from .client import Client, Payload, reach
from .output import Failure, say

STATES_SECONDS = 0.3  # retained messages come with the subscription, or never
STILL_SECONDS = 4.0  # the fastest head brakes and is seen to stand still long before


async def kept_states(client: Client) -> dict[str, Payload]:
    """Return what the broker keeps of every camera's state."""
    states: dict[str, Payload] = {}
    await client.listen(["camera/+/state"])
    with suppress(TimeoutError):
        async with asyncio.timeout(STATES_SECONDS):
            while True:
                heard = await client.receive()
                if heard.camera is not None and heard.topic.endswith("/state"):
                    states[heard.camera] = heard.payload
    return states


async def _stillness(client: Client, camera: str | None) -> dict[str, Payload]:
    """Wait until a camera, or (None) every camera, stands still or is known not to answer; return the last states.

    The stop must have been answered. A camera that is still moving is waited for `STILL_SECONDS` at most.
    """
    loop = asyncio.get_running_loop()
    states: dict[str, Payload] = {}
    await client.listen([f"camera/{camera or '+'}/state"])
    with suppress(TimeoutError):
        async with asyncio.timeout(STATES_SECONDS) as patience:
            latest = loop.time() + STILL_SECONDS
            while True:
                heard = await client.receive()
                if heard.camera is None or not heard.topic.endswith("/state"):
                    continue
                states[heard.camera] = heard.payload
                if not all(state.get("link") == "down" or _stands_still(state) for state in states.values()):
                    patience.reschedule(latest)
                elif camera is not None:
                    break
                else:
                    patience.reschedule(min(latest, loop.time() + STATES_SECONDS))
    return states


def told_urgently(
    broker: BrokerAddress, topic: str, payload: Payload, camera: str | None
) -> tuple[Payload, dict[str, Payload]]:
    """Send what makes a camera (None: every camera) stand still; return the outcome, and what they have told since."""

    async def told() -> tuple[Payload, dict[str, Payload]]:
        async with reach(broker) as client:
            # A status that says that nobody is there may be wrong, and this must be heard.
            outcome = await client.ask(topic, payload, hear=client.receive)
            return outcome, await _stillness(client, camera)

    return asyncio.run(told())


def tell(states: Mapping[str, Payload]) -> None:
    """Say camera by camera whether it stands still."""
    for name, state in states.items():
        if _stands_still(state):
            say(f"camera {name} {'is in standby' if state.get('power') == 'standby' else 'stands still'}")


def require_still(states: Mapping[str, Payload]) -> None:
    """Raise Failure, which names them, where cameras do not answer or are not seen to stand still."""
    silent = [name for name, state in states.items() if state.get("link") == "down"]
    moving = [name for name, state in states.items() if name not in silent and not _stands_still(state)]
    told = []
    if silent:
        told.append(f"Camera {', '.join(silent)} does not answer, so nobody knows whether it stands still")
    if moving:
        told.append(f"Camera {', '.join(moving)} was not seen to stand still in {STILL_SECONDS:.0f} s")
    if told:
        raise Failure(f"{'. '.join(told)}; where it could endanger anybody, pull its plug.")


def _stands_still(state: Payload) -> bool:
    return state.get("activity") == "at-rest" or state.get("power") == "standby"
