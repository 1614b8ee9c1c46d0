"""The positions and locks of a show, and where it stands in its cues: read from memory, kept on disk.

Theory of operation. Every change is one piece of disk work: it checks, commits, and only then puts a new mapping in the
place of the old one. The runner does one piece at a time, so nothing comes between the check and the commit, and
who reads sees the mapping from before or from after, never half a change. When a commit fails, memory stays as the disk
is. A caller that is cancelled leaves a change either wholly made or not begun.

The file is SQLite with a write-ahead log and an fsync on every commit (`synchronous=FULL`): what was
confirmed survives a crash and a power cut. It is held with an exclusive lock, because a second writer would
make the memory of the first untrue.

What fails at the start doesn't keep the daemon from starting, since nobody can stop a camera without it: what can be
read is read, the rest is told in `troubles`, and changes are refused where they can't be kept. Where it can't be read
which cameras were locked, all of them count as locked. Only a file that is somebody else's, is in use or is of a newer
ptzd is refused, and a place where nothing can be kept that was never used before.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from decimal import Decimal, InvalidOperation
from functools import wraps
from pathlib import Path
from types import MappingProxyType
from typing import Any, Concatenate, ParamSpec, TypeVar

from ptzd.cameras.reports import Lock
from ptzd.files import TextFileError
from ptzd.likely import did_you_mean
from ptzd.line import Framing
from ptzd.names import as_counted, checked_name
from ptzd.refusal import Refusal
from ptzd.toml import LARGEST_CHARACTERS

from .cueplace import CuePlace
from .disk import RunDisk, in_thread
from .errors import disk_error
from .memories import Content, Memories, read_memories, write_memory
from .position import HistoryEntry, StoredPosition, in_utc
from .schema import APPLICATION_ID, bring_up_to_date
from .text import IMPORT_WITH_REPLACE, read_show_and_stills, written_show, written_stills

UNREADABLE_LOCK = "its lock can't be read from the store; unlock it when it is safe to move"
_STARTS_WITHOUT = ("full", "disk", "damaged", "read-only")  # troubles that don't keep a daemon from starting
BUSY_SECONDS = 1.0  # how long another process may hold the file at the start
T = TypeVar("T")
More = ParamSpec("More")

_COLUMNS = (
    "camera, name, number, current, pan_counts, tilt_counts, zoom_counts, focus_counts, focus_mode, "
    "dialect, speed, seconds, note, stored_at, scales, still, provisional"
)


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did, in numbers of positions."""

    added: int
    replaced: int
    unchanged: int


def _on_disk(
    work: Callable[Concatenate[PositionStore, More], T],
) -> Callable[Concatenate[PositionStore, More], Coroutine[Any, Any, T]]:
    """Make a method one piece of disk work: who calls it waits until it was its turn and is done."""

    @wraps(work)
    async def done(store: PositionStore, /, *what: More.args, **more: More.kwargs) -> T:
        def translated() -> T:
            try:
                return work(store, *what, **more)
            except sqlite3.Error as error:
                raise disk_error(error, store._path) from error
            except UnicodeEncodeError:
                raise Refusal(
                    "invalid", "a text has half a character in it (a lone surrogate): write it anew"
                ) from None

        return await store._run_disk(translated)

    return done


class PositionStore:
    """The store of one show. Every method that waits raises Refusal, and then nothing has changed, neither on disk nor
    in memory; those that don't wait read memory.

    Codes: `exists`, `unknown` (no such position, history or number), `changed`, `invalid`, and of the disk: `missing`,
    `read-only`, `full`, `damaged`, `busy`, `foreign`, `newer`, `disk`. Made by `PositionStore.open`.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        calendar: Callable[[], datetime],
        run_disk: RunDisk,
        unfit: Refusal | None = None,
    ) -> None:
        """`unfit` says why nothing can be kept, if so."""
        self._connection = connection
        self._unfit = unfit
        self._path = path
        self._file = _file_at(path)
        self._calendar = calendar
        self._run_disk = run_disk
        troubles = [] if unfit is None else [unfit.sentence]
        before = len(troubles)
        self._positions: Mapping[str, Mapping[str, StoredPosition]] = _read_positions(connection, troubles)
        self._all_read = len(troubles) == before and (unfit is None or _is_sound(connection, path, "entry"))
        self._arranged: Mapping[str, tuple[str, ...]] = _read_arranged(connection)
        self._memories = _read_memories(connection)
        self._cue_places: Mapping[str, CuePlace] = _read_cue_places(connection, troubles)
        # A store that was begun anew in memory has no locks because the real ones can't be read.
        self._locks_unknown = unfit is not None and not _is_sound(connection, path, "lock")
        locks, all_read = _read_locks(connection, troubles, calendar)
        self._locks: Mapping[str, tuple[Lock, ...]] = locks
        self._locks_unknown |= not all_read
        if self._locks_unknown:
            troubles.append(
                "which cameras were locked can't be read, so all of them are, by ptzd: unlock each that is safe to "
                "move, naming ptzd as the one whose lock it is"
            )
        self.troubles: tuple[str, ...] = tuple(troubles)  # sentences on what could not be read or can't be kept

    @classmethod
    @asynccontextmanager
    async def open(
        cls, path: Path, *, calendar: Callable[[], datetime], run_disk: RunDisk = in_thread
    ) -> AsyncIterator[PositionStore]:
        """Open or make the store at `path` for as long as the context lasts. `calendar` tells aware dates."""

        def begin() -> PositionStore:
            try:
                _require_place(path)
                connection, unfit = _connect(path)
            except sqlite3.Error as error:
                connection, unfit = _without_disk(disk_error(error, path), path)
            except Refusal as error:
                connection, unfit = _without_disk(error, path)
            return cls(connection, path, calendar, run_disk, unfit)

        store = await run_disk(begin)
        try:
            yield store
        finally:
            await run_disk(store._connection.close)

    @property
    def cameras(self) -> tuple[str, ...]:
        """The cameras of which something is stored, in the order of their names."""
        return tuple(self._positions)

    def positions(self, camera: str) -> Mapping[str, StoredPosition]:
        """Return a camera's positions by name, in the order of their names; none for a camera without any."""
        return self._positions.get(camera, MappingProxyType({}))

    def arranged(self, camera: str) -> Mapping[str, StoredPosition]:
        """Return a camera's positions as they were arranged, and then those that were not, in the order of names."""
        stored = self.positions(camera)
        names = (*(name for name in self._arranged.get(camera, ()) if name in stored), *stored)
        return MappingProxyType({name: stored[name] for name in names})

    def position(self, camera: str, name: str) -> StoredPosition | None:
        """Return one position, or None."""
        return self.positions(camera).get(name)

    def known(self, camera: str, name: str) -> StoredPosition:
        """Return one position. Raises Refusal `unknown`, which tells what was likely meant, where there is none."""
        position = self.position(camera, name)
        if position is None:
            raise self._unknown(camera, name)
        return position

    def memories(self, camera: str) -> Mapping[int, Content]:
        """Return what a camera's own memories hold, as far as that is known."""
        return self._memories.get(camera, MappingProxyType({}))

    def locks(self) -> Mapping[str, tuple[Lock, ...]]:
        """Return the locked cameras that are known, each with who locked it and why, the oldest lock first."""
        return self._locks

    def locks_of(self, camera: str) -> tuple[Lock, ...]:
        """Return a camera's locks. Where nobody knows any more who has locked it, it counts as locked."""
        known = self._locks.get(camera, ())
        if self._locks_unknown:
            return (Lock("ptzd", UNREADABLE_LOCK, self._calendar()), *known)
        return known

    def cue_place(self, show: str) -> CuePlace | None:
        """Return where a show stands in its cues, or None where it has not been run yet."""
        return self._cue_places.get(show)

    @_on_disk
    def store(self, position: StoredPosition, replace: bool = False) -> None:
        """Keep a position. With `replace` the framing of that name becomes history, else the name must be free."""
        if not replace and self.position(position.camera, position.name):
            raise Refusal(
                "exists",
                f"camera {position.camera} already has a position {position.name}: store with replace to put the "
                "new framing in its place, or take another name",
            )
        with self._transaction() as db:
            _append(db, position)
        self._remember([position])

    @_on_disk
    def rename(self, camera: str, old: str, new: str) -> None:
        """Give a position another name, which must be free. Its history goes with it."""
        position = self.known(camera, old)
        renamed = _valid(lambda: replace(position, name=new))
        if self.position(camera, new):
            raise Refusal("exists", f"camera {camera} already has a position {new}: rename or delete that one first")
        with self._transaction() as db:
            # A deleted position of the new name may have left history there: this one's comes after it.
            db.execute(
                "UPDATE entry SET name = :new, number = number + :shift WHERE camera = :camera AND name = :old",
                {"new": new, "old": old, "camera": camera, "shift": _last_number(db, camera, new)},
            )
            db.execute("UPDATE arranged SET name = ? WHERE camera = ? AND name = ?", (new, camera, old))
        self._forget(camera, old)
        self._remember([renamed])
        names = tuple(new if name == old else name for name in self._arranged.get(camera, ()))
        self._arranged = {**self._arranged, camera: names}

    @_on_disk
    def arrange(self, camera: str, names: Sequence[str]) -> None:
        """Put a camera's positions into this order; those that are not named come behind. A name counts once."""
        order = tuple(dict.fromkeys(self.known(camera, name).name for name in names))
        with self._transaction() as db:
            db.execute("DELETE FROM arranged WHERE camera = ?", (camera,))
            rows = [(camera, place, name) for place, name in enumerate(order)]
            db.executemany("INSERT INTO arranged (camera, place, name) VALUES (?, ?, ?)", rows)
        self._arranged = {**self._arranged, camera: order}

    @_on_disk
    def keep_memory(self, camera: str, number: int, content: Content | None) -> None:
        """Keep what one of a camera's own memories holds by now; None: nobody knows."""
        with self._transaction() as db:
            write_memory(db, camera, number, content)
        self._memories = _read_memories(self._connection)

    @_on_disk
    def delete(self, camera: str, name: str) -> None:
        """Delete a position. Its framings stay in history, and `revert` brings one back."""
        self.known(camera, name)
        with self._transaction() as db:
            db.execute("UPDATE entry SET current = 0 WHERE camera = ? AND name = ?", (camera, name))
        self._forget(camera, name)

    @_on_disk
    def history(self, camera: str, name: str) -> list[HistoryEntry]:
        """Return every framing that a position has or had, the newest first; also of one that was deleted."""
        entries = _read_history(self._connection, camera, name)
        if not entries:
            raise self._unknown(camera, name)
        return entries

    @_on_disk
    def revert(self, camera: str, name: str, number: int) -> StoredPosition:
        """Bring an earlier framing back as a new entry, dated now, and return it; also of a deleted position."""
        entries = {entry.number: entry for entry in _read_history(self._connection, camera, name)}
        if not entries:
            raise self._unknown(camera, name)
        if number not in entries:
            raise Refusal(
                "unknown",
                f"position {name} of camera {camera} has no framing number {number}: "
                f"its history has 1 to {max(entries)}",
            )
        position = replace(entries[number].position, stored_at=self._calendar())
        with self._transaction() as db:
            _append(db, position)
        self._remember([position])
        return position

    @_on_disk
    def correct(self, corrected: Mapping[StoredPosition, StoredPosition]) -> None:
        """Put other framings in the place of these positions, all in one step, which `uncorrect` takes back.

        Raises Refusal `changed` where one of these is not what is stored under its name any more.
        """
        changed = [old.name for old in corrected if self.position(old.camera, old.name) != old]
        if changed:
            raise Refusal("changed", f"{', '.join(changed)} changed meanwhile; nothing was corrected: ask anew")
        with self._transaction() as db:
            (latest,) = db.execute("SELECT coalesce(max(correction), 0) FROM entry").fetchone()
            for position in corrected.values():
                _append(db, position, latest + 1)
        self._remember(corrected.values())

    @_on_disk
    def uncorrect(self, camera: str) -> list[str]:
        """Bring back what a camera's positions were before they were last corrected, and return their names.

        Raises Refusal `unknown` where they were not, and `changed` where one of them was stored anew or deleted
        since; then nothing is brought back.
        """
        of_latest = "camera = :camera AND correction = (SELECT max(correction) FROM entry WHERE camera = :camera)"
        rows = self._connection.execute(
            f"SELECT name, number, current FROM entry WHERE {of_latest} ORDER BY name", {"camera": camera}
        ).fetchall()
        if not rows:
            raise Refusal("unknown", f"there is no alignment of camera {camera} to take back")
        changed = [name for name, _, current in rows if not current]
        if changed:
            raise Refusal(
                "changed",
                f"{', '.join(changed)} of camera {camera} changed since it was aligned, so nothing is taken back: "
                "bring back single positions from their history",
            )
        back = []
        for name, number, _ in rows:  # what a position was before is the entry below
            entries = {entry.number: entry.position for entry in _read_history(self._connection, camera, name)}
            back.append(replace(entries[number - 1], stored_at=self._calendar()))
        with self._transaction() as db:
            db.execute(f"UPDATE entry SET correction = NULL WHERE {of_latest}", {"camera": camera})
            for position in back:
                _append(db, position)
        self._remember(back)
        return [position.name for position in back]

    @_on_disk
    def keep_still(self, position: StoredPosition, jpeg: bytes) -> bool:
        """Keep a picture of a position, and return whether that is still what is stored under its name."""
        if self.position(position.camera, position.name) != position:
            return False
        with self._transaction() as db:
            kept = _with_still(db, position, jpeg)
        self._remember([kept])
        return True

    @_on_disk
    def still(self, camera: str, name: str, number: int | None = None) -> bytes | None:
        """Return the JPEG that is kept of a position, or of the framing `number` in its history; None without one.

        Raises Refusal `unknown` where there is no such position or number.
        """
        if number is None:
            still = self.known(camera, name).still
        else:
            entries = [one for one in _read_history(self._connection, camera, name) if one.number == number]
            if not entries:
                raise Refusal("unknown", f"position {name} of camera {camera} has no framing number {number}")
            still = entries[0].position.still
        return None if still is None else _read_still(self._connection, still)

    @_on_disk
    def export(self, camera: str | None = None, *, stills: bool = False) -> str:
        """Return the positions of all cameras, or of one, as one text; `import_` reads it back as exactly these.

        History and locks stay here, and so do stills, unless they are asked for. Raises Refusal `too-large` where
        these make the text larger than what is read back.
        """
        every = [one for name in self.cameras if camera in (None, name) for one in self.positions(name).values()]
        if not stills:
            return written_show(every)
        kept = ((one, _read_still(self._connection, one.still)) for one in every if one.still is not None)
        text = written_show(every) + written_stills((one, jpeg) for one, jpeg in kept if jpeg is not None)
        if len(text) > LARGEST_CHARACTERS:
            raise Refusal(
                "too-large",
                f"with its stills the text would have {len(text) / 1e6:.1f} MB, and {LARGEST_CHARACTERS / 1e6:.0f} "
                "MB are read back: export one camera after the other",
            )
        return text

    @_on_disk
    def import_(self, text: str, replace: bool = False) -> Imported:
        """Store every position of a text, or, if there is any mistake in it, none.

        With `replace`, framings of names that exist become history. A still in the text is kept with its position,
        unless that is stored already, unchanged and with a still. Raises Refusal `invalid`, from all mistakes.
        """
        try:
            positions, stills = read_show_and_stills(text, self._calendar(), self.position, replace=replace)
        except TextFileError as error:
            hint = IMPORT_WITH_REPLACE if IMPORT_WITH_REPLACE in str(error) else None
            raise Refusal("invalid", f"nothing was imported: {error}", hint) from error
        changed = [one for one in positions if self.position(one.camera, one.name) != one]
        replaced = sum(self.position(one.camera, one.name) is not None for one in changed)
        kept = []
        with self._transaction() as db:
            for position in changed:
                _append(db, position)
            for position in positions:
                jpeg = stills.get((position.camera, position.name))
                if jpeg is not None and position.still is None:
                    kept.append(_with_still(db, position, jpeg))
        self._remember([*changed, *kept])
        return Imported(len(changed) - replaced, replaced, len(positions) - len(changed))

    @_on_disk
    def set_lock(self, camera: str, lock: Lock) -> None:
        """Keep that somebody has locked a camera, in place of an earlier lock of theirs; it survives a restart."""
        kept = _valid(lambda: Lock(lock.by, lock.reason, in_utc(lock.since)))
        _valid(lambda: checked_name(camera))
        with self._transaction() as db:
            db.execute(
                "INSERT OR REPLACE INTO lock (camera, by, reason, since) VALUES (?, ?, ?, ?)",
                (camera, kept.by, kept.reason, kept.since.isoformat()),
            )
        self._remember_locks(camera, kept.by, (kept,))

    @_on_disk
    def clear_lock(self, camera: str, by: str) -> None:
        """Keep that somebody has let go of a camera; nothing changes where they have not locked it."""
        with self._transaction() as db:
            db.execute("DELETE FROM lock WHERE camera = ? AND by = ?", (camera, by))
        self._remember_locks(camera, by, ())

    @_on_disk
    def set_cue_place(self, show: str, place: CuePlace) -> None:
        """Keep where a show stands in its cues, in place of where it stood; it survives a restart."""
        _valid(lambda: checked_name(show))
        with self._transaction() as db:
            db.execute(
                "INSERT OR REPLACE INTO cue_place (show, standing, next, held, on_air) VALUES (?, ?, ?, ?, ?)",
                (
                    show,
                    _number_text(place.standing),
                    _number_text(place.next),
                    int(place.held),
                    " ".join(sorted(place.on_air)),
                ),
            )
        self._cue_places = MappingProxyType({**self._cue_places, show: place})

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        if self._unfit is not None:
            raise self._unfit
        if _file_at(self._path) != self._file:  # SQLite would go on writing into what nobody opens the next time
            raise Refusal(
                "disk",
                f"the store {self._path} was moved, deleted or replaced since ptzd opened it: nothing is kept until it "
                "is back in its place, or ptzd is started anew",
            )
        with _transaction(self._connection) as connection:
            yield connection

    def _remember_locks(self, camera: str, by: str, instead: tuple[Lock, ...]) -> None:
        others = tuple(lock for lock in self._locks.get(camera, ()) if lock.by != by)
        self._locks = MappingProxyType(_locks_by_camera({**self._locks, camera: others + instead}))

    def _unknown(self, camera: str, name: str) -> Refusal:
        names = list(self.positions(camera))
        advice = did_you_mean(name, names, f"it has {', '.join(names) or 'none yet'}")
        if not self._all_read:
            advice = "not all that was stored can be read, so it may be lost; import your last export"
        return Refusal("unknown", f"camera {camera} has no position {name}: {advice}")

    def _remember(self, positions: Iterable[StoredPosition]) -> None:
        self._positions = _by_camera([*self._every(), *positions])

    def _forget(self, camera: str, name: str) -> None:
        self._positions = _by_camera(one for one in self._every() if (one.camera, one.name) != (camera, name))

    def _every(self) -> Iterator[StoredPosition]:
        return (one for each in self._positions.values() for one in each.values())


def _require_place(path: Path) -> None:
    """Say plainly what SQLite would only call an error of the disk."""
    if path.is_dir():
        raise Refusal("missing", f"the store {path} is a folder: name a file in it")
    if not path.parent.is_dir():
        raise Refusal(
            "missing",
            f"the folder {path.parent} of the store does not exist: make it, or name another store in the "
            "configuration under [store] path",
        )
    for place in (path, path.parent):  # the log is kept beside the file
        if place.exists() and not os.access(place, os.R_OK | os.W_OK, effective_ids=True):
            raise Refusal(
                "read-only",
                f"the store {path} is read-only: make the file and its folder writable for the user that runs ptzd",
            )


def _file_at(path: Path) -> tuple[int, int] | None:
    """Which file lies there, whatever its name; None: none that can be reached."""
    with suppress(OSError):
        found = path.stat()
        return found.st_dev, found.st_ino
    return None


def _connect(path: Path) -> tuple[sqlite3.Connection, Refusal | None]:
    """Open the file; also return why nothing more may be written into it, if so."""
    if _is_emptied(path):
        raise _damaged(path, "it is empty, which no store is")
    made = not path.exists()
    with suppress(OSError):  # that it can't be made, SQLite says better
        os.close(os.open(path, os.O_CREAT | os.O_WRONLY | os.O_NOFOLLOW, 0o600))  # its log gets the same mode
        if _is_ours(path):  # nobody else's file, should the configuration name one
            path.chmod(0o600)
    # Transactions are begun by hand. Disk work is done one piece at a time, so the connection may change threads.
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=BUSY_SECONDS)
    try:
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        (journal,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
        if journal != "wal":
            raise Refusal(
                "disk", f"the disk under the store {path} keeps no write-ahead log: put the store on a local disk"
            )
        connection.execute("PRAGMA synchronous = FULL")
        (health,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        if health != "ok":
            connection.execute("SELECT camera FROM lock").close()  # else there is nothing in it for us
            return connection, _damaged(path, health)
        with _transaction(connection):
            bring_up_to_date(connection, path)
    except BaseException:
        connection.close()
        if made and _is_emptied(path):  # as on a full disk: it would be taken for one that has lost what it held
            path.unlink()
        raise
    return connection, None


def _without_disk(trouble: Refusal, path: Path) -> tuple[sqlite3.Connection, Refusal]:
    """Return what can be had where the file can't be opened as it should: its content, or an empty store in memory.

    Raises the trouble where it is none of the disk's, or where there is no file yet: then a mistake is told at once.
    """
    ours = _is_ours(path)
    if trouble.code == "foreign" and ours:
        trouble = _damaged(path, "its beginning is destroyed")
    if trouble.code not in _STARTS_WITHOUT or (trouble.code == "read-only" and not ours):
        raise trouble
    ways = ["mode=ro"]
    log = path.with_name(f"{path.name}-wal")
    if not log.exists() or log.stat().st_size == 0:
        ways.append("mode=ro&immutable=1")  # in a folder where SQLite can't make even the log's index; it ignores a log
    for way in ways:
        with suppress(sqlite3.Error):
            return _reading(f"{path.absolute().as_uri()}?{way}"), trouble
    connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    bring_up_to_date(connection, path)
    return connection, trouble


def _reading(uri: str) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        connection.execute("SELECT camera FROM lock").fetchall()
    except BaseException:
        connection.close()
        raise
    return connection


def _is_ours(path: Path) -> bool:
    """Whether the file was made by ptzd, as its header tells (sqlite.org/fileformat.html, application ID at 68)."""
    try:
        with path.open("rb") as file:
            return file.read(72)[68:] == APPLICATION_ID.to_bytes(4, "big")
    except OSError:
        return False


def _is_emptied(path: Path) -> bool:
    """Whether there is a file of no length: it lost what it held, since a store is never that short."""
    with suppress(OSError):
        return path.stat().st_size == 0
    return False


def _is_sound(connection: sqlite3.Connection, path: Path, table: str) -> bool:
    """Whether a table can be read from the file as a whole."""
    in_file = connection.execute("PRAGMA database_list").fetchone()[2] != ""
    if not in_file:
        return not (_is_ours(path) or _is_emptied(path))  # a new store has no locks yet; an older one may have
    try:
        return bool(connection.execute(f"PRAGMA quick_check({table})").fetchone() == ("ok",))
    except sqlite3.Error:
        return False


def _damaged(path: Path, why: object) -> Refusal:
    reason = " ".join(str(why).split())
    return Refusal(
        "damaged",
        f"the store {path} is damaged ({reason}): keep a copy of it, move it away, start again and import your last "
        "export",
    )


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk makes SQLite roll back by itself
            connection.execute("ROLLBACK")
        raise


def _append(db: sqlite3.Connection, position: StoredPosition, correction: int | None = None) -> None:
    """Make a position the current one of its name; `correction` is the step in which others are corrected with it."""
    number = _last_number(db, position.camera, position.name) + 1
    db.execute("UPDATE entry SET current = 0 WHERE camera = ? AND name = ?", (position.camera, position.name))
    columns = f"{_COLUMNS}, correction"
    own = {"number": number, "current": 1, "stored_at": position.stored_at.isoformat(), "correction": correction}
    db.execute(
        f"INSERT INTO entry ({columns}) VALUES (:{columns.replace(', ', ', :')})",
        asdict(position.framing) | asdict(position) | own,
    )


def _with_still(db: sqlite3.Connection, position: StoredPosition, jpeg: bytes) -> StoredPosition:
    """Give the current entry of a name its still."""
    still = db.execute("INSERT INTO still (jpeg) VALUES (?)", (jpeg,)).lastrowid
    db.execute(
        "UPDATE entry SET still = ? WHERE camera = ? AND name = ? AND current", (still, position.camera, position.name)
    )
    return replace(position, still=still)


def _read_still(db: sqlite3.Connection, still: int) -> bytes | None:
    row = db.execute("SELECT jpeg FROM still WHERE id = ?", (still,)).fetchone()
    return None if row is None else bytes(row[0])


def _last_number(db: sqlite3.Connection, camera: str, name: str) -> int:
    (number,) = db.execute(
        "SELECT coalesce(max(number), 0) FROM entry WHERE camera = ? AND name = ?", (camera, name)
    ).fetchone()
    return int(number)


def _read_positions(db: sqlite3.Connection, troubles: list[str]) -> Mapping[str, Mapping[str, StoredPosition]]:
    """Return what can be read, and tell the rest."""
    positions = []
    for row in _rows(db, f"{_select_entries(db)} WHERE current", "camera, name", "positions", troubles):
        try:
            positions.append(_entry(row).position)
        except (ValueError, TypeError) as error:
            troubles.append(f"the stored position {row[1]} of camera {row[0]} can't be read ({error}): store it anew")
    return _by_camera(positions)


def _read_arranged(db: sqlite3.Connection) -> Mapping[str, tuple[str, ...]]:
    """Return in which order positions were put. Where that can't be read, they stand in the order of their names."""
    arranged: dict[str, tuple[str, ...]] = {}
    with suppress(sqlite3.Error):
        for camera, name in db.execute("SELECT camera, name FROM arranged ORDER BY camera, place"):
            arranged[camera] = (*arranged.get(camera, ()), name)
    return arranged


def _select_entries(db: sqlite3.Connection) -> str:
    """Select what positions have; a file that is only read stays as an older ptzd made it, and lacks columns."""
    columns = _COLUMNS.split(", ")
    with suppress(sqlite3.Error):  # who reads the rows tells of it
        known = {column for _, column, *_ in db.execute("PRAGMA table_info(entry)")}
        columns = [column if not known or column in known else "NULL" for column in columns]
    return f"SELECT {', '.join(columns)} FROM entry"


def _rows(db: sqlite3.Connection, select: str, order: str, what: str, troubles: list[str]) -> list[tuple[Any, ...]]:
    """Return the rows of a table; of a damaged one those before and those behind the damage."""
    found: dict[tuple[Any, ...], None] = {}
    descending = ", ".join(f"{column} DESC" for column in order.split(", "))
    for ordered in (order, descending):
        try:
            for row in db.execute(f"{select} ORDER BY {ordered}"):
                found[row] = None
            break
        except sqlite3.Error as error:
            if ordered == descending:
                troubles.append(f"not all {what} can be read from the store ({error}): import your last export")
    return list(found)


def _read_history(db: sqlite3.Connection, camera: str, name: str) -> list[HistoryEntry]:
    rows = db.execute(f"{_select_entries(db)} WHERE camera = ? AND name = ? ORDER BY number DESC", (camera, name))
    entries = []
    for row in rows:
        try:
            entries.append(_entry(row))
        except (ValueError, TypeError) as error:
            raise Refusal(
                "damaged",
                f"framing {row[2]} in the history of position {name} of camera {camera} can't be read ({error}): store "
                "the position anew",
            ) from None
    return entries


def _read_memories(db: sqlite3.Connection) -> Memories:
    try:
        return read_memories(db)
    except (sqlite3.Error, ValueError, TypeError):  # then recalls go by position, and `restore` sets them anew
        return MappingProxyType({})


def _read_locks(
    db: sqlite3.Connection, troubles: list[str], calendar: Callable[[], datetime]
) -> tuple[Mapping[str, tuple[Lock, ...]], bool]:
    """Return the locks, and whether all were read. A camera whose lock makes no sense is locked all the same."""
    before = len(troubles)
    rows = _rows(db, "SELECT camera, by, reason, since FROM lock", "camera, by", "locks", troubles)
    all_read = len(troubles) == before
    locks: dict[str, tuple[Lock, ...]] = {}
    for camera, by, reason, since in rows:
        try:
            lock = Lock(by, reason, in_utc(datetime.fromisoformat(since)))
        except (ValueError, TypeError) as error:
            lock = Lock(by, UNREADABLE_LOCK, calendar())
            troubles.append(
                f"the lock of camera {camera} by {by} can't be read ({error}), so it is locked: unlock it or lock it "
                "anew"
            )
        locks[camera] = (*locks.get(camera, ()), lock)
    return MappingProxyType(_locks_by_camera(locks)), all_read


def _locks_by_camera(locks: Mapping[str, tuple[Lock, ...]]) -> dict[str, tuple[Lock, ...]]:
    """Those of each camera with the oldest first, and no camera without one."""
    return {camera: tuple(sorted(each, key=lambda lock: lock.since)) for camera, each in locks.items() if each}


def _read_cue_places(db: sqlite3.Connection, troubles: list[str]) -> Mapping[str, CuePlace]:
    places = {}
    for show, standing, next_, held, on_air in _rows(
        db, "SELECT show, standing, next, held, on_air FROM cue_place", "show", "cue places", troubles
    ):
        try:
            places[show] = CuePlace(_number(standing), _number(next_), bool(held), frozenset(on_air.split()))
        except (ValueError, TypeError) as error:
            troubles.append(f"where the show {show} stands in its cues can't be read ({error}): jump to its next cue")
    return MappingProxyType(places)


def _number(text: str | None) -> Decimal | None:
    try:
        return None if text is None else Decimal(text)
    except InvalidOperation:
        raise ValueError(f"{text!r} is no cue number") from None


def _number_text(number: Decimal | None) -> str | None:
    return None if number is None else str(number)


def _entry(row: tuple[Any, ...]) -> HistoryEntry:
    camera, name, number, current, pan, tilt, zoom, focus, focus_mode, *rest = row
    dialect, speed, seconds, note, stored_at, scales, still, provisional = rest
    framing = Framing(pan, tilt, zoom, focus, focus_mode)
    stored = datetime.fromisoformat(stored_at)
    position = StoredPosition(
        camera, name, framing, dialect, speed, seconds, note, stored, scales, still, bool(provisional)
    )
    return HistoryEntry(number, position, bool(current))


def _by_camera(positions: Iterable[StoredPosition]) -> Mapping[str, Mapping[str, StoredPosition]]:
    """Sorted by camera and name, numbers as people count; of two with the same name the later one counts."""
    latest = {(one.camera, one.name): one for one in positions}
    cameras: dict[str, dict[str, StoredPosition]] = {}
    for camera, name in sorted(latest, key=lambda key: (key[0], as_counted(key[1]))):
        cameras.setdefault(camera, {})[name] = latest[camera, name]
    return MappingProxyType({camera: MappingProxyType(names) for camera, names in cameras.items()})


def _valid(make: Callable[[], T]) -> T:
    try:
        return make()
    except ValueError as error:
        raise Refusal("invalid", str(error)) from None
