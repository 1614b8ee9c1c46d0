"""`ptzd check`: is everything ready for the show? It asks only; nothing moves."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import click

from ptzd import links
from ptzd.bus import Incoming, Intake, Topics
from ptzd.bus.commands import TallyCommand
from ptzd.cli.broker import broker_of
from ptzd.cli.client import reach
from ptzd.cli.configuration import read_configuration
from ptzd.cli.output import FAILED, Failure, Misuse, say, say_json
from ptzd.cli.stored import exported_positions, names_of, strangers
from ptzd.cli.waiting import patiently
from ptzd.config import CameraConfig, Config
from ptzd.daemon import camera_settings
from ptzd.files import TextFileError, read_show_file
from ptzd.positions import PositionStore, StoredPosition, unfit_positions
from ptzd.refusal import Refusal
from ptzd.visca import DialectError, dialect_named

from .check_camera import question
from .check_findings import Finding, Notes, as_json

OVERHEAD = (
    "hangs over people: secure body, lens and motor with a secondary safety bond of their own; rigging is a "
    "qualified person's work, and your local rules come first"
)

CUES_TELL = "until one comes, the cues' own takes count; let the vision mixer's be published, retained"
COUNTS_AS_ON_AIR = (
    "until one comes, each counts as on air, and a recall needs --on-air; let the vision mixer's be published, "
    'retained, or, where nobody can, write source = "none" below [tally]'
)


@click.command(
    short_help="See whether all is ready; nothing moves.", epilog="Example: ptzd check --config configs/granary.toml"
)
@click.option(
    "--config", "path", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The configuration."
)
@click.option(
    "--positions",
    "positions_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Exported positions to hold the show against, in place of those in the store.",
)
@click.option("--json", "in_json", is_flag=True, help="Print the findings as JSON.")
def check(path: Path, positions_path: Path | None, in_json: bool) -> int:
    """Look at the configuration, then at the store, the show that it names, the broker and each camera.

    It asks only; nothing moves. Do it before the show, while no daemon runs: two controllers disturb each other's
    count of messages. Ends with 1 where something must be put right.
    """
    config = read_configuration(path)
    exported = None if positions_path is None else exported_positions(positions_path)
    findings = [
        Finding("configuration", "ok", f"{path} has no mistakes"),
        *asyncio.run(patiently("asking", _look(config, exported))),
    ]
    if in_json:
        say_json(as_json(findings))
    else:
        for finding in findings:
            say(finding.line())
    return FAILED if any(finding.state == "failed" for finding in findings) else 0


async def _look(config: Config, exported: list[StoredPosition] | None) -> list[Finding]:
    """Look at everything at once: what does not answer takes its seconds beside the others."""
    looks = [
        _look_at_what_is_kept(config, exported),
        _look_at_broker(config),
        *(_look_at_camera(name, camera) for name, camera in config.camera.items()),
    ]
    return [finding for findings in await asyncio.gather(*looks) for finding in findings]


async def _look_at_what_is_kept(config: Config, exported: list[StoredPosition] | None) -> list[Finding]:
    """Look at the store, and then at the show: whether all that it names is there."""
    notes = Notes("store")
    stored = await _look_at_store(config, notes)
    positions = stored if exported is None else exported
    for trouble in strangers(config.camera, positions or ()):
        notes.caution(trouble)
    for camera in config.camera:
        names = [one.name for one in positions or () if one.camera == camera and one.provisional]
        if names:
            notes.caution(
                f"{', '.join(names)} of camera {camera} {'is' if len(names) == 1 else 'are'} provisional, reckoned and "
                f"not framed: frame two or three anew and `ptzd align {camera}`, or store them anew"
            )
    return notes.findings + _look_at_show(config, positions)


async def _look_at_store(config: Config, notes: Notes) -> list[StoredPosition] | None:
    """Return all positions in the store, or None where it can't be read."""
    path = config.store.path
    if not await asyncio.to_thread(path.exists):  # opening it would make it
        if os.access(path.parent, os.W_OK):
            notes.ok(f"{path} will be made at the first start")
            return []
        notes.failed(f"the folder {path.parent} is not writable for you; change that or name another store")
        return None
    try:
        async with PositionStore.open(path, calendar=lambda: datetime.now(UTC)) as store:
            for trouble in store.troubles:
                notes.failed(trouble)
            if not store.troubles:
                notes.ok(f"{path} can be read and written")
            for name, camera in config.camera.items():
                for trouble in unfit_positions(name, store.positions(name), dialect_named(camera.dialect)):
                    notes.failed(trouble)
            return [position for camera in store.cameras for position in store.positions(camera).values()]
    except Refusal as error:
        if error.code == "busy":
            notes.caution(f"{path} is in use by another process: the daemon, if it runs")
        else:
            notes.failed(error.sentence)
        return None


def _look_at_show(config: Config, positions: list[StoredPosition] | None) -> list[Finding]:
    if config.show is None:
        return []
    notes, path = Notes("show"), config.show.file
    known = dict.fromkeys(config.camera) if positions is None else names_of(config.camera, positions)
    try:
        show = read_show_file(path, known)
    except TextFileError as mistakes:
        for mistake in mistakes.mistakes:
            notes.failed(f"{path.name}: {mistake}")
        return notes.findings
    if positions is None:
        notes.caution(
            f"the cameras of the {len(show.cue)} cues in {path.name} are there; nobody knows whether their positions "
            "are, since the store can't be read now: name exported ones with --positions"
        )
    else:
        notes.ok(f"the cameras and positions of the {len(show.cue)} cues in {path.name} are there")
    return notes.findings


async def _look_at_broker(config: Config) -> list[Finding]:
    notes = Notes("broker")
    try:
        broker = broker_of(config.broker)
        async with reach(broker) as client:
            notes.ok(f"answers at {broker}")
            kept = await client.kept("camera/+/tally")
            if (await client.status() or {}).get("state") == "online":
                notes.caution("a daemon is online there and speaks to the same cameras; better check while none runs")
    except (Failure, Misuse) as error:
        notes.failed(error.message)
        return notes.findings
    return [*notes.findings, *_look_at_tally(config, kept)]


def _look_at_tally(config: Config, kept: Mapping[str, bytes]) -> list[Finding]:
    """Judge who tells which camera is on air, by the tallies that the broker keeps, by topic."""
    notes, topics = Notes("tally"), Topics(config.broker.base_topic)
    intake = Intake(topics, calendar=lambda: datetime.now(UTC))
    understood = [
        topic
        for topic, payload in kept.items()
        if isinstance(intake.read(Incoming(topic, payload, retain=True)).what, TallyCommand)
    ]
    untold = [name for name in config.camera if topics.of(TallyCommand, name) not in understood]
    names = ", ".join(untold)
    if not untold:
        notes.ok("the broker keeps one for every camera")
    elif config.tally.source == "none":
        notes.caution(f"nobody tells whether {names} is on air: off air until a message or a cue says otherwise")
    elif config.show is not None:
        notes.caution(f"no tally is kept for {names}: {CUES_TELL}")
    else:
        notes.caution(f"no tally is kept for {names}: {COUNTS_AS_ON_AIR}")
    return notes.findings


async def _look_at_camera(name: str, camera: CameraConfig) -> list[Finding]:
    notes = Notes(f"camera {name} ({camera.label})" if camera.label else f"camera {name}")
    try:
        dialect = camera_settings(name, camera).dialect
        async with links.open(camera.link) as link:
            await question(link, dialect, notes)
    except DialectError as error:
        notes.failed(str(error))
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        notes.failed(f"{camera.link} can't be opened ({reason}); check the host's name")
    if camera.overhead:
        notes.caution(OVERHEAD)
    return notes.findings
