"""`ptzd stop`: end all motion now."""

from __future__ import annotations

import click

from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.output import Failure, say, say_json
from ptzd.cli.stillness import require_still, tell, told_urgently
from ptzd.cli.values import name

DIRECTLY = "To stop the cameras without it: `ptzd halt --config FILE`, or their plugs."


@click.command(short_help="End all motion now.", epilog="Example: ptzd stop gallery")
@click.argument("camera", type=name, required=False)
@answer_options("Print the outcome as JSON.")
def stop(broker: BrokerAddress, camera: str | None, as_json: bool) -> None:
    """End all motion of CAMERA now, or of every camera where none is named, and tell whether it stands still.

    It goes out whatever is known of the daemon; where none runs, `ptzd halt` stops the cameras directly. Ends with 1
    where a camera is not seen to stand still.
    """
    try:
        outcome, states = told_urgently(broker, f"camera/{camera}/stop" if camera else "all/stop", {}, camera)
    except Failure as failure:
        raise Failure(f"{failure.message} {DIRECTLY}", failure.code) from None
    if as_json:
        say_json(outcome)
    else:
        say(f"Camera {camera} was told to stop." if camera else "Every camera was told to stop.")
        tell(states)
    require_still(states)
