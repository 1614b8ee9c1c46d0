"""A store keeps what it was given, also what was replaced, renamed and deleted."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TypeVar

import pytest

from ptzd.cameras.reports import Lock
from ptzd.positions import CuePlace, PositionStore, StoredPosition, content_of, inline
from ptzd.positions.disk import in_thread
from ptzd.refusal import Refusal

Opened = Callable[[], AbstractAsyncContextManager[PositionStore]]
Kept = TypeVar("Kept")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "granary.db"


@pytest.fixture(params=[in_thread, inline], ids=["in a thread", "inline"])
def opened(path: Path, calendar: Callable[[], datetime], request: pytest.FixtureRequest) -> Opened:
    @asynccontextmanager
    async def open_store() -> AsyncIterator[PositionStore]:
        async with PositionStore.open(path, calendar=calendar, run_disk=request.param) as store:
            yield store

    return open_store


async def test_what_was_stored_is_there_after_a_restart(opened: Opened, make: Callable[..., StoredPosition]) -> None:
    wide, solo = make(note="beams 🎼"), make(name="soloist", seconds=4.25, speed=None)
    async with opened() as store:
        await store.store(solo)
        await store.store(wide)
    async with opened() as store:
        assert dict(store.positions("gallery")) == {"choir-wide": wide, "soloist": solo}
        assert list(store.positions("gallery")) == ["choir-wide", "soloist"]  # by name
        assert store.position("gallery", "soloist") == solo


async def test_a_camera_without_positions_has_none(opened: Opened) -> None:
    async with opened() as store:
        assert dict(store.positions("left")) == {}
        assert store.position("left", "choir-wide") is None


async def test_a_name_that_exists_is_refused_without_replace(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make(pan_counts=1))
        with pytest.raises(Refusal) as refusal:
            await store.store(make(pan_counts=2))
        assert refusal.value.code == "exists"
        assert "choir-wide" in refusal.value.sentence
        assert "replace" in refusal.value.sentence
        assert store.positions("gallery")["choir-wide"].framing.pan_counts == 1
        await store.store(make(camera="left", pan_counts=3))  # another camera's names are its own


async def test_replaced_framings_stay_in_history_with_number_and_date(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    first, second = make(pan_counts=1), make(pan_counts=2, stored_at=datetime(2031, 5, 25, tzinfo=UTC))
    async with opened() as store:
        await store.store(first)
        await store.store(second, replace=True)
    async with opened() as store:
        assert store.position("gallery", "choir-wide") == second
        newest, oldest = await store.history("gallery", "choir-wide")
    assert (newest.number, newest.position, newest.current) == (2, second, True)
    assert (oldest.number, oldest.position, oldest.current) == (1, first, False)


async def test_an_earlier_framing_comes_back_as_a_new_entry_of_today(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make(pan_counts=1, note="first"))
        await store.store(make(pan_counts=2, note="second"), replace=True)
        back = await store.revert("gallery", "choir-wide", 1)
        assert store.position("gallery", "choir-wide") == back
        assert (back.framing.pan_counts, back.note) == (1, "first")
        assert back.stored_at == datetime(2031, 5, 24, 19, 31, tzinfo=UTC)  # the calendar's first look
        history = await store.history("gallery", "choir-wide")
        assert [(entry.number, entry.position.framing.pan_counts) for entry in history] == [(3, 1), (2, 2), (1, 1)]
        assert [entry.current for entry in history] == [True, False, False]


async def test_a_revert_to_a_number_that_never_was_is_refused(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make())
        with pytest.raises(Refusal) as refusal:
            await store.revert("gallery", "choir-wide", 2)
        assert refusal.value.code == "unknown"
        assert "1 to 1" in refusal.value.sentence


async def test_a_deleted_position_is_gone_but_can_be_brought_back(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make(pan_counts=7))
        await store.delete("gallery", "choir-wide")
        assert store.position("gallery", "choir-wide") is None
    async with opened() as store:
        assert dict(store.positions("gallery")) == {}
        (entry,) = await store.history("gallery", "choir-wide")
        assert not entry.current
        await store.revert("gallery", "choir-wide", 1)
        assert store.positions("gallery")["choir-wide"].framing.pan_counts == 7
        await store.delete("gallery", "choir-wide")
        await store.store(make(pan_counts=8))  # the name is free again, and its history goes on
        assert [entry.number for entry in await store.history("gallery", "choir-wide")] == [3, 2, 1]


async def test_a_renamed_position_takes_its_history_along(opened: Opened, make: Callable[..., StoredPosition]) -> None:
    async with opened() as store:
        await store.store(make(pan_counts=1))
        await store.store(make(pan_counts=2), replace=True)
        await store.rename("gallery", "choir-wide", "choir")
        assert list(store.positions("gallery")) == ["choir"]
        assert [entry.position.framing.pan_counts for entry in await store.history("gallery", "choir")] == [2, 1]
        with pytest.raises(Refusal, match="no position choir-wide"):
            await store.history("gallery", "choir-wide")
        before = store.position("gallery", "choir")
    async with opened() as store:
        assert store.position("gallery", "choir") == before == make(name="choir", pan_counts=2)


async def test_a_rename_to_a_name_with_history_comes_after_that_history(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make(name="wide", pan_counts=1))
        await store.delete("gallery", "wide")
        await store.store(make(name="choir", pan_counts=2))
        await store.rename("gallery", "choir", "wide")
        history = await store.history("gallery", "wide")
        assert [(entry.number, entry.position.framing.pan_counts) for entry in history] == [(2, 2), (1, 1)]


async def test_a_rename_to_a_name_in_use_or_no_name_is_refused(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make(name="wide"))
        await store.store(make(name="soloist"))
        for new, code in (("soloist", "exists"), ("So/lo", "invalid")):
            with pytest.raises(Refusal) as refusal:
                await store.rename("gallery", "wide", new)
            assert refusal.value.code == code
        assert list(store.positions("gallery")) == ["soloist", "wide"]


@pytest.mark.parametrize("action", ["delete", "rename", "history", "revert"])
async def test_an_unknown_name_is_answered_with_the_nearest_one(
    opened: Opened, make: Callable[..., StoredPosition], action: str
) -> None:
    more = {"rename": ("new",), "revert": (1,)}.get(action, ())
    async with opened() as store:
        await store.store(make(name="soloist"))
        with pytest.raises(Refusal) as refusal:
            await getattr(store, action)("gallery", "solist", *more)
    assert refusal.value.code == "unknown"
    assert "did you mean soloist?" in refusal.value.sentence


async def test_positions_handed_out_cannot_be_changed(opened: Opened, make: Callable[..., StoredPosition]) -> None:
    async with opened() as store:
        await store.store(make())
        with pytest.raises(TypeError):
            store.positions("gallery")["other"] = make(name="other")  # type: ignore[index]
        held = store.positions("gallery")
        await store.store(make(name="soloist"))
        assert list(held) == ["choir-wide"]  # who holds a mapping is not surprised by a later one


async def test_locks_survive_a_restart(opened: Opened, calendar: Callable[[], datetime]) -> None:
    lock = Lock("Kim", "changing the lens", calendar())
    async with opened() as store:
        assert dict(store.locks()) == {}
        await store.set_lock("gallery", lock)
        await store.set_lock("left", replace(lock, reason="cable"))
    async with opened() as store:
        assert store.locks()["gallery"] == (lock,)
        await store.set_lock("left", replace(lock, reason="ladder"))
        assert [one.reason for one in store.locks_of("left")] == ["ladder"]
        await store.set_lock("left", replace(lock, by="Robin", since=lock.since - timedelta(hours=1)))
        await store.clear_lock("gallery", "Kim")
        await store.clear_lock("right", "Kim")  # was not locked
        await store.clear_lock("left", "Sam")  # nor by this one
        assert list(store.locks()) == ["left"]
    async with opened() as store:
        assert [(one.by, one.reason) for one in store.locks_of("left")] == [
            *(("Robin", "changing the lens"), ("Kim", "ladder"))
        ], "the oldest first"
        await store.clear_lock("left", "Kim")
    async with opened() as store:
        assert [one.by for one in store.locks_of("left")] == ["Robin"]


async def test_a_lock_with_half_a_character_is_refused(opened: Opened, calendar: Callable[[], datetime]) -> None:
    async with opened() as store:
        with pytest.raises(Refusal) as refusal:
            await store.set_lock("gallery", Lock("\ud83c", "", calendar()))
        assert refusal.value.code == "invalid"
        assert dict(store.locks()) == {}


async def test_memory_changes_only_once_the_disk_has_it(
    path: Path, calendar: Callable[[], datetime], make: Callable[..., StoredPosition]
) -> None:
    begin = threading.Event()

    async def slow(work: Callable[[], Kept]) -> Kept:
        def when_begun() -> Kept:
            begin.wait()
            return work()

        return await in_thread(when_begun)

    begin.set()
    async with PositionStore.open(path, calendar=calendar, run_disk=slow) as store:
        begin.clear()
        storing = asyncio.create_task(store.store(make()))
        await asyncio.sleep(0.02)
        assert dict(store.positions("gallery")) == {}
        begin.set()
        await storing
        assert list(store.positions("gallery")) == ["choir-wide"]


async def test_a_cancelled_store_that_had_begun_is_wholly_made(
    path: Path, calendar: Callable[[], datetime], make: Callable[..., StoredPosition]
) -> None:
    begun, go_on = threading.Event(), threading.Event()
    go_on.set()

    def held(work: Callable[[], Kept]) -> Kept:
        begun.set()
        go_on.wait()
        return work()

    async with PositionStore.open(
        path, calendar=calendar, run_disk=lambda work: in_thread(lambda: held(work))
    ) as store:
        begun.clear()
        go_on.clear()
        storing = asyncio.create_task(store.store(make()))
        while not begun.is_set():
            await asyncio.sleep(0.001)
        storing.cancel()
        with pytest.raises(asyncio.CancelledError):
            await storing
        go_on.set()
        await store.history("gallery", "choir-wide")  # disk work is done in order: the store came before this
        assert list(store.positions("gallery")) == ["choir-wide"]
    async with PositionStore.open(path, calendar=calendar) as store:
        assert list(store.positions("gallery")) == ["choir-wide"]


async def test_stores_at_the_same_time_are_all_kept(opened: Opened, make: Callable[..., StoredPosition]) -> None:
    async with opened() as store:
        async with asyncio.TaskGroup() as tasks:
            for number in range(20):
                tasks.create_task(store.store(make(name=f"shot-{number}")))
        assert len(store.positions("gallery")) == 20
    async with opened() as store:
        assert len(store.positions("gallery")) == 20


async def test_of_two_stores_of_one_name_at_the_same_time_one_is_refused(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        outcomes = await asyncio.gather(
            store.store(make(pan_counts=1)), store.store(make(pan_counts=2)), return_exceptions=True
        )
        assert [getattr(outcome, "code", None) for outcome in outcomes] == [None, "exists"]
        assert store.positions("gallery")["choir-wide"].framing.pan_counts == 1


async def test_where_a_show_stands_in_its_cues_is_there_after_a_restart(opened: Opened) -> None:
    stood = CuePlace(Decimal("12.5"), None, held=True, on_air=frozenset({"gallery", "left"}))
    async with opened() as store:
        assert store.cue_place("evening") is None
        await store.set_cue_place("evening", CuePlace(Decimal(12), Decimal("12.5")))
        await store.set_cue_place("evening", stood)
        await store.set_cue_place("matinee", CuePlace(None, Decimal(1)))
        assert store.cue_place("evening") == stood
    async with opened() as store:
        assert store.cue_place("evening") == stood
        assert store.cue_place("matinee") == CuePlace(None, Decimal(1))


async def test_the_place_of_a_show_without_a_name_is_not_kept(opened: Opened) -> None:
    async with opened() as store:
        with pytest.raises(Refusal) as refusal:
            await store.set_cue_place("The Evening", CuePlace())
        assert refusal.value.code == "invalid"


async def test_numbers_in_names_stand_in_the_order_in_which_people_count(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    counted = ["1", "02", "2", "3", "10", "choir", "verse-2", "verse-2-close", "verse-10"]
    async with opened() as store:
        for name in sorted(counted):
            await store.store(make(name=name))
        assert list(store.positions("gallery")) == list(store.arranged("gallery")) == counted
    async with opened() as store:
        assert list(store.arranged("gallery")) == counted


async def test_an_order_holds_over_a_restart_a_new_name_and_a_deletion(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        for name in ("beams", "choir-wide", "house", "soloist"):
            await store.store(make(name=name))
        await store.arrange("gallery", ["soloist", "house", "soloist"])
        await store.rename("gallery", "house", "audience")
    async with opened() as store:
        assert list(store.arranged("gallery")) == ["soloist", "audience", "beams", "choir-wide"]
        await store.delete("gallery", "soloist")
        assert list(store.arranged("gallery")) == ["audience", "beams", "choir-wide"]
        await store.revert("gallery", "soloist", 1)
        assert list(store.arranged("gallery")) == ["soloist", "audience", "beams", "choir-wide"]
        with pytest.raises(Refusal, match="no position solist: did you mean soloist"):
            await store.arrange("gallery", ["solist"])
        assert next(iter(store.arranged("gallery"))) == "soloist"
        await store.rename("gallery", "soloist", "tenor")
        assert next(iter(store.arranged("gallery"))) == "tenor", "it keeps its place"


async def test_positions_that_were_corrected_together_come_back_together(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    wide, solo, other = make(provisional=True), make(name="soloist", note="gently"), make(name="piano")
    async with opened() as store:
        for each in (wide, solo, other):
            await store.store(each)
        turned = {each: replace(make(name=each.name, pan_counts=99), note=each.note) for each in (wide, solo)}
        await store.correct(turned)
        await store.rename("gallery", "soloist", "solo")
    async with opened() as store:
        assert [each.framing.pan_counts for each in store.positions("gallery").values()] == [99, 26, 99]
        assert not store.known("gallery", "choir-wide").provisional
        assert [entry.number for entry in await store.history("gallery", "choir-wide")] == [2, 1]
        assert await store.uncorrect("gallery") == ["choir-wide", "solo"]
        assert store.known("gallery", "choir-wide") == replace(
            wide, stored_at=store.known("gallery", "choir-wide").stored_at
        )
        assert store.known("gallery", "solo").framing == solo.framing
        assert len(await store.history("gallery", "solo")) == 3, "what was corrected stays in history"
        with pytest.raises(Refusal, match="no alignment of camera gallery to take back"):
            await store.uncorrect("gallery")


async def test_what_changed_meanwhile_is_named_and_nothing_is_corrected_or_taken_back(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    wide, solo = make(), make(name="soloist")
    turned = {each: make(name=each.name, pan_counts=99) for each in (wide, solo)}
    async with opened() as store:
        await store.store(wide)
        await store.store(make(name="soloist", pan_counts=7))
        with pytest.raises(Refusal) as refusal:
            await store.correct(turned)
        assert (refusal.value.code, store.known("gallery", "choir-wide")) == ("changed", wide)
        assert refusal.value.sentence.startswith("soloist changed meanwhile")
        await store.store(solo, replace=True)
        await store.correct(turned)
        for change in (store.store(make(pan_counts=5), replace=True), store.delete("gallery", "choir-wide")):
            await change
            with pytest.raises(Refusal) as refusal:
                await store.uncorrect("gallery")
            assert refusal.value.code == "changed"
            assert "choir-wide of camera gallery changed" in refusal.value.sentence
            assert store.known("gallery", "soloist").framing.pan_counts == 99


async def test_what_memories_hold_is_known_after_a_restart(opened: Opened, make: Callable[..., StoredPosition]) -> None:
    wide, solo = content_of(make()), content_of(make(pan_counts=300))
    async with opened() as store:
        for number, content in ((0, wide), (1, wide), (2, solo)):
            await store.keep_memory("gallery", number, content)
        await store.keep_memory("gallery", 1, None)
    async with opened() as store:
        assert dict(store.memories("gallery")) == {0: wide, 2: solo}
        assert dict(store.memories("left")) == {}


async def test_a_picture_of_a_position_that_is_another_by_now_is_not_kept(
    opened: Opened, make: Callable[..., StoredPosition]
) -> None:
    async with opened() as store:
        await store.store(make())
        assert await store.keep_still(make(), b"of it")
        await store.store(make(pan_counts=300), replace=True)
        assert not await store.keep_still(make(), b"of what it was")
        assert await store.still("gallery", "choir-wide") is None
