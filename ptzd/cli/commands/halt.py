"""`ptzd halt`: stop the cameras of a configuration directly, where no daemon does it."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path

import click

from ptzd import links
from ptzd.cli.configuration import read_configuration
from ptzd.cli.output import FAILED, Misuse, complain, say, say_json
from ptzd.cli.values import TEXT_FILE, FiniteRange
from ptzd.config import CameraConfig, CameraToHalt, cameras_to_halt
from ptzd.files import TextFileError
from ptzd.guard import Halt, Watched, call
from ptzd.guard import halt as halt_until_still
from ptzd.links import Address, SerialAddress
from ptzd.logs import errors_alone
from ptzd.visca import dialect_named

PATIENCE_SECONDS = 5.0
ANSWER_SECONDS = 1.0  # for a daemon on this computer
ANEW_SECONDS = 1.0  # from when a camera stands until it is looked at again: whoever moved it may send it on
ANEW_DEG, ANEW_COUNTS = 0.5, 32  # farther off, it was moved: less may be a swing
LEAST_LOOK_SECONDS = 0.8


@click.command(
    short_help="Stop every camera directly, without a daemon.",
    epilog="Example: ptzd halt --config configs/granary.toml",
)
@click.option("--config", "path", type=TEXT_FILE, required=True, help="The configuration.")
@click.option(
    "--seconds",
    type=FiniteRange(0.5, 60.0),
    default=PATIENCE_SECONDS,
    show_default=True,
    help="For how long to try at most.",
)
@click.option("--json", "as_json", is_flag=True, help="Print what became of each camera as JSON.")
def halt(path: Path, seconds: float, as_json: bool) -> int:
    """Stop every camera until it is seen to stand still; no daemon and no broker are needed.

    It speaks to the cameras itself, and tells a daemon that runs on this computer to stop them, too: it would send them
    on. A camera that stands is looked at once more a second later. While a daemon runs, `ptzd stop` is the better way:
    it loses count of its messages for a moment. Ends with 1 where a camera was not seen to come to rest. By a
    configuration with mistakes in it, it stops each camera whose link and dialect are right all the same, and ends with
    2.
    """
    cameras, misuse = _cameras(path)
    with errors_alone():  # what is printed is what became of each, and nothing else
        halted, daemons = asyncio.run(_halt(cameras, seconds))
    for process, stopped in daemons.items():
        if stopped and not as_json:
            say(f"the daemon on this computer (process {process}) stops them too: {', '.join(stopped)}")
    if as_json:
        say_json({name: _as_json(each, names) for names, each in halted for name in names})
    else:
        for names, each in halted:
            say(f"camera {' or '.join(names)}: {_line(each)}")
    unseen = [name for names, each in halted if len(names) == 1 and not each.still for name in names]
    alike = [name for names, _ in halted if len(names) > 1 for name in names]
    for some, why in (
        (unseen, "was not seen to come to rest and"),
        (alike, "has no link of its own: one was told, one"),
    ):
        if some:
            complain(f"Camera {', '.join(some)} {why} may be moving; where it could endanger anybody, pull its plug.")
    if unseen or alike:
        return FAILED
    if misuse is not None:
        raise Misuse(f"Stopped by a configuration with mistakes in it: {', '.join(cameras)}, and no other.")
    return 0


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
            plugs = "No camera was told to stop: pull the plug of each that moves where it could endanger anybody."
            raise Misuse(misuse.message, plugs) from None
        complain(misuse.message)
        return found, misuse


async def _halt(
    cameras: Mapping[str, CameraConfig | CameraToHalt], seconds: float
) -> tuple[list[tuple[tuple[str, ...], Halt]], dict[int, list[str]]]:
    """Halt all cameras at once; what does not answer takes its seconds beside the others.

    Of those that have one link by mistake, nobody knows which is there: they are told of together. Also return which
    cameras each daemon on this computer has stopped, by its process.
    """
    names: dict[object, list[str]] = defaultdict(list)
    for name, camera in cameras.items():
        link = camera.link
        names[(link.device, link.place) if isinstance(link, SerialAddress) else link].append(name)
    calling = asyncio.create_task(_call([camera.link for camera in cameras.values()]))
    halts = await asyncio.gather(*(_halt_one(first, cameras[first], seconds) for first, *_ in names.values()))
    return list(zip(map(tuple, names.values()), halts, strict=True)), await calling


async def _call(addresses: Iterable[Address]) -> dict[int, list[str]]:
    try:
        places = (links.places(each, look_up=False) for each in addresses)  # names could take longer than there is time
        return await call(frozenset().union(*places), ANSWER_SECONDS)
    except OSError as error:
        complain(f"Daemons on this computer could not be told ({error}); one may send cameras on.")
        return {}


async def _halt_one(name: str, camera: CameraConfig | CameraToHalt, seconds: float) -> Halt:
    """Halt a camera, and look once more whether it still stands, as often as it does not and there is time."""
    watched = Watched(name, dialect_named(camera.dialect), partial(links.go_on, camera.link, None))
    loop = asyncio.get_running_loop()
    ends_at = loop.time() + seconds
    halted = await halt_until_still(watched, seconds)
    while halted.still and not halted.standby and loop.time() + ANEW_SECONDS + LEAST_LOOK_SECONDS < ends_at:
        await asyncio.sleep(ANEW_SECONDS)
        anew = await halt_until_still(watched, ends_at - loop.time())
        if not anew.heard or (anew.still and not _moved(halted, anew)):
            return halted
        anew.seconds = loop.time() - ends_at + seconds
        halted = anew
    return halted


def _moved(one: Halt, other: Halt) -> bool:
    """Whether a camera stood elsewhere the other time."""
    compared = (
        (one.pan_deg, other.pan_deg, ANEW_DEG),
        (one.tilt_deg, other.tilt_deg, ANEW_DEG),
        (one.zoom_counts, other.zoom_counts, ANEW_COUNTS),
    )
    return any(was is None or now is None or abs(now - was) > by for was, now, by in compared)


def _line(halted: Halt) -> str:
    if halted.standby:
        return "is in standby"
    took = f"after {halted.seconds:.1f} s"
    return f"{'stands still' if halted.still else 'was not seen to stand still'} {took}: {halted.place()}"


def _as_json(halted: Halt, names: Sequence[str]) -> dict[str, object]:
    """Of one of several cameras on one link it is not known whether it stands."""
    return {
        "still": halted.still and len(names) == 1,
        "standby": halted.standby,
        "heard": halted.heard,
        "seconds": round(halted.seconds, 2),
        "pan_deg": None if halted.pan_deg is None else round(halted.pan_deg, 3),
        "tilt_deg": None if halted.tilt_deg is None else round(halted.tilt_deg, 3),
        "zoom_counts": halted.zoom_counts,
    }
