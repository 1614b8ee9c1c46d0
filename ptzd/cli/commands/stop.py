"""`ptzd stop`: end all motion now."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import click

from ptzd.cli.broker import BrokerAddress, broker_options
from ptzd.cli.client import Client, Payload, reach
from ptzd.cli.names import name
from ptzd.cli.output import Failure, say, say_json

STATES_SECONDS = 0.3  # retained messages come with the subscription, or never


@click.command(short_help="End all motion now.", epilog="Example: ptzd stop gallery")
@click.argument("camera", type=name, required=False)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@broker_options
def stop(broker: BrokerAddress, camera: str | None, as_json: bool) -> None:
    """End all motion of CAMERA now, or of every camera where none is named.

    Ends with 1 where a camera does not answer, so that the stop may not have reached it.
    """
    outcome, silent = asyncio.run(_stop(broker, camera))
    if as_json:
        say_json(outcome)
    else:
        say(f"Camera {camera} was told to stop." if camera else "Every camera was told to stop.")
    if silent:
        raise Failure(
            f"Camera {', '.join(silent)} does not answer, so the stop may not have reached it; where it could endanger "
            "anybody, pull its plug."
        )


async def _stop(broker: BrokerAddress, camera: str | None) -> tuple[Payload, list[str]]:
    """Return the outcome, and which cameras are known not to answer."""
    async with reach(broker) as client:
        outcome = await client.ask("all/stop" if camera is None else f"camera/{camera}/stop", {})
        return outcome, await _silent(client, camera)


async def _silent(client: Client, camera: str | None) -> list[str]:
    silent: list[str] = []
    await client.listen([f"camera/{camera or '+'}/state"])
    with suppress(TimeoutError):
        async with asyncio.timeout(STATES_SECONDS):
            while True:
                heard = await client.receive()
                if heard.camera is None or not heard.topic.endswith("/state"):
                    continue
                if heard.payload.get("link") == "down" and heard.camera not in silent:
                    silent.append(heard.camera)
                if camera is not None:
                    break
    return silent
