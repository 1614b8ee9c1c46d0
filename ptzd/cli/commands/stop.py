"""`ptzd stop`: end all motion now."""

from __future__ import annotations

import asyncio

import click

from ptzd.cli.broker import BrokerAddress, broker_options
from ptzd.cli.client import Payload, reach
from ptzd.cli.names import name
from ptzd.cli.output import Failure, say, say_json
from ptzd.cli.stillness import require_still, stillness, tell

DIRECTLY = "To stop the cameras without it: `ptzd halt --config FILE`, or their plugs."


@click.command(short_help="End all motion now.", epilog="Example: ptzd stop gallery")
@click.argument("camera", type=name, required=False)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@broker_options
def stop(broker: BrokerAddress, camera: str | None, as_json: bool) -> None:
    """End all motion of CAMERA now, or of every camera where none is named, and tell whether it stands still.

    It goes out whatever is known of the daemon; where none runs, `ptzd halt` stops the cameras directly. Ends with 1
    where a camera is not seen to stand still.
    """
    try:
        outcome, states = asyncio.run(_stop(broker, camera))
    except Failure as failure:
        raise Failure(f"{failure.message} {DIRECTLY}", failure.code) from None
    if as_json:
        say_json(outcome)
        require_still(states)
    else:
        say(f"Camera {camera} was told to stop." if camera else "Every camera was told to stop.")
        tell(states)


async def _stop(broker: BrokerAddress, camera: str | None) -> tuple[Payload, dict[str, Payload]]:
    """Return the outcome, and what the cameras have told since."""
    async with reach(broker) as client:
        outcome = await client.ask_urgently("all/stop" if camera is None else f"camera/{camera}/stop", {})
        return outcome, await stillness(client, camera)
