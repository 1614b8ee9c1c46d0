"""`ptzd recall`: bring a stored position back, and wait until the camera stands in it."""

from __future__ import annotations

import click

from ptzd.cli.moving import Move, move_options
from ptzd.cli.output import Misuse
from ptzd.cli.values import FiniteRange, name


@click.command(
    short_help="Bring a stored position back and wait for it.",
    epilog="Example: ptzd recall gallery choir-wide --seconds 4",
)
@click.argument("camera", type=name)
@click.argument("position", type=name)
@click.option("--speed", type=click.IntRange(1, 24), help="Pan step of this move; 24 is the fastest.")
@click.option("--seconds", type=FiniteRange(0, 600, min_open=True), help="How long this move is to take.")
@move_options
def recall(move: Move, camera: str, position: str, speed: int | None, seconds: float | None) -> None:
    """Bring CAMERA back to a stored POSITION and wait until it stands there.

    Ends with 0 only when the camera has settled: it reported the end of the move, and its own position, asked for,
    is the stored one.
    """
    if speed is not None and seconds is not None:
        raise Misuse("A move takes --speed or --seconds, not both; leave one out.")
    move.ask(camera, "recall", {"position": position, "speed": speed, "seconds": seconds}, position)
