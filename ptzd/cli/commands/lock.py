"""`ptzd lock` and `ptzd unlock`: keep a camera still while somebody reaches for it."""

from __future__ import annotations

import asyncio
import getpass

import click

from ptzd.cli.broker import BrokerAddress, broker_options
from ptzd.cli.client import Payload, reach
from ptzd.cli.names import name
from ptzd.cli.output import say, say_json
from ptzd.cli.stillness import require_still, stillness, tell


@click.command(
    short_help="Keep a camera still, whoever asks.", epilog='Example: ptzd lock gallery --reason "changing the lens"'
)
@click.argument("camera", type=name)
@click.option("--reason", default="", help="Why; shown to everybody who asks the camera to move.")
@click.option("--by", default="", help="Who; your login name where you leave it out.")
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@broker_options
def lock(broker: BrokerAddress, camera: str, reason: str, by: str, as_json: bool) -> None:
    """Stop CAMERA and keep it still until it is unlocked, also across a restart of the daemon.

    Say why where there is time: whoever finds it locked wants to know. It goes out whatever is known of the daemon, and
    ends with 1 where the camera is not seen to stand still. The lock is software: where a life depends on it, pull the
    plug.
    """
    outcome, states = asyncio.run(_lock(broker, camera, {"by": by or _login(), "reason": reason}))
    if as_json:
        say_json(outcome)
        require_still(states)
    else:
        say(f"Camera {camera} is locked: nobody moves it until `ptzd unlock {camera}`.")
        tell(states)


@click.command(short_help="Let a camera move again.", epilog="Example: ptzd unlock gallery")
@click.argument("camera", type=name)
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@broker_options
def unlock(broker: BrokerAddress, camera: str, as_json: bool) -> None:
    """Let CAMERA move again. Look first whether everybody's hands are clear of it."""
    outcome = asyncio.run(_unlock(broker, camera, {"by": _login()}))
    if as_json:
        say_json(outcome)
    else:
        say(f"Camera {camera} may move again.")


async def _lock(broker: BrokerAddress, camera: str, payload: Payload) -> tuple[Payload, dict[str, Payload]]:
    async with reach(broker) as client:
        outcome = await client.ask_urgently(f"camera/{camera}/lock", payload)
        return outcome, await stillness(client, camera)


async def _unlock(broker: BrokerAddress, camera: str, payload: Payload) -> Payload:
    async with reach(broker) as client:
        await client.require_camera(camera)
        return await client.ask(f"camera/{camera}/unlock", payload)


def _login() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # a user without a name, as in a container
        return "somebody"
