"""What a camera's own memories hold, as far as they were set from here: which framing lies in which of them.

A memory is known by its framing and by no name, so a position that was renamed, brought back or given another pace
finds its own again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from types import MappingProxyType

from ptzd.line import Framing

from .position import StoredPosition

Content = tuple[Framing, str]  # and the dialect in whose counts it is
Memories = Mapping[str, Mapping[int, Content]]  # by camera and number


def content_of(position: StoredPosition) -> Content:
    """Return what a memory holds in which a position lies."""
    return position.framing, position.dialect


def read_memories(db: sqlite3.Connection) -> Memories:
    """Return what is known of all cameras."""
    found: dict[str, dict[int, Content]] = {}
    for camera, number, *framing, dialect in db.execute(
        "SELECT camera, number, pan_counts, tilt_counts, zoom_counts, focus_counts, focus_mode, dialect FROM memory"
    ):
        found.setdefault(camera, {})[number] = Framing(*framing), dialect
    return MappingProxyType({camera: MappingProxyType(each) for camera, each in found.items()})


def write_memory(db: sqlite3.Connection, camera: str, number: int, content: Content | None) -> None:
    """Keep what a memory holds; None: nobody knows."""
    db.execute("DELETE FROM memory WHERE camera = ? AND number = ?", (camera, number))
    if content is not None:
        framing, dialect = content
        counts = (framing.pan_counts, framing.tilt_counts, framing.zoom_counts, framing.focus_counts)
        db.execute(
            "INSERT INTO memory VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (camera, number, *counts, framing.focus_mode, dialect),
        )


def memory_for(
    held: Mapping[int, Content], position: StoredPosition, positions: Iterable[StoredPosition], count: int
) -> int | None:
    """Return the memory in which a position lies, or else one that no position needs; None where all are needed."""
    for number, content in held.items():
        if content == content_of(position):
            return number
    needed = {content_of(each) for each in positions if each.name != position.name}
    return next((number for number in range(count) if held.get(number) not in needed), None)
