"""`ptzd power` and `ptzd reset`: switch a camera, or have its head find its ends; both ask first."""

from __future__ import annotations

import click

from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.clear import ask_when_clear
from ptzd.cli.output import say_outcome
from ptzd.cli.values import name

DONE = {
    "on": "Camera {camera} is starting up: keep clear of it until `ptzd watch` says that it is on.",
    "standby": "Camera {camera} is in standby.",
    "reset": "Camera {camera} is finding its ends: keep clear of it until `ptzd watch` says that it is on.",
}
_YES = click.option("--yes", is_flag=True, help="Do it without asking: nobody is near, no cable is in the way.")
_ON_AIR = click.option("--on-air", is_flag=True, help="Do it although the camera is on program.")
_ANSWER = answer_options("Print the outcome as JSON; needs --yes.")


@click.command(short_help="Switch a camera on or to standby.", epilog="Example: ptzd power gallery standby")
@click.argument("camera", type=name)
@click.argument("wanted", metavar="on|standby", type=click.Choice(["on", "standby"]))
@_YES
@_ON_AIR
@_ANSWER
def power(broker: BrokerAddress, camera: str, wanted: str, yes: bool, on_air: bool, as_json: bool) -> None:
    """Switch CAMERA on, or to standby.

    Most heads sweep their whole range when they are switched on, and some turn to a rest when they are put to sleep. So
    it asks first. Stop or unlock the camera before; one that is locked or on air refuses.
    """
    payload = {"power": wanted, "on_air": on_air or None}
    outcome = ask_when_clear(broker, camera, "power", payload, yes=yes, may_ask=not as_json)
    say_outcome(outcome, DONE[wanted].format(camera=camera), as_json)


@click.command(short_help="Have a head find its ends anew.", epilog="Example: ptzd reset gallery")
@click.argument("camera", type=name)
@_YES
@_ON_AIR
@_ANSWER
def reset(broker: BrokerAddress, camera: str, yes: bool, on_air: bool, as_json: bool) -> None:
    """Have CAMERA's head find its ends by a sweep of its whole range, where it has lost its place.

    It asks first. A camera that is locked or on air refuses.
    """
    outcome = ask_when_clear(broker, camera, "reset", {"on_air": on_air or None}, yes=yes, may_ask=not as_json)
    say_outcome(outcome, DONE["reset"].format(camera=camera), as_json)
