"""`ptzd nudge` and `ptzd frame`: move a camera by what its picture shows."""

from __future__ import annotations

import click

from ptzd.cli.moving import Move, move_options
from ptzd.cli.output import Misuse
from ptzd.cli.values import FiniteRange, name

_SHARE = FiniteRange(-1, 1)
_TURN = FiniteRange(-360, 360)
_PLACE = FiniteRange(0, 1)


@click.command(short_help="Move a camera a little.", epilog="Example: ptzd nudge gallery --right 0.01 --tighter 0.05")
@click.argument("camera", type=name)
@click.option("--right", type=_SHARE, help="By so much of the picture's width; below 0 to the left.")
@click.option("--up", type=_SHARE, help="By so much of the picture's height; below 0 down.")
@click.option("--tighter", type=FiniteRange(-4, 0.9), help="By so much of the picture narrower; below 0 wider.")
@click.option("--pan-deg", type=_TURN, help="Degrees to the right.")
@click.option("--tilt-deg", type=_TURN, help="Degrees upwards.")
@click.option("--zoom-counts", type=int, help="Counts of the zoom, towards tele.")
@click.option("--focus-counts", type=int, help="Counts of the focus, towards near.")
@move_options
def nudge(move: Move, camera: str, **by: float | None) -> None:
    """Move CAMERA by shares of its picture, or by degrees and counts, and wait until it stands there.

    Shares need the camera's sensor and focal_length in the configuration. Nudges that follow each other add up.
    """
    wanted = {field: much for field, much in by.items() if much}
    if not wanted:
        raise Misuse("This moves nothing; say how far, such as --right 0.01.")
    move.ask(camera, "nudge", wanted, "a little further")


@click.command(
    short_help="Turn to a point of the picture, or fill it with a part.",
    epilog="Example: ptzd frame gallery --box 0.2 0.1 0.6 0.5",
)
@click.argument("camera", type=name)
@click.option("--point", type=(_PLACE, _PLACE), metavar="X Y", help="What comes to the middle of the picture.")
@click.option("--box", type=(_PLACE,) * 4, metavar="X0 Y0 X1 Y1", help="Top left and bottom right of what fills it.")
@move_options
def frame(
    move: Move, camera: str, point: tuple[float, float] | None, box: tuple[float, float, float, float] | None
) -> None:
    """Turn CAMERA to a point that its picture shows, or turn and zoom until a part of the picture fills it.

    Places are shares of the picture's width and height from its top left; 0.5 0.5 is the middle. The camera's sensor
    and focal_length must stand in the configuration.
    """
    if (point is None) == (box is None):
        raise Misuse("Say either --point or --box.")
    move.ask(camera, "frame", {"point": point, "box": box}, "its new framing")
