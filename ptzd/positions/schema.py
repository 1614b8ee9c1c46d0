"""The store's tables, and how an older file becomes a newer one.

A file's version is SQLite's `user_version`: the number of migrations it has been through. To change the tables,
append a migration; never alter one that was released.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path

from ptzd.refusal import Refusal

APPLICATION_ID = 0x70747A64  # "ptzd", so that a stranger's database is not taken for ours

# Every framing ever stored is a row and stays one; at most one of a name's rows is current.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE entry (
            camera TEXT NOT NULL,
            name TEXT NOT NULL,
            number INTEGER NOT NULL,
            current INTEGER NOT NULL,
            pan_counts INTEGER NOT NULL,
            tilt_counts INTEGER NOT NULL,
            zoom_counts INTEGER NOT NULL,
            focus_counts INTEGER NOT NULL,
            focus_mode TEXT NOT NULL,
            dialect TEXT NOT NULL,
            speed INTEGER,
            seconds REAL,
            note TEXT NOT NULL,
            stored_at TEXT NOT NULL,
            PRIMARY KEY (camera, name, number)
        ) STRICT, WITHOUT ROWID
        """,
        "CREATE UNIQUE INDEX one_current ON entry (camera, name) WHERE current",
        """
        CREATE TABLE lock (
            camera TEXT PRIMARY KEY,
            by TEXT NOT NULL,
            reason TEXT NOT NULL,
            since TEXT NOT NULL
        ) STRICT, WITHOUT ROWID
        """,
    ),
    (
        """
        CREATE TABLE cue_place (
            show TEXT PRIMARY KEY,
            standing TEXT,
            next TEXT,
            held INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID
        """,
    ),
    ("ALTER TABLE entry ADD COLUMN scales TEXT",),
    (
        """
        CREATE TABLE lock_by (
            camera TEXT NOT NULL,
            by TEXT NOT NULL,
            reason TEXT NOT NULL,
            since TEXT NOT NULL,
            PRIMARY KEY (camera, by)
        ) STRICT, WITHOUT ROWID
        """,
        "INSERT INTO lock_by SELECT camera, by, reason, since FROM lock",
        "DROP TABLE lock",
        "ALTER TABLE lock_by RENAME TO lock",
    ),
    (  # a still may belong to several framings: one that was brought back, or got another pace, looks as it did
        """
        CREATE TABLE still (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            jpeg BLOB NOT NULL
        ) STRICT
        """,
        "ALTER TABLE entry ADD COLUMN still INTEGER REFERENCES still (id)",
    ),
    (
        """
        CREATE TABLE arranged (
            camera TEXT NOT NULL,
            place INTEGER NOT NULL,
            name TEXT NOT NULL,
            PRIMARY KEY (camera, place)
        ) STRICT, WITHOUT ROWID
        """,
    ),
    (  # what was corrected in one step has the same number, by which that step is taken back
        "ALTER TABLE entry ADD COLUMN provisional INTEGER NOT NULL DEFAULT 0",
        "ALTER TABLE entry ADD COLUMN correction INTEGER",
    ),
    (
        """
        CREATE TABLE memory (
            camera TEXT NOT NULL,
            number INTEGER NOT NULL,
            pan_counts INTEGER NOT NULL,
            tilt_counts INTEGER NOT NULL,
            zoom_counts INTEGER NOT NULL,
            focus_counts INTEGER NOT NULL,
            focus_mode TEXT NOT NULL,
            dialect TEXT NOT NULL,
            PRIMARY KEY (camera, number)
        ) STRICT, WITHOUT ROWID
        """,
    ),
    ("ALTER TABLE cue_place ADD COLUMN on_air TEXT NOT NULL DEFAULT ''",),  # names of cameras, which hold no space
)


def bring_up_to_date(
    connection: sqlite3.Connection, path: Path, migrations: Sequence[Sequence[str]] = MIGRATIONS
) -> None:
    """Run the migrations a file has not been through; the caller holds a transaction.

    Raises Refusal `newer` for a file of a later version and `foreign` for a database of something else; both are
    left as they are.
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION_ID and (tables or version):
        raise Refusal(
            "foreign",
            f"the database {path} belongs to something else: name another file in the configuration under [store] path",
        )
    if version > len(migrations):
        raise Refusal(
            "newer",
            f"the store {path} was written by a newer ptzd (its version is {version}, this one knows "
            f"{len(migrations)}): update ptzd, or export there and import here into a new store",
        )
    if version == len(migrations) and application == APPLICATION_ID:
        return  # nothing is written where nothing is new
    for statements in migrations[version:]:
        for statement in statements:
            connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {len(migrations)}")
