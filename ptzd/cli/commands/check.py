"""`ptzd check`: is everything as it should be before the doors open? It asks; nothing moves unless it is told to."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import click

from ptzd import links
from ptzd.cameras import CameraSettings
from ptzd.cli.broker import broker_of
from ptzd.cli.client import OFFLINE_HINT
from ptzd.cli.configuration import read_configuration
from ptzd.cli.console import print_table
from ptzd.cli.output import FAILED, Failure, Misuse, complain, require_yes, say, say_json
from ptzd.cli.stored import exported_positions, strangers
from ptzd.cli.values import TEXT_FILE, FiniteRange
from ptzd.cli.waiting import patiently
from ptzd.cli.writing import require_no_source, write_text
from ptzd.config import CameraConfig, Config
from ptzd.daemon import StartError, calendar, camera_settings
from ptzd.daemon.setup import picture_addresses, places_of, settings_with_head
from ptzd.logs import errors_alone
from ptzd.motion import HeadFileError
from ptzd.pictures import PictureAddress, Pictures
from ptzd.positions import HeadFiles, StoredPosition
from ptzd.refusal import Refusal
from ptzd.visca import Dialect, DialectError

from .check_bus import Bus, listen, tell_of_change, tell_of_state, tell_of_tally
from .check_camera import question, switch_digital_zoom_off
from .check_findings import WORDS, Finding, Notes, as_json, verdict
from .check_kept import look_at_positions, look_at_show, look_at_store
from .check_sheet import sheet
from .check_visit import VISIT, visit

CAUTIONS = (  # for a camera that hangs over people; what only somebody who stands below it can see
    "body, lens and motor are each secured with a secondary safety bond of their own",
    "cables are free over the whole sweep of pan, tilt and zoom",
    "nobody is below while it moves",
    "a qualified rigger has looked at it today",
    "local rules come first",
)


@click.command(
    short_help="See whether all is as it should be before doors; nothing moves.",
    epilog="Example: ptzd check --config configs/granary.toml --sheet tonight.html",
)
@click.option("--config", "path", type=TEXT_FILE, required=True, help="The configuration.")
@click.option(
    "--positions",
    "positions_path",
    type=TEXT_FILE,
    help="Exported positions to look at, in place of those in the store.",
)
@click.option(
    "--seconds",
    type=FiniteRange(0.1, 600),
    default=3.0,
    show_default=True,
    help="How long to watch how each camera answers, and who else speaks to it.",
)
@click.option("--switch-off-digital-zoom", "switch_off", is_flag=True, help="Do so where it is on.")
@click.option("--visit", "visits", is_flag=True, help="Go to every position too, slowly, through the running daemon.")
@click.option(
    "--speed", type=click.IntRange(1, 24), default=8, show_default=True, help="The step at which positions are visited."
)
@click.option("--zoom-ends", is_flag=True, help="With --visit: drive each zoom slowly to both its ends, too.")
@click.option("--yes", is_flag=True, help="Visit without asking: nobody is near, no cable is in the way.")
@click.option(
    "--sheet",
    "sheet_path",
    type=TEXT_FILE,
    help="Write the findings to a sheet to sign, a file in HTML that prints on one page.",
)
@click.option("--operator", default="", metavar="NAME", help="Whose name the sheet is to bear.")
@click.option("--json", "in_json", is_flag=True, help="Print the findings as JSON.")
def check(
    path: Path,
    positions_path: Path | None,
    seconds: float,
    switch_off: bool,
    visits: bool,
    speed: int,
    zoom_ends: bool,
    yes: bool,
    sheet_path: Path | None,
    operator: str,
    in_json: bool,
) -> int:
    """Look at the configuration, then at the store, the show that it names, the broker and each camera.

    It asks only; nothing moves. Do it before the show, while no daemon runs: two controllers disturb each other's
    count of messages, so a camera that a daemon speaks to is not asked. Ends with 1 where something must be put right;
    what could not be looked at is told as not seen.

    With --visit every position is gone to as well, there and back, camera by camera: through the running daemon, since
    locks, windows, stops and the guard hold there. A camera that is locked, or not known to be off air, is left alone.
    """
    if zoom_ends and not visits:
        raise Misuse("The ends of a zoom are driven to in a visit; add --visit.")
    if visits and in_json and not yes:
        raise Misuse("With --json nobody can be asked; make sure that nobody is near the heads, and add --yes.")
    require_no_source(sheet_path, path, positions_path)
    config = read_configuration(path)
    exported = None if positions_path is None else exported_positions(positions_path)
    try:
        settings = {name: camera_settings(name, camera) for name, camera in config.camera.items()}
    except (DialectError, HeadFileError) as error:
        raise Misuse(f"{path}: {error}") from None
    with errors_alone():
        findings, bus, positions = asyncio.run(patiently("asking", _look(config, settings, exported, seconds), seconds))
    findings[:0] = [Finding("configuration", "file", "ok", f"{path} has no mistakes"), *tell_of_change(bus, path)]
    may_ask = not in_json and sys.stdin.isatty() and sys.stderr.isatty()
    findings = [
        _without_digital_zoom(config, settings, bus, finding, ask=may_ask, unasked=switch_off) for finding in findings
    ]
    if visits:
        cameras = {name: settings[name] for name in bus.states}
        findings += _visited(config, cameras, positions or (), speed, ends=zoom_ends, yes=yes)
    if sheet_path is not None:
        cautions = {name: CAUTIONS for name, camera in config.camera.items() if camera.overhead}
        looked_at = calendar().astimezone()
        write_text(sheet_path, sheet(findings, cautions, looked_at=looked_at, operator=operator, title=path.stem))
    if in_json:
        say_json(as_json(findings))
    else:
        rows = [
            (WORDS[each.state], each.subject.removeprefix("camera "), each.what, each.sentence) for each in findings
        ]
        print_table(("", "of", "what", "found"), rows, whole=("",))
        say(verdict(findings))
    return FAILED if any(finding.state == "failed" for finding in findings) else 0


def _visited(
    config: Config,
    cameras: dict[str, CameraSettings],
    positions: Sequence[StoredPosition],
    speed: int,
    *,
    ends: bool,
    yes: bool,
) -> list[Finding]:
    """Visit all positions of the cameras that a daemon speaks to, after a caution and a question."""
    if not cameras:
        return [Finding("visit", VISIT, "failed", f"no daemon is online, and it alone moves cameras; {OFFLINE_HINT}")]
    overhead = [name for name in cameras if config.camera[name].overhead]
    caution = (
        f"CAUTION: {', '.join(cameras)} will move by themselves, one after the other, to every stored position and "
        f"back, at speed step {speed}. Keep hands and people clear, and see that cables reach everywhere. `ptzd stop` "
        "halts all."
    )
    if ends:
        caution += " Their zooms will be driven to both ends: see that nothing is in the way of a motor on the lens."
    if overhead:
        caution += f" Overhead: {', '.join(overhead)}: see that {'; '.join(CAUTIONS)}."
    complain(caution)
    require_yes("Begin?", given=yes)
    try:
        with_picture = [name for name in cameras if config.camera[name].picture is not None]
        visiting = visit(broker_of(config.broker), cameras, positions, speed, with_picture=with_picture, ends=ends)
        return asyncio.run(visiting)
    except KeyboardInterrupt:
        raise Failure("The camera that was moving was told to stop; the visit is not over.") from None


async def _look(
    config: Config, settings: dict[str, CameraSettings], exported: list[StoredPosition] | None, seconds: float
) -> tuple[list[Finding], Bus, list[StoredPosition] | None]:
    """Look at all cameras at once: what does not answer takes its seconds beside the others."""
    notes = Notes("store")
    stored = await look_at_store(config, notes)
    bus = await listen(config)
    if stored is None and bus.states:
        stored = bus.positions
    damaged = any(
        each.state == "failed" and each.what in ("file", "daemon") for each in (*notes.findings, *bus.findings)
    )
    if damaged and not stored:  # that none are stored, nobody knows
        stored = None
    positions = stored if exported is None else exported
    for trouble in strangers(config.camera, positions or ()):
        notes.caution("cameras", trouble)
    addresses: dict[str, PictureAddress] = {}
    try:
        addresses = picture_addresses(config)
    except StartError as error:
        notes.unseen("pictures", str(error))
    async with Pictures.open(addresses) as pictures:
        looks = [_look_at_camera(config, each, positions, bus, pictures, seconds) for each in settings.values()]
        of_cameras = await asyncio.gather(*looks)
    try:
        await places_of(config)
    except StartError as error:
        bus.findings.append(Finding("configuration", "links", "failed", str(error)))
    findings = [*notes.findings, *look_at_show(config, positions), *bus.findings]
    return [*findings, *(finding for each in of_cameras for finding in each)], bus, positions


async def _look_at_camera(
    config: Config,
    settings: CameraSettings,
    positions: Sequence[StoredPosition] | None,
    bus: Bus,
    pictures: Pictures,
    seconds: float,
) -> list[Finding]:
    camera = config.camera[settings.name]
    notes = Notes(f"camera {settings.name}")
    if settings.name in bus.states:
        tell_of_state(bus.states[settings.name], settings.dialect, notes)
    else:
        await _question(camera, settings.dialect, seconds, notes)
    _, trouble = settings_with_head(settings.name, camera, HeadFiles(config.store.path.parent).path(settings.name))
    if trouble is not None:
        notes.failed("learned head", trouble)
    _tell_of_limits(camera, settings.dialect, notes)
    tell_of_tally(config, settings.name, bus, notes)
    await _look_at_picture(settings.name, pictures, notes)
    look_at_positions(settings, positions, notes)
    if camera.overhead:
        notes.caution("overhead", f"hangs over people, so see that {'; '.join(CAUTIONS)}")
    return notes.findings


async def _question(camera: CameraConfig, dialect: Dialect, seconds: float, notes: Notes) -> None:
    try:
        async with links.open(camera.link) as link:
            await question(link, dialect, camera.expects, seconds, notes)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        notes.failed("answers", f"{camera.link} can't be opened ({reason}); check the host's name")


def _tell_of_limits(camera: CameraConfig, dialect: Dialect, notes: Notes) -> None:
    """Say what nobody can know: the documents have a command that sets limits, and no question for them."""
    if dialect.limits and camera.window is not None:
        notes.unseen(
            "limits", "no head can be asked for those that it holds; its window is written into it at each start"
        )
    elif dialect.limits:
        notes.unseen("limits", "no head can be asked for those that it holds, such as of an earlier window")
    elif camera.window is not None:
        notes.unseen("limits", f"no document gives heads of {dialect.name} any; ptzd alone keeps to the window")


async def _look_at_picture(name: str, pictures: Pictures, notes: Notes) -> None:
    if not pictures.has(name):
        return
    loop = asyncio.get_running_loop()
    asked_at = loop.time()
    try:
        jpeg = (await pictures.now(name)).jpeg
    except Refusal as refusal:
        notes.caution("picture", refusal.sentence)
        return
    seconds = loop.time() - asked_at
    size = await pictures.beside(lambda: _size_of(jpeg))
    if size is None:
        notes.caution("picture", "what comes from its address can't be read as a picture")
    else:
        notes.ok("picture", f"{size[0]} × {size[1]} px in {seconds:.1f} s; what it shows is for you to see")


def _size_of(jpeg: bytes) -> tuple[int, int] | None:
    from PIL import Image  # not before there is a picture: it takes its time

    try:
        with Image.open(BytesIO(jpeg)) as image:
            return image.size
    except (OSError, ValueError):
        return None


def _without_digital_zoom(
    config: Config, settings: dict[str, CameraSettings], bus: Bus, finding: Finding, *, ask: bool, unasked: bool
) -> Finding:
    """Where it finds digital zoom on, have that switched off if somebody says so, and return how it is then."""
    name = finding.subject.removeprefix("camera ")
    if finding.what != "digital zoom" or finding.state != "caution" or name in bus.states:
        return finding
    if bus.tallies.get(name) == "program":
        return replace(finding, sentence=f"{finding.sentence}; it is on air, so it was left as it is")
    if unasked or (ask and click.confirm(f"Switch digital zoom off on {name}? Its picture may jump.", err=True)):
        return _switched_off(config.camera[name], settings[name].dialect, finding)
    return finding


def _switched_off(camera: CameraConfig, dialect: Dialect, finding: Finding) -> Finding:
    async def switch() -> bool | None:
        async with links.open(camera.link) as link:
            return await switch_digital_zoom_off(link, dialect)

    match asyncio.run(switch()):
        case False:
            return replace(finding, state="ok", sentence="was on and has been switched off; it says that it is off")
        case True:
            return replace(finding, state="failed", sentence="is still on, though it was told to switch it off")
        case None:
            return replace(finding, state="unseen", sentence="was told to switch it off, and does not tell now")
