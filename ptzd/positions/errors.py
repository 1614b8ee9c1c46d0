"""What can be wrong with the disk under the store, in a code for programs and one sentence for people."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from ptzd.refusal import Refusal

_IN_USE = (
    "busy",
    "the store {path} is in use by another process: stop the other ptzd, or give this one a store of its own",
)
# SQLite's primary result codes (sqlite.org/rescode.html) and what a person does about each.
_TROUBLES: dict[int, tuple[str, str]] = {
    sqlite3.SQLITE_READONLY: (
        "read-only",
        "the store {path} is read-only: make the file and its folder writable for the user that runs ptzd",
    ),
    sqlite3.SQLITE_PERM: (
        "read-only",
        "the store {path} may not be opened: make the file and its folder readable and writable for the user that "
        "runs ptzd",
    ),
    sqlite3.SQLITE_FULL: (
        "full",
        "the disk under the store {path} is full: free some space and do it again; what was stored before is safe",
    ),
    sqlite3.SQLITE_CORRUPT: (
        "damaged",
        "the store {path} is damaged: keep a copy of it, move it away, start again and import your last export",
    ),
    sqlite3.SQLITE_NOTADB: (
        "foreign",
        "the file {path} is no show store: name another file in the configuration under [store] path",
    ),
    sqlite3.SQLITE_BUSY: _IN_USE,
    sqlite3.SQLITE_LOCKED: _IN_USE,
    sqlite3.SQLITE_CANTOPEN: (
        "missing",
        "the store {path} cannot be opened or made: see that its folder exists and is writable for the user that "
        "runs ptzd",
    ),
}
_PRIMARY_CODE = 0xFF  # extended result codes carry the primary one in their lowest byte


def disk_error(error: sqlite3.Error, path: Path) -> Refusal:
    """Return what SQLite said as a Refusal with advice."""
    number = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & _PRIMARY_CODE
    code, sentence = _TROUBLES.get(
        number,
        (
            "disk",
            f"the disk under the store {{path}} failed ({error}): see that it is mounted, healthy and not full, "
            "then do it again; what was stored before is safe",
        ),
    )
    return Refusal(code, sentence.format(path=path))
