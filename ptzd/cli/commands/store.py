"""`ptzd store`: keep the framing in which a camera stands."""

from __future__ import annotations

import click

from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.client import ask_camera
from ptzd.cli.output import Misuse, say_outcome
from ptzd.cli.values import FiniteRange, name


@click.command(
    short_help="Keep the framing in which a camera stands.",
    epilog='Example: ptzd store gallery soloist --speed 6 --note "second row"',
)
@click.argument("camera", type=name)
@click.argument("position", type=name)
@click.option("--speed", type=click.IntRange(1, 24), help="Pan step with which it is to be recalled.")
@click.option("--seconds", type=FiniteRange(0, 600, min_open=True), help="How long a recall of it is to take.")
@click.option("--note", help="A few words for people.")
@click.option(
    "--replace",
    is_flag=True,
    help="Store anew under a name that exists; its pace and note stay where none is given, the old framing in history.",
)
@answer_options("Print the outcome as JSON.")
def store(
    broker: BrokerAddress,
    camera: str,
    position: str,
    speed: int | None,
    seconds: float | None,
    note: str | None,
    replace: bool,
    as_json: bool,
) -> None:
    """Keep the framing in which CAMERA stands now as POSITION. The camera must be at rest."""
    if speed is not None and seconds is not None:
        raise Misuse("A position takes --speed or --seconds, not both; leave one out.")
    wanted = {"position": position, "speed": speed, "seconds": seconds, "note": note, "replace": replace or None}
    outcome = ask_camera(broker, camera, "store", wanted)
    still = (outcome.get("result") or {}).get("still")
    say_outcome(outcome, f"Camera {camera} has stored {position}{', with a still' if still else ''}.", as_json)
