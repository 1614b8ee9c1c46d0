"""`ptzd power` and `ptzd reset`: switch a camera, or have its head find its ends; both ask first."""

from __future__ import annotations

import asyncio
import sys

import click

from ptzd.cli.broker import BrokerAddress, broker_options
from ptzd.cli.client import Payload, reach, sent_at
from ptzd.cli.names import name
from ptzd.cli.output import Failure, complain, say, say_json

DONE = {
    "on": "Camera {camera} is starting up: keep clear of it until `ptzd watch` says that it is on.",
    "standby": "Camera {camera} is in standby.",
    "reset": "Camera {camera} is finding its ends: keep clear of it until `ptzd watch` says that it is on.",
}
_YES = click.option("--yes", is_flag=True, help="Do it without asking: nobody is near, no cable is in the way.")
_ON_AIR = click.option("--on-air", is_flag=True, help="Do it although the camera is on program.")
_JSON = click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON; needs --yes.")


@click.command(short_help="Switch a camera on or to standby.", epilog="Example: ptzd power gallery standby")
@click.argument("camera", type=name)
@click.argument("wanted", metavar="on|standby", type=click.Choice(["on", "standby"]))
@_YES
@_ON_AIR
@_JSON
@broker_options
def power(broker: BrokerAddress, camera: str, wanted: str, yes: bool, on_air: bool, as_json: bool) -> None:
    """Switch CAMERA on, or to standby.

    Most heads sweep their whole range when they are switched on, and some turn to a rest when they are put to sleep. So
    it asks first. Stop or unlock the camera before; one that is locked or on air refuses.
    """
    _switch(broker, camera, wanted, "power", {"power": wanted}, yes=yes, on_air=on_air, as_json=as_json)


@click.command(short_help="Have a head find its ends anew.", epilog="Example: ptzd reset gallery")
@click.argument("camera", type=name)
@_YES
@_ON_AIR
@_JSON
@broker_options
def reset(broker: BrokerAddress, camera: str, yes: bool, on_air: bool, as_json: bool) -> None:
    """Have CAMERA's head find its ends by a sweep of its whole range, where it has lost its place.

    It asks first. A camera that is locked or on air refuses.
    """
    _switch(broker, camera, "reset", "reset", {}, yes=yes, on_air=on_air, as_json=as_json)


def _switch(
    broker: BrokerAddress, camera: str, what: str, topic: str, more: Payload, *, yes: bool, on_air: bool, as_json: bool
) -> None:
    wanted = more | {"clear": yes or None, "on_air": on_air or None}
    try:
        outcome = asyncio.run(_ask(broker, camera, topic, wanted))
    except Failure as failure:
        if failure.code != "not-clear" or as_json or not sys.stdin.isatty():
            raise
        complain(f"CAUTION: {failure.message}")
        click.confirm("Is all clear of it?", abort=True, err=True)
        outcome = asyncio.run(_ask(broker, camera, topic, wanted | {"clear": True}))
    if as_json:
        say_json(outcome)
    else:
        say(DONE[what].format(camera=camera))


async def _ask(broker: BrokerAddress, camera: str, topic: str, wanted: Payload) -> Payload:
    async with reach(broker) as client:
        await client.require_camera(camera)
        return await client.ask(f"camera/{camera}/{topic}", wanted | {"sent_at": sent_at()})
