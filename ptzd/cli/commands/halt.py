"""`ptzd halt`: stop the cameras of a configuration directly, where no daemon does it."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Awaitable, Callable, Iterable, Sequence
from contextlib import suppress
from functools import partial
from os.path import realpath
from pathlib import Path

import click

from ptzd import links
from ptzd.cli.output import FAILED, Misuse, complain, say, say_json
from ptzd.cli.values import TEXT_FILE, FiniteRange
from ptzd.guard import Halt, Seen, Watched, call, seen
from ptzd.guard import halt as halt_until_still
from ptzd.links import Address, SerialAddress
from ptzd.logs import errors_alone
from ptzd.to_halt import CameraToHalt, cameras_to_halt

PATIENCE_SECONDS = 5.0
ANSWER_SECONDS = 1.0  # for a daemon on this computer
ASK_EVERY_SECONDS = 0.1
LOOK_UP_SECONDS = 1.0
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
    configuration with mistakes in it, it stops whatever has a link in it all the same, and ends with 2; where that is
    no TOML any more, it tells of each by its address, since what stands below a name may be another camera's.
    """
    try:
        cameras = cameras_to_halt(path)
    except OSError:
        cameras = []
    if not cameras:
        plugs = "No camera was told to stop: pull the plug of each that moves where it could endanger anybody."
        raise Misuse(*_mistakes(path), plugs)
    with errors_alone():  # what is printed is what became of each, and nothing else
        halted, daemons = asyncio.run(_halt(cameras, seconds))
    for process, stopped in daemons.items():
        if stopped and not as_json:
            say(f"the daemon on this computer (process {process}) stops them too: {', '.join(stopped)}")
    if as_json:
        say_json({camera.name: _as_json(each, some) for some, each in halted for camera in some})
    else:
        for some, each in halted:
            say(f"camera {' or '.join(camera.name for camera in some)}: {_line(each, some)}")
    mistakes = _mistakes(path)
    for mistake in mistakes:
        complain(mistake)
    unseen = [camera.name for some, each in halted if len(some) == 1 and not each.still for camera in some]
    alike = [camera.name for some, _ in halted if len(some) > 1 for camera in some]
    for names, why in (
        (unseen, "was not seen to come to rest and"),
        (alike, "has no link of its own: one was told, one"),
    ):
        if names:
            complain(f"Camera {', '.join(names)} {why} may be moving; where it could endanger anybody, pull its plug.")
    if unseen or alike:
        return FAILED
    if mistakes:
        told = ", ".join(each.name for each in cameras)
        raise Misuse(f"Stopped by a configuration with mistakes in it: {told}, and no other.")
    return 0


def _mistakes(path: Path) -> list[str]:
    """What is wrong with the configuration: it takes longer to read what finds that than what stops a camera."""
    from ptzd.cli.configuration import read_configuration

    try:
        read_configuration(path)
    except Misuse as misuse:
        return [misuse.message]
    return []


async def _halt(
    cameras: Sequence[CameraToHalt], seconds: float
) -> tuple[list[tuple[list[CameraToHalt], Halt]], dict[int, list[str]]]:
    """Halt all cameras at once; what does not answer takes its seconds beside the others.

    Of those whose links lead to one place by mistake, nobody knows which is there: they are told of together. Also
    return which cameras each daemon on this computer has stopped, by its process.
    """
    calling = asyncio.create_task(_call([camera.link for camera in cameras]))
    alike: dict[object, list[CameraToHalt]] = defaultdict(list)
    for camera in cameras:
        alike[_way(camera.link)].append(camera)
    halts = await asyncio.gather(*(_halt_one(first, seconds, calling) for first, *_ in alike.values()))
    leads = await asyncio.gather(*map(_leads, alike.values(), halts))
    return _together(zip(alike.values(), halts, leads, strict=True)), await calling


def _way(link: Address) -> object:
    """What is opened for a link: a device once, whatever it is called; each address as it is written."""
    return (realpath(link.device), link.place) if isinstance(link, SerialAddress) else link


async def _leads(cameras: Sequence[CameraToHalt], halted: Halt) -> frozenset[str]:
    """Return where a link leads. Only the name of a host that was heard is looked up: that was found before."""
    link = cameras[0].link
    if halted.heard:
        with suppress(TimeoutError):
            async with asyncio.timeout(LOOK_UP_SECONDS):
                return await asyncio.to_thread(links.places, link)
    return links.places(link, look_up=False)


def _together(
    halted: Iterable[tuple[list[CameraToHalt], Halt, frozenset[str]]],
) -> list[tuple[list[CameraToHalt], Halt]]:
    """Put those together that lead to one place, with the worse that became of them."""
    found: list[tuple[list[CameraToHalt], Halt, frozenset[str]]] = []
    for some, each, places in halted:
        for at, (others, other, taken) in enumerate(found):
            if places & taken:
                found[at] = ([*others, *some], other if each.still else each, places | taken)
                break
        else:
            found.append((some, each, places))
    return [(some, each) for some, each, _ in found]


async def _call(addresses: Iterable[Address]) -> dict[int, list[str]]:
    try:
        places = (links.places(each, look_up=False) for each in addresses)  # names could take longer than there is time
        return await call(frozenset().union(*places), ANSWER_SECONDS)
    except OSError as error:
        complain(f"Daemons on this computer could not be told ({error}); one may send cameras on.")
        return {}


async def _halt_one(camera: CameraToHalt, seconds: float, calling: asyncio.Task[dict[int, list[str]]]) -> Halt:
    """Halt a camera until it stays where it stands.

    Two that read one serial port take each other's bytes: where a daemon reads it, that one is asked what it sees.
    """
    watched = Watched(camera.name, camera.dialect, partial(links.go_on, camera.link, None))
    ends_at = asyncio.get_running_loop().time() + seconds
    own = asyncio.create_task(_until_it_stays(partial(halt_until_still, watched), ends_at))
    if isinstance(camera.link, SerialAddress):
        places = links.places(camera.link)
        for process in await calling:
            if not own.done() and await seen(process, places, ANSWER_SECONDS):
                own.cancel()
                await asyncio.wait([own])
                return await _until_it_stays(partial(_seen_by, process, places, watched), ends_at)
    return await own


async def _until_it_stays(look: Callable[[float], Awaitable[Halt]], ends_at: float) -> Halt:
    """Look until a camera stands, and once more whether it still does, as often as it does not and there is time."""
    loop = asyncio.get_running_loop()
    began_at = loop.time()
    halted = await look(ends_at - began_at)
    while halted.still and not halted.standby and loop.time() + ANEW_SECONDS + LEAST_LOOK_SECONDS < ends_at:
        await asyncio.sleep(ANEW_SECONDS)
        anew = await look(ends_at - loop.time())
        if not anew.heard or (anew.still and not _moved(halted, anew)):
            return halted
        anew.seconds = loop.time() - began_at
        halted = anew
    return halted


async def _seen_by(process: int, places: frozenset[str], watched: Watched, seconds: float) -> Halt:
    """Ask a daemon until it has seen a camera stand; one that ends or freezes meanwhile looks no more."""
    loop = asyncio.get_running_loop()
    began_at = loop.time()
    while (told := await seen(process, places, ANSWER_SECONDS)) is not None:
        told.seconds = loop.time() - began_at
        if told.still or told.seconds + ASK_EVERY_SECONDS > seconds:
            return told
        await asyncio.sleep(ASK_EVERY_SECONDS)
    return await halt_until_still(watched, seconds - (loop.time() - began_at))


def _moved(one: Halt, other: Halt) -> bool:
    """Whether a camera stood elsewhere the other time."""
    compared = (
        (one.pan_deg, other.pan_deg, ANEW_DEG),
        (one.tilt_deg, other.tilt_deg, ANEW_DEG),
        (one.zoom_counts, other.zoom_counts, ANEW_COUNTS),
    )
    return any(was is None or now is None or abs(now - was) > by for was, now, by in compared)


def _line(halted: Halt, cameras: Sequence[CameraToHalt]) -> str:
    if halted.standby:
        return "is in standby"
    took = f"after {halted.seconds:.1f} s"
    place = halted.place() if _angles_known(cameras) else "at which angles can't be told without its dialect"
    if isinstance(halted, Seen):
        sees = "sees" if halted.still else "does not see"
        return f"the daemon (process {halted.process}) {sees} it stand still {took}: {place}"
    return f"{'stands still' if halted.still else 'was not seen to stand still'} {took}: {place}"


def _as_json(halted: Halt, cameras: Sequence[CameraToHalt]) -> dict[str, object]:
    """Of one of several cameras on one link it is not known whether it stands."""
    pan_deg, tilt_deg = (halted.pan_deg, halted.tilt_deg) if _angles_known(cameras) else (None, None)
    return {
        "still": halted.still and len(cameras) == 1,
        "standby": halted.standby,
        "heard": halted.heard,
        "seconds": round(halted.seconds, 2),
        "pan_deg": None if pan_deg is None else round(pan_deg, 3),
        "tilt_deg": None if tilt_deg is None else round(tilt_deg, 3),
        "zoom_counts": halted.zoom_counts,
    }


def _angles_known(cameras: Sequence[CameraToHalt]) -> bool:
    """Whether the counts were made angles by the camera's own dialect: that of the first, which was halted."""
    return cameras[0].dialect_known
