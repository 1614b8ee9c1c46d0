"""`ptzd halt`: stop the cameras of a configuration directly, where no daemon does it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from functools import partial
from pathlib import Path

import click

from ptzd import links
from ptzd.cli.configuration import read_configuration
from ptzd.cli.numbers import FiniteRange
from ptzd.cli.output import Failure, Misuse, complain, say, say_json
from ptzd.config import CameraConfig, CameraToHalt, TextFileError, cameras_to_halt
from ptzd.guard import Halt, Watched
from ptzd.guard import halt as halt_until_still
from ptzd.logs import errors_alone
from ptzd.visca import DialectError, dialect_named

PATIENCE_SECONDS = 5.0


@click.command(
    short_help="Stop every camera directly, without a daemon.",
    epilog="Example: ptzd halt --config configs/granary.toml",
)
@click.option(
    "--config", "path", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The configuration."
)
@click.option(
    "--seconds",
    type=FiniteRange(0.5, 60.0),
    default=PATIENCE_SECONDS,
    show_default=True,
    help="For how long to try at most.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what became of each camera as JSON.")
def halt(path: Path, seconds: float, as_json: bool) -> None:
    """Stop every camera until it is seen to stand still; no daemon and no broker are needed.

    It speaks to the cameras itself, and a daemon that runs loses count of its messages for a moment: while one does,
    `ptzd stop` is the better way. Ends with 1 where a camera was not seen to come to rest. By a configuration with
    mistakes in it, it stops each camera whose link and dialect are right all the same, and ends with 2.
    """
    cameras, misuse = _cameras(path)
    with errors_alone():  # what is printed is what became of each, and nothing else
        halted = asyncio.run(_halt(cameras, seconds))
    if as_json:
        say_json({name: _as_json(each) for name, each in halted.items()})
    else:
        for name, each in halted.items():
            say(f"camera {name}: {_line(each)}")
    moving = [name for name, each in halted.items() if not each.still]
    if moving:
        raise Failure(
            f"Camera {', '.join(moving)} was not seen to come to rest and may be moving; where it could endanger "
            "anybody, pull its plug."
        )
    if misuse is not None:
        raise Misuse(f"Stopped by a configuration with mistakes in it: {', '.join(halted)}, and no other.")


def _cameras(path: Path) -> tuple[Mapping[str, CameraConfig | CameraToHalt], Misuse | None]:
    """Return the cameras to stop, and what is wrong with the configuration, of which is told. Raises Misuse."""
    try:
        return read_configuration(path).camera, None
    except Misuse as misuse:
        try:
            found = cameras_to_halt(path)
        except (TextFileError, OSError):
            found = {}
        if not found:
            raise
        complain(misuse.message)
        return found, misuse


async def _halt(cameras: Mapping[str, CameraConfig | CameraToHalt], seconds: float) -> dict[str, Halt]:
    """Halt all cameras at once; what does not answer takes its seconds beside the others."""
    halts = await asyncio.gather(*(_halt_one(name, camera, seconds) for name, camera in cameras.items()))
    return dict(zip(cameras, halts, strict=True))


async def _halt_one(name: str, camera: CameraConfig | CameraToHalt, seconds: float) -> Halt:
    try:
        dialect = dialect_named(camera.dialect)
    except DialectError as error:
        raise Failure(f"Camera {name}: {error}") from None
    return await halt_until_still(Watched(name, dialect, partial(links.go_on, camera.link, None)), seconds)


def _line(halted: Halt) -> str:
    if halted.standby:
        return "is in standby"
    took = f"after {halted.seconds:.1f} s"
    return f"{'stands still' if halted.still else 'was not seen to stand still'} {took}: {halted.place()}"


def _as_json(halted: Halt) -> dict[str, object]:
    return {
        "still": halted.still,
        "standby": halted.standby,
        "heard": halted.heard,
        "seconds": round(halted.seconds, 2),
        "pan_deg": None if halted.pan_deg is None else round(halted.pan_deg, 3),
        "tilt_deg": None if halted.tilt_deg is None else round(halted.tilt_deg, 3),
        "zoom_counts": halted.zoom_counts,
    }
