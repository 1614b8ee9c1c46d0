"""`ptzd stop`: end all motion now."""

from __future__ import annotations

import asyncio

import click

from .broker import BrokerAddress, broker_options
from .client import Payload, reach
from .names import name
from .speech import say, say_json


@click.command(short_help="End all motion now.", epilog="Example: ptzd stop gallery")
@click.argument("camera", type=name, required=False)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@broker_options
def stop(broker: BrokerAddress, camera: str | None, as_json: bool) -> None:
    """End all motion of CAMERA now, or of every camera where none is named."""
    outcome = asyncio.run(_stop(broker, camera))
    if as_json:
        say_json(outcome)
    else:
        say(f"Camera {camera} was told to stop." if camera else "Every camera was told to stop.")


async def _stop(broker: BrokerAddress, camera: str | None) -> Payload:
    async with reach(broker) as client:
        return await client.ask("all/stop" if camera is None else f"camera/{camera}/stop", {})
