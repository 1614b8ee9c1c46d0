"""`ptzd find`: what cameras are there, and which dialect each of them fits. It asks only; nothing moves."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn

from ptzd.cli.configuration import read_configuration
from ptzd.cli.console import print_table
from ptzd.cli.output import FAILED, Failure, Misuse, complain, say, say_json
from ptzd.cli.sentences import capital
from ptzd.cli.values import TEXT_FILE, FiniteRange, name
from ptzd.cli.waiting import progress_of
from ptzd.cli.writing import require_new, write_text
from ptzd.daemon import calendar
from ptzd.line.asking import Spacing
from ptzd.links import Address, SerialAddress
from ptzd.logs import errors_alone
from ptzd.visca import Dialect, DialectError, Power, dialect_names, load_dialect, read_dialect

from .find_camera import Found, look_up
from .find_targets import read_own_networks, targets
from .find_written import configuration

AT_ONCE = 32  # addresses that are waited for


@click.command(
    short_help="Find cameras and the dialects that they fit.",
    epilog="Example: ptzd find 127.0.0.1:52381-52383 --write my-show.toml",
)
@click.argument("addresses", metavar="ADDRESS...", nargs=-1)
@click.option("--per-second", type=FiniteRange(0.5, 200), default=20.0, show_default=True, help="Questions in all.")
@click.option(
    "--dialect",
    "files",
    type=TEXT_FILE,
    multiple=True,
    help="A dialect's .toml file to try beside those that come with ptzd; may be repeated.",
)
@click.option("--write", "path", type=TEXT_FILE, help="A new configuration of these.")
@click.option("--name", "names", type=name, multiple=True, help="What to call them there, in order; may be repeated.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON.")
def find(
    addresses: tuple[str, ...],
    per_second: float,
    files: tuple[Path, ...],
    path: Path | None,
    names: tuple[str, ...],
    as_json: bool,
) -> int:
    """Ask each ADDRESS what it is, and tell which dialects a camera there fits, and how surely.

    \b
    An ADDRESS is
      udp://127.0.0.1:52381    a link as in the configuration
      127.0.0.1:52381-52388    VISCA over IP on these ports
      127.0.0.0/28             or in a range of this computer's own networks
      serial:/dev/ttyUSB0      all seven places on a serial line

    It asks for version, power, speeds, position and zoom; nothing moves, and nothing is switched on. A camera that
    counts messages is sent one RESET, at which another controller that speaks to it has to find its count again; one
    that is seen to be spoken to is left alone. Ends with 1 where no camera answers.
    """
    own = read_own_networks()
    if not addresses:
        raise Misuse(f"Name what is to be asked; this computer's own networks are {', '.join(map(str, own))}.")
    try:
        asked = targets(addresses, own)
        known = [*map(load_dialect, dialect_names()), *map(read_dialect, files)]
    except (ValueError, DialectError) as error:
        raise Misuse(f"{capital(error)}.") from None
    require_new(path)
    seconds = len(asked) * 2 / per_second
    complain(
        f"Asking {len(asked)} address{'es' if len(asked) > 1 else ''}, {per_second:g} questions a second at most, "
        f"which takes {seconds:.0f} s or somewhat more; nothing moves."
    )
    with errors_alone():
        found = asyncio.run(_look(asked, per_second))
    cameras = [each for each in found if each.strange is None]
    if as_json:
        say_json([_as_json(each, known) for each in found])
    elif found:
        print_table(("address", "what", "fits"), [_row(each, known) for each in found], whole=("address",))
    if not as_json:
        say(f"{len(found)} of {len(asked)} answered, {len(cameras)} as a camera does.")
    named = [
        (names[at] if at < len(names) else f"camera-{at + 1}", each, each.fits(known))
        for at, each in enumerate(cameras)
    ]
    if path is not None and cameras and not any(fitting for _, _, fitting in named):
        raise Failure(f"No camera tells enough for a configuration that runs, so {path} was not written.")
    if path is not None and cameras:
        of_files = {read_dialect(each).name: each.resolve() for each in files}
        write_text(path, configuration(named, of_files, name=path.name, date=calendar()), new=True)
        read_configuration(path)
        if not as_json:
            say(f"{path} is written: go through it, then `ptzd check --config {path}`.")
    return 0 if cameras else FAILED


async def _look(asked: Sequence[Address], per_second: float) -> list[Found]:
    spacing, room = Spacing(per_second), asyncio.Semaphore(AT_ONCE)
    found: dict[Address, Found] = {}
    silent: dict[str, str] = {}  # why, by serial device

    async def one(address: Address, done: Callable[[], None]) -> None:
        async with room:
            try:
                if (each := await look_up(address, spacing)) is not None:
                    found[address] = each
            except OSError as error:
                reason = (error.strerror or str(error)).lower()
                if isinstance(address, SerialAddress):  # the other places on the line may be taken all the same
                    silent.setdefault(address.device, reason)
                    return
                raise Failure(f"{address} can't be asked ({reason}); check how it is written.") from None
            done()

    with progress_of(TextColumn("asking"), BarColumn(), MofNCompleteColumn()) as progress:
        bar = progress.add_task("", total=len(asked))
        try:
            async with asyncio.TaskGroup() as group:
                for address in asked:
                    group.create_task(one(address, lambda: progress.advance(bar)))
        except* Failure as failures:
            raise failures.exceptions[0] from None
    for device, reason in silent.items():
        if not any(isinstance(each, SerialAddress) and each.device == device for each in found):
            complain(f"Nobody answers on {device} ({reason}); check the device, its cable and its baud rate.")
    return [found[address] for address in asked if address in found]


def _row(found: Found, known: Sequence[Dialect]) -> tuple[str, str, str]:
    address = str(found.address)
    if found.strange is not None:
        return address, f"answers otherwise: {found.strange[:16].hex(' ')}", "no camera, or another kind of link"
    if found.spoken_to:
        return address, "somebody else speaks to it, so it was left alone", "not asked"
    fitting = found.fits(known)
    says = []
    if found.version is not None:
        says.append(f"vendor {found.version.vendor:04X}, model {found.version.model:04X}, ROM {found.version.rom:04X}")
    if found.power is not None:
        says.append("on" if found.power is Power.ON else "in standby")
    if fitting and (place := found.place(fitting[0])) is not None:
        says.append(f"pan {place[0]:.1f}°, tilt {place[1]:.1f}°")
    if found.zoom_counts is not None:
        says.append(f"zoom {found.zoom_counts}")
    return address, ", ".join(says) or "tells nothing of itself", found.sureness(fitting)


def _as_json(found: Found, known: Sequence[Dialect]) -> dict[str, Any]:
    fitting = found.fits(known)
    version, place = found.version, found.place(fitting[0]) if fitting else None
    return {
        "address": str(found.address),
        "camera": found.strange is None,
        "strange": None if found.strange is None else found.strange.hex(" "),
        "spoken_to": found.spoken_to,
        "version": None if version is None else asdict(version),
        "power": None if found.power is None else found.power.name.lower(),
        "fastest_steps": None if found.fastest is None else [found.fastest.pan_step, found.fastest.tilt_step],
        "pan_deg": None if place is None else place[0],
        "tilt_deg": None if place is None else place[1],
        "zoom_counts": found.zoom_counts,
        "fits": [each.name for each in fitting],
        "sureness": found.sureness(fitting),
    }
