"""What a show's cameras can be sent to, for commands that run beside no daemon."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from ptzd.cameras import Lock
from ptzd.config import Config
from ptzd.daemon.advice import unknown
from ptzd.files import LARGEST_BYTES, decoded
from ptzd.positions import PositionStore, StoredPosition, read_show
from ptzd.refusal import Refusal

from .configuration import mistakes_told
from .output import Failure, Misuse


def stored_positions_and_locks(
    config: Config, exported: Path | None
) -> tuple[list[StoredPosition], dict[str, tuple[Lock, ...]]]:
    """Return the positions in a file that was exported or, without one, those in the configuration's store.

    And each camera's locks; a file that was exported has none. Raises Misuse or Failure, with every mistake.
    """
    return asyncio.run(_kept(config)) if exported is None else (exported_positions(exported), {})


def exported_positions(path: Path) -> list[StoredPosition]:
    """Return the positions in a file that was exported. Raises Misuse with every mistake."""
    with mistakes_told(path):
        return read_show(text_in(path), datetime.now(UTC), lambda camera, name: None, replace=True)


async def _kept(config: Config) -> tuple[list[StoredPosition], dict[str, tuple[Lock, ...]]]:
    path = config.store.path
    if not await asyncio.to_thread(path.exists):  # opening it would make it
        raise Misuse(f"There is no store {path} yet; name a file of exported positions with --positions FILE.")
    try:
        async with PositionStore.open(path, calendar=lambda: datetime.now(UTC)) as store:
            positions = [position for camera in store.cameras for position in store.positions(camera).values()]
            return positions, {camera: store.locks_of(camera) for camera in config.camera}
    except Refusal as error:
        exported = "export its positions with `ptzd positions export FILE`, and name that with --positions FILE"
        in_use = f"The store {path} is in use, by a daemon that runs perhaps: {exported}."
        raise Failure(in_use if error.code == "busy" else f"{error.sentence}.") from None


def names_of(cameras: Iterable[str], positions: Sequence[StoredPosition]) -> dict[str, set[str]]:
    """Return what each of these cameras can be sent to, by the names that a show file uses."""
    return {camera: {each.name for each in positions if each.camera == camera} for camera in cameras}


def strangers(cameras: Iterable[str], positions: Iterable[StoredPosition]) -> list[str]:
    """Return a sentence, without its end, on each camera that has positions and that nobody knows."""
    known = sorted(cameras)
    return [
        f"positions of camera {camera} are stored, but {unknown('camera', camera, known)}"
        for camera in sorted({position.camera for position in positions}.difference(known))
    ]


def text_in(path: Path) -> str:
    """Return the text of a file. Raises Misuse."""
    try:
        with path.open("rb") as file, mistakes_told(path):
            return decoded(file.read(LARGEST_BYTES + 1))
    except OSError as error:
        reason = (error.strerror or "it can't be read").lower()
        raise Misuse(f"{path} can't be read ({reason}); name a file that exists.") from None
