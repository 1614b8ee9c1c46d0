"""What was confirmed survives; what the disk refuses changes nothing and is told in one sentence."""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
import tempfile
from collections.abc import Awaitable, Callable, Iterator
from contextlib import AbstractAsyncContextManager, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from ptzd.cameras.reports import Lock
from ptzd.line import Framing
from ptzd.positions import CuePlace, PositionStore, StoredPosition, inline
from ptzd.positions.schema import MIGRATIONS, bring_up_to_date
from ptzd.refusal import Refusal

Opened = Callable[..., AbstractAsyncContextManager[PositionStore]]  # given a path, or that of the test

# A program that stores one position after another, and says so after each.
WRITER = """
import asyncio, sys
from datetime import UTC, datetime
from pathlib import Path
from ptzd.cameras.reports import Framing
from ptzd.positions import PositionStore, StoredPosition
from ptzd.refusal import Refusal

def calendar():
    return datetime(2031, 5, 24, tzinfo=UTC)

async def main():
    async with PositionStore.open(Path(sys.argv[1]), calendar=calendar) as store:
        for number in range(int(sys.argv[2])):
            framing = Framing(number, 0, 0, 0, "auto")
            name = f"shot-{number}"
            await store.store(StoredPosition("gallery", name, framing, "nibble4-51", None, None, "", calendar()))
            print("confirmed", number, flush=True)
        await asyncio.sleep(60)

asyncio.run(main())
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "granary.db"


@pytest.fixture
def opened(path: Path, calendar: Callable[[], datetime]) -> Opened:
    return lambda where=path: PositionStore.open(where, calendar=calendar, run_disk=inline)


async def refusal_of(awaitable: Awaitable[object]) -> Refusal:
    with pytest.raises(Refusal) as refusal:
        await awaitable
    assert refusal.value.sentence.count("\n") == 0
    return refusal.value


async def refusal_to_open(opening: AbstractAsyncContextManager[PositionStore]) -> Refusal:
    return await refusal_of(opening.__aenter__())


def lock_on(store: PositionStore, camera: str) -> Lock:
    [lock] = store.locks_of(camera)
    return lock


def confirmed_before_kill(path: Path, stores: int, kill_after: int) -> int:
    """Run the writer, kill it -9 after so many confirmations, and return how many it gave in the end."""
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(stores)], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        for _ in range(kill_after):
            assert writer.stdout.readline().startswith("confirmed")
        writer.send_signal(signal.SIGKILL)
        return kill_after + writer.stdout.read().count("confirmed")


async def test_a_confirmed_position_survives_kill_9(path: Path, opened: Opened) -> None:
    confirmed_before_kill(path, stores=1, kill_after=1)
    async with opened() as store:
        assert store.positions("gallery")["shot-0"].framing.pan_counts == 0


@pytest.mark.parametrize("kill_after", [3, 17])
async def test_nothing_confirmed_is_lost_when_killed_in_the_middle_of_writing(
    path: Path, opened: Opened, kill_after: int
) -> None:
    confirmed = confirmed_before_kill(path, stores=100_000, kill_after=kill_after)
    async with opened() as store:
        kept = {position.framing.pan_counts for position in store.positions("gallery").values()}
        assert kept >= set(range(confirmed))
        assert len(kept) <= confirmed + 1  # the one that was being written may be there, whole


async def test_every_commit_is_synced_to_the_disk(opened: Opened) -> None:
    async with opened() as store:
        # sqlite.org/pragma.html: synchronous 2 is FULL; in WAL mode it syncs the log at each commit.
        assert store._connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert store._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


async def test_a_full_disk_loses_nothing_and_the_store_goes_on(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make(name="before"))
        pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
        store._connection.execute(f"PRAGMA max_page_count = {pages}")
        stored = 0
        error = None
        while error is None and stored < 1000:
            try:
                await store.store(make(name=f"shot-{stored}", note="x" * 900))
                stored += 1
            except Refusal as refusal:
                error = refusal
        assert error is not None
        assert error.code == "full"
        assert str(path) in error.sentence
        assert "free some space" in error.sentence
        assert len(store.positions("gallery")) == stored + 1
        assert store.position("gallery", f"shot-{stored}") is None
        store._connection.execute(f"PRAGMA max_page_count = {pages + 100}")  # space was made
        await store.store(make(name="after"))
    async with opened() as store:
        assert len(store.positions("gallery")) == stored + 2


def ended(program: str, path: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, text=True, timeout=60, check=False
    )


LIMITED = """
import asyncio, resource, sys
from datetime import UTC, datetime
from pathlib import Path
from ptzd.cameras.reports import Framing
from ptzd.positions import PositionStore, StoredPosition
from ptzd.refusal import Refusal

def position(name):
    return StoredPosition("gallery", name, Framing(0, 0, 0, 0, "auto"), "nibble4-51", None, None, "x" * 900,
                          datetime(2031, 5, 24, tzinfo=UTC))

async def main():
    path = Path(sys.argv[1])
    async with PositionStore.open(path, calendar=lambda: datetime.now(UTC)) as store:
        await store.store(position("before"))
        size = path.with_name(path.name + "-wal").stat().st_size
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 100, resource.RLIM_INFINITY))
        try:
            await store.store(position("too-much"))
        except Refusal as error:
            print(error.code, error.sentence)
        assert list(store.positions("gallery")) == ["before"]
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        await store.store(position("after"))

asyncio.run(main())
"""


async def test_a_write_that_the_system_refuses_loses_nothing_and_the_store_goes_on(path: Path, opened: Opened) -> None:
    done = ended(LIMITED, path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[0] in ("disk", "full")
    assert "what was stored before is safe" in done.stdout
    async with opened() as store:
        assert list(store.positions("gallery")) == ["after", "before"]


async def test_a_store_that_became_read_only_refuses_writes_and_still_reads(
    opened: Opened, make: Callable[..., StoredPosition], calendar: Callable[[], datetime]
) -> None:
    async with opened() as store:
        await store.store(make())
        store._connection.execute("PRAGMA query_only = ON")
        more = (await store.export()).replace("[positions.gallery.choir-wide]", "[positions.left.sopranos]")
        for change in (
            lambda: store.store(make(name="soloist")),
            lambda: store.rename("gallery", "choir-wide", "wide"),
            lambda: store.delete("gallery", "choir-wide"),
            lambda: store.revert("gallery", "choir-wide", 1),
            lambda: store.import_(more),
            lambda: store.set_lock("gallery", Lock("Kim", "lens", calendar())),
            lambda: store.clear_lock("gallery", "Kim"),
        ):
            error = await refusal_of(change())
            assert error.code == "read-only"
            assert "writable" in error.sentence
        assert dict(store.locks()) == {}
        assert list(store.positions("gallery")) == ["choir-wide"]
        assert dict(store.positions("left")) == {}
        assert len(await store.history("gallery", "choir-wide")) == 1


@contextmanager
def as_nobody() -> Iterator[None]:
    """Do what follows without the rights of root, for whom nothing is read-only."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@contextmanager
def read_only(path: Path) -> Iterator[None]:
    """Let nobody but root write a file and its folder."""
    path.chmod(0o444)
    path.parent.chmod(0o555)
    try:
        with as_nobody():
            yield
    finally:
        path.parent.chmod(0o755)
        path.chmod(0o644)


async def test_a_file_that_may_not_be_written_is_read_and_told(
    opened: Opened, make: Callable[..., StoredPosition], calendar: Callable[[], datetime]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "granary.db")
        async with opened(path) as store:
            await store.store(make())
            await store.set_lock("left", Lock("Kim", "lens", calendar()))
        with read_only(path):
            async with opened(path) as store:
                assert list(store.positions("gallery")) == ["choir-wide"]
                assert lock_on(store, "left").by == "Kim"
                assert not store.locks_of("gallery")
                assert ["writable" in trouble for trouble in store.troubles] == [True]
                error = await refusal_of(store.store(make(name="soloist")))
            assert error.code == "read-only"
            nowhere = await refusal_to_open(opened(path.with_name("another.db")))
            assert nowhere.code == "read-only"
        async with opened(path) as store:
            assert list(store.positions("gallery")) == ["choir-wide"]


async def test_a_folder_that_does_not_exist_is_named(opened: Opened, tmp_path: Path) -> None:
    error = await refusal_to_open(opened(tmp_path / "nowhere" / "granary.db"))
    assert error.code == "missing"
    assert f"{tmp_path / 'nowhere'}" in error.sentence
    assert "make it" in error.sentence


async def test_a_folder_in_the_place_of_the_file_is_refused(opened: Opened, tmp_path: Path) -> None:
    error = await refusal_to_open(opened(tmp_path))
    assert error.code == "missing"
    assert "is a folder" in error.sentence


def damage(path: Path, pages: slice) -> bytes:
    """Write nonsense over the beginnings of pages; return what the file is now."""
    data = bytearray(path.read_bytes())
    for page in range(len(data) // 4096)[pages]:
        data[page * 4096 : page * 4096 + 200] = b"\xa5" * 200
    path.write_bytes(data)
    return bytes(data)


async def test_a_damaged_file_is_told_left_alone_and_locks_every_camera(
    path: Path, opened: Opened, make: Callable[..., StoredPosition], calendar: Callable[[], datetime]
) -> None:
    async with opened() as store:
        await store.set_lock("left", Lock("Kim", "lens", calendar()))
        for number in range(50):
            await store.store(make(name=f"shot-{number}", note="x" * 900))
    data = damage(path, slice(1, None))  # all but the first page, which says what file it is
    async with opened() as store:
        assert any("is damaged" in trouble and "import your last export" in trouble for trouble in store.troubles)
        assert "unlock it when it is safe" in lock_on(store, "left").reason
        assert store.locks_of("gallery")
        with pytest.raises(Refusal, match="not all that was stored can be read, so it may be lost"):
            store.known("gallery", "shot-1")
        for change in (store.store(make()), store.set_lock("left", Lock("Kim", "lens", calendar()))):
            assert (await refusal_of(change)).code == "damaged"
    assert path.read_bytes() == data


async def test_of_a_store_that_is_damaged_in_one_place_the_rest_is_read(
    path: Path, opened: Opened, make: Callable[..., StoredPosition], calendar: Callable[[], datetime]
) -> None:
    async with opened() as store:
        await store.set_lock("left", Lock("Kim", "lens", calendar()))
        for number in range(60):
            await store.store(make(name=f"shot-{number}", note="x" * 900))
    damage(path, slice(-3, -2))
    async with opened() as store:
        assert 30 <= len(store.positions("gallery")) < 60
        assert lock_on(store, "left").by == "Kim"
        assert not store.locks_of("gallery"), "the locks are elsewhere in the file and whole"
        lost = next(name for name in (f"shot-{number}" for number in range(60)) if not store.position("gallery", name))
        with pytest.raises(Refusal, match="it may be lost"):
            store.known("gallery", lost)
        assert store.troubles


async def test_a_store_whose_first_page_is_destroyed_starts_with_every_camera_locked(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make())
    data = bytearray(path.read_bytes())
    data[:60] = b"\xa5" * 60  # its name for itself, at byte 68, is left
    path.write_bytes(data)
    async with opened() as store:
        assert store.locks_of("gallery")
        assert any("damaged" in trouble for trouble in store.troubles)
    assert path.read_bytes() == data


async def test_a_store_that_was_emptied_is_not_taken_for_a_new_one_and_starts_with_every_camera_locked(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make())
    os.truncate(path, 0)
    for _ in range(2):
        async with opened() as store:
            assert store.locks_of("gallery")
            assert any("is damaged (it is empty" in trouble for trouble in store.troubles)
            assert (await refusal_of(store.store(make()))).code == "damaged"
        assert path.stat().st_size == 0


FULL = """
import asyncio, resource, sys
from datetime import UTC, datetime
from pathlib import Path
from ptzd.cameras.reports import Framing, Lock
from ptzd.positions import PositionStore
from ptzd.refusal import Refusal

async def main():
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
    async with PositionStore.open(Path(sys.argv[1]), calendar=lambda: datetime.now(UTC)) as store:
        try:
            await store.set_lock("gallery", Lock("Kim", "lens", datetime.now(UTC)))
        except Refusal as error:
            print(error.code, list(store.positions("gallery")), not store.locks_of("left"), len(store.troubles))

asyncio.run(main())
"""


async def test_a_daemon_starts_on_a_full_disk_with_what_it_has(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    new = ended(FULL, path)  # nothing is there yet, and nothing can be made
    assert new.returncode == 0, new.stderr
    assert new.stdout.split(" ", 1)[1] == "[] True 1\n"
    assert not path.exists(), "an empty one would be taken for one that has lost what it held"
    async with opened() as store:
        await store.store(make())
    old = ended(FULL, path)
    assert old.returncode == 0, old.stderr
    assert old.stdout.split(" ", 1)[1].startswith("['choir-wide'] True")
    async with opened() as store:
        assert list(store.positions("gallery")) == ["choir-wide"]


async def test_damage_that_shows_while_running_does_not_end_the_store(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make())
        store._connection.execute("DROP TABLE entry")  # as far as a statement can tell
        assert (await refusal_of(store.store(make(name="soloist")))).code == "disk"
        assert list(store.positions("gallery")) == ["choir-wide"]


async def test_a_row_that_makes_no_sense_is_told_and_all_others_are_read(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make())
        await store.store(make(name="soloist"))
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE entry SET speed = 99 WHERE name = 'soloist'")
    connection.close()
    async with opened() as store:
        assert list(store.positions("gallery")) == ["choir-wide"]
        [trouble] = store.troubles
        assert "position soloist of camera gallery" in trouble
        assert "speed is 99" in trouble
        await store.store(make(name="sopranos"))


async def test_a_date_without_a_zone_is_told_in_its_own_sentence(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make(name="soloist"))
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE entry SET stored_at = '2031-05-24T19:30:00'")
    connection.close()
    async with opened() as store:
        [trouble] = store.troubles
        history = await refusal_of(store.history("gallery", "soloist"))
        reverted = await refusal_of(store.revert("gallery", "soloist", 1))
        for sentence in (trouble, history.sentence, reverted.sentence):
            assert "position soloist of camera gallery" in sentence
            assert "has no time zone" in sentence
        await store.store(make(name="soloist"))
        assert store.position("gallery", "soloist") is not None


async def test_a_lock_that_makes_no_sense_locks(path: Path, opened: Opened, calendar: Callable[[], datetime]) -> None:
    async with opened() as store:
        await store.set_lock("gallery", Lock("Kim", "lens", calendar()))
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE lock SET since = 'yesterday'")
    connection.close()
    async with opened() as store:
        assert "unlock it when it is safe" in lock_on(store, "gallery").reason
        assert not store.locks_of("left")
        assert "lock of camera gallery" in store.troubles[0]
        await store.clear_lock("gallery", "Kim")
        assert not store.locks_of("gallery")


async def test_a_file_that_is_no_database_is_refused_and_left_alone(path: Path, opened: Opened) -> None:
    path.write_text("dear diary, " * 100)
    error = await refusal_to_open(opened())
    assert error.code == "foreign"
    assert path.read_text() == "dear diary, " * 100


async def test_a_database_of_something_else_is_refused_and_left_alone(path: Path, opened: Opened) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipe (name TEXT)")
    connection.close()
    error = await refusal_to_open(opened())
    assert error.code == "foreign"
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("recipe",)]
    connection.close()


async def test_a_store_of_a_newer_ptzd_is_refused_and_left_alone(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make())
        store._connection.execute("PRAGMA user_version = 99")
    error = await refusal_to_open(opened())
    assert error.code == "newer"
    assert "update ptzd" in error.sentence


HOLDER = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.read()
"""


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold a store in another process."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdin is not None and holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        yield
        holder.stdin.close()


async def test_a_store_held_by_another_process_is_refused(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make())
    with held(path):
        error = await refusal_to_open(opened())
    assert error.code == "busy"
    assert "another process" in error.sentence
    async with opened() as store:
        assert list(store.positions("gallery")) == ["choir-wide"]


async def test_two_daemons_cannot_share_a_store(path: Path, opened: Opened) -> None:
    async with opened():
        error = await refusal_to_open(opened())
        assert error.code == "busy"


def test_an_older_store_is_brought_up_to_date_and_keeps_what_it_has(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "old.db")
    bring_up_to_date(connection, tmp_path / "old.db")
    connection.execute("INSERT INTO lock VALUES ('gallery', 'Kim', 'lens', '2031-05-24T19:30:00+00:00')")
    newer = (*MIGRATIONS, ("ALTER TABLE lock ADD COLUMN until TEXT", "UPDATE lock SET until = 'noon'"))
    bring_up_to_date(connection, tmp_path / "old.db", newer)
    assert connection.execute("SELECT camera, until FROM lock").fetchall() == [("gallery", "noon")]
    assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 1,)
    bring_up_to_date(connection, tmp_path / "old.db", newer)  # nothing is done twice
    connection.close()


async def test_a_store_from_before_there_were_cues_opens_with_all_it_has(path: Path, opened: Opened) -> None:
    connection = sqlite3.connect(path)
    bring_up_to_date(connection, path, MIGRATIONS[:1])
    connection.execute("INSERT INTO lock VALUES ('gallery', 'Kim', 'lens', '2031-05-24T19:30:00+00:00')")
    connection.commit()
    connection.close()
    async with opened() as store:
        [kim] = store.locks_of("gallery")
        assert (kim.by, kim.reason, kim.since) == ("Kim", "lens", datetime(2031, 5, 24, 19, 30, tzinfo=UTC))
        await store.set_lock("gallery", replace(kim, by="Robin"))
        assert {lock.by for lock in store.locks_of("gallery")} == {"Kim", "Robin"}
        await store.set_cue_place("evening", CuePlace(Decimal(3), Decimal(4)))


def store_from_before_there_were_scales(path: Path) -> None:
    connection = sqlite3.connect(path)
    bring_up_to_date(connection, path, MIGRATIONS[:2])
    connection.execute(
        "INSERT INTO entry VALUES ('gallery', 'choir-wide', 1, 1, 26, -420, 6017, 8192, 'manual', 'nibble4-51', NULL, "
        "NULL, '', '2031-05-24T19:30:00+00:00')"
    )
    connection.commit()
    connection.close()


async def test_a_store_from_before_there_were_scales_keeps_its_positions_and_takes_new_ones(
    path: Path, opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    store_from_before_there_were_scales(path)
    async with opened() as store:
        assert store.position("gallery", "choir-wide") == make()
        await store.store(make(name="soloist", scales="pan 51.2"))
    async with opened() as store:
        assert not store.troubles
        assert [one.scales for one in store.positions("gallery").values()] == [None, "pan 51.2"]


async def test_a_store_from_before_there_were_scales_that_may_not_be_written_is_read(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "granary.db")
        store_from_before_there_were_scales(path)
        with read_only(path):
            async with opened(path) as store:
                assert store.position("gallery", "choir-wide") == make()
                assert [entry.position for entry in await store.history("gallery", "choir-wide")] == [make()]


async def test_a_cue_number_that_is_none_is_told(path: Path, opened: Opened) -> None:
    async with opened() as store:
        await store.set_cue_place("evening", CuePlace(Decimal(3), Decimal(4)))
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE cue_place SET standing = 'three'")
    connection.close()
    async with opened() as store:
        assert store.cue_place("evening") is None
        assert "'three'" in store.troubles[0]


@pytest.mark.parametrize("before", [False, True])
async def test_nobody_but_its_user_reads_the_store(opened: Opened, path: Path, before: bool) -> None:
    if before:
        async with opened():
            pass
        path.chmod(0o644)
    async with opened():
        modes = {each.name: stat.S_IMODE(each.stat().st_mode) for each in path.parent.glob(f"{path.name}*")}
    assert len(modes) > 1 and set(modes.values()) == {0o600}, modes


async def test_the_mode_of_a_file_that_is_none_of_ours_stays_as_it_is(opened: Opened, path: Path) -> None:
    path.write_text("a text that somebody needs")
    path.chmod(0o644)
    with pytest.raises(Refusal):
        async with opened():
            pass
    assert stat.S_IMODE(path.stat().st_mode) == 0o644


@pytest.mark.parametrize("replaced", [False, True])
async def test_a_file_that_is_moved_away_keeps_nothing_and_is_told_until_it_is_back(
    path: Path, opened: Opened, calendar: Callable[[], datetime], replaced: bool
) -> None:
    async with opened() as store:
        first, second = (
            StoredPosition("gallery", name, Framing(0, 0, 0, 0, "auto"), "nibble4-51", None, None, "", calendar())
            for name in ("house", "choir")
        )
        await store.store(first)
        elsewhere = path.rename(path.with_name("elsewhere.db"))
        if replaced:
            path.touch()
        assert (await refusal_of(store.store(second))).code == "disk"
        assert (await refusal_of(store.set_lock("gallery", Lock("rigger", "", calendar())))).code == "disk"
        assert list(store.positions("gallery")) == ["house"]
        elsewhere.replace(path)
        await store.store(second)
    async with opened() as store:
        assert set(store.positions("gallery")) == {"house", "choir"}
