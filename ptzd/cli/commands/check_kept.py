"""What a check finds in what is kept: the store, the show file, and whether each position can be gone to."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence
from datetime import UTC, datetime

from ptzd.cameras import CameraSettings
from ptzd.cli.stored import names_of
from ptzd.config import Config
from ptzd.files import TextFileError, read_show_file
from ptzd.positions import PositionStore, StoredPosition, beyond, unfit_positions
from ptzd.refusal import Refusal

from .check_findings import Finding, Notes


async def look_at_store(config: Config, notes: Notes) -> list[StoredPosition] | None:
    """Return all that is stored; None where that can't be read now."""
    path = config.store.path
    if not await asyncio.to_thread(path.exists):  # opening it would make it
        if os.access(path.parent, os.W_OK):
            notes.ok("file", f"{path} will be made at the first start")
            return []
        notes.failed("file", f"the folder {path.parent} is not writable for you; change that or name another store")
        return None
    try:
        async with PositionStore.open(path, calendar=lambda: datetime.now(UTC)) as store:
            for trouble in store.troubles:
                notes.failed("file", trouble)
            if not store.troubles:
                notes.ok("file", f"{path} can be read and written")
            return [position for camera in store.cameras for position in store.positions(camera).values()]
    except Refusal as error:
        if error.code == "busy":
            notes.caution("file", f"{path} is in use by another process: the daemon, if it runs")
        else:
            notes.failed("file", error.sentence)
        return None


def look_at_show(config: Config, positions: Sequence[StoredPosition] | None) -> list[Finding]:
    """Look whether all that the show names is there."""
    if config.show is None:
        return []
    notes, path = Notes("show"), config.show.file
    known = dict.fromkeys(config.camera) if positions is None else names_of(config.camera, positions)
    try:
        show = read_show_file(path, known)
    except TextFileError as mistakes:
        for mistake in mistakes.mistakes:
            notes.failed("cues", f"{path.name}: {mistake}")
        return notes.findings
    if positions is None:
        notes.unseen(
            "cues",
            f"the cameras of the {len(show.cue)} cues in {path.name} are there; nobody knows whether their positions "
            "are, since the store can't be read now: name exported ones with --positions",
        )
    else:
        notes.ok("cues", f"the cameras and positions of the {len(show.cue)} cues in {path.name} are there")
    notes.unseen("times", "whether its moves fit into their times was not looked at here; rehearse it: `ptzd rehearse`")
    return notes.findings


def look_at_positions(settings: CameraSettings, positions: Sequence[StoredPosition] | None, notes: Notes) -> None:
    """Judge whether a camera can be sent to each of its positions."""
    if positions is None:
        notes.unseen("positions", "the store can't be read now: name exported ones with --positions")
        return
    own = {each.name: each for each in positions if each.camera == settings.name}
    if not own:
        notes.unseen("positions", "none is stored yet")
        return
    troubles = [*unfit_positions(settings.name, own, settings.dialect)]
    troubles += [f"{name}: {trouble}" for name, each in own.items() if (trouble := beyond(settings, each))]
    for trouble in troubles:
        notes.failed("positions", trouble)
    if not troubles:
        inside = "reach and window" if settings.window is not None else "reach"
        notes.ok("positions", f"{len(own)} stored, each within {inside}: {', '.join(own)}")
    if provisional := [name for name, each in own.items() if each.provisional]:
        notes.caution(
            "positions",
            f"reckoned and not framed, so provisional: {', '.join(provisional)}; frame two or three of them anew and "
            f"`ptzd align {settings.name}`, or store them anew",
        )
