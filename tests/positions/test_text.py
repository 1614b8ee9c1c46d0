"""A show's text holds its positions exactly, and a text with mistakes changes nothing."""

from __future__ import annotations

import asyncio
import base64
import tempfile
import tomllib
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from ptzd.files import Mistake, TextFileError
from ptzd.line import Framing
from ptzd.positions import PositionStore, StoredPosition, inline
from ptzd.positions.text import written_show
from ptzd.refusal import Refusal

names = st.from_regex(r"[a-z0-9][a-z0-9-]{0,31}", fullmatch=True)
angles = st.integers(-0x80000, 0x7FFFF)
lenses = st.integers(0, 0xFFFF)
speeds = st.one_of(
    st.just((None, None)),
    st.tuples(st.integers(1, 24), st.none()),
    st.tuples(st.none(), st.floats(0, 600, exclude_min=True)),
)
# Every character there is, but for halves of one; quotes, backslashes and controls more often.
notes = st.text(
    st.one_of(st.characters(exclude_categories=["Cs"]), st.sampled_from("\"'\\\n\r\t\0\x7f#=[]")), max_size=60
)


@st.composite
def positions(draw: st.DrawFn) -> StoredPosition:
    speed, seconds = draw(speeds)
    return StoredPosition(
        camera=draw(names),
        name=draw(names),
        framing=Framing(
            draw(angles), draw(angles), draw(lenses), draw(lenses), draw(st.sampled_from(["auto", "manual"]))
        ),
        dialect=draw(st.one_of(st.just("nibble4-51"), notes.filter(bool))),
        speed=speed,
        seconds=seconds,
        note=draw(notes),
        stored_at=draw(st.datetimes(timezones=st.just(UTC))),
        scales=draw(st.none() | notes.filter(bool)),
    )


shows = st.lists(positions(), max_size=8, unique_by=lambda position: (position.camera, position.name))


@settings(max_examples=60, deadline=None)
@given(shows)
def test_an_export_read_back_is_the_same_show(show: list[StoredPosition]) -> None:
    async def there_and_back() -> None:
        with tempfile.TemporaryDirectory() as folder:
            async with PositionStore.open(Path(folder, "a.db"), calendar=never, run_disk=inline) as store:
                for position in show:
                    await store.store(position)
                text = await store.export()
            async with PositionStore.open(Path(folder, "b.db"), calendar=never_mind, run_disk=inline) as store:
                assert (await store.import_(text)).added == len(show)
                for position in show:
                    assert store.position(position.camera, position.name) == position
                assert await store.export() == text
            async with PositionStore.open(Path(folder, "b.db"), calendar=never_mind, run_disk=inline) as store:
                assert await store.export() == text  # also from the disk

    asyncio.run(there_and_back())


def never() -> datetime:
    raise AssertionError("nothing here has to know the date")


def never_mind() -> datetime:
    return datetime(2000, 1, 1, tzinfo=UTC)


TEXT = """\
# Written by hand.
[positions.gallery.choir-wide]
pan_counts = 26
tilt_counts = -420
zoom_counts = 0x1781
focus_counts = 0x2000
focus_mode = "manual"
dialect = "nibble4-51"

[positions.left.soloist]
pan_counts = 1700
tilt_counts = 169
zoom_counts = 11187
focus_counts = 12800
focus_mode = "auto"
dialect = "nibble4-51"
seconds = 4
stored_at = 2031-05-24T21:30:00+02:00
"""


@pytest.fixture
async def store(tmp_path: Path, calendar: Callable[[], datetime]) -> AsyncIterator[PositionStore]:
    async with PositionStore.open(tmp_path / "granary.db", calendar=calendar, run_disk=inline) as store:
        yield store


async def test_a_text_written_by_hand_is_taken(store: PositionStore) -> None:
    done = await store.import_(TEXT)
    assert (done.added, done.replaced, done.unchanged) == (2, 0, 0)
    wide, solo = store.position("gallery", "choir-wide"), store.position("left", "soloist")
    assert wide is not None and solo is not None
    assert wide.framing == Framing(26, -420, 0x1781, 0x2000, "manual")
    assert wide.stored_at == datetime(2031, 5, 24, 19, 31, tzinfo=UTC)  # none given: the moment of the import
    assert (solo.seconds, solo.speed) == (4.0, None)
    assert solo.stored_at == datetime(2031, 5, 24, 19, 30, tzinfo=UTC)


async def test_the_same_text_again_changes_nothing(store: PositionStore) -> None:
    await store.import_(TEXT)
    done = await store.import_(TEXT)
    assert (done.added, done.replaced, done.unchanged) == (0, 0, 2)
    assert len(await store.history("gallery", "choir-wide")) == 1


def mistakes_of(refusal: Refusal) -> tuple[Mistake, ...]:
    assert isinstance(refusal.__cause__, TextFileError)
    return refusal.__cause__.mistakes


async def test_a_position_that_differs_needs_replace_and_is_kept_in_history(store: PositionStore) -> None:
    await store.import_(TEXT)
    changed = TEXT.replace("pan_counts = 26", "pan_counts = 27")
    with pytest.raises(Refusal) as refusal:
        await store.import_(changed)
    (mistake,) = mistakes_of(refusal.value)
    assert (mistake.line, mistake.field) == (2, "positions.gallery.choir-wide")
    assert "replace" in mistake.sentence
    done = await store.import_(changed, replace=True)
    assert (done.added, done.replaced, done.unchanged) == (0, 1, 1)
    assert [entry.position.framing.pan_counts for entry in await store.history("gallery", "choir-wide")] == [27, 26]


async def test_all_mistakes_are_told_with_their_lines_and_nothing_is_imported(store: PositionStore) -> None:
    wrong = (
        TEXT.replace("pan_counts = 26", "pan_counts = 999999")
        .replace('focus_mode = "manual"', 'focus_mode = "by hand"')
        .replace("zoom_counts = 11187", "zoom = 11187")
        .replace("seconds = 4", "seconds = 4\nspeed = 25")
        .replace("stored_at = 2031-05-24T21:30:00+02:00", "stored_at = 2031-05-24T21:30:00")
        + "[positions.left.Tutti]\npan_counts = 0\ntilt_counts = 0\nzoom_counts = 0\nfocus_counts = 0\n"
        'focus_mode = "auto"\ndialect = "nibble4-51"\n'
    )
    with pytest.raises(Refusal) as refusal:
        await store.import_(wrong)
    assert refusal.value.code == "invalid"
    assert {(mistake.line, mistake.field) for mistake in mistakes_of(refusal.value)} == {
        (3, "positions.gallery.choir-wide.pan_counts"),
        (7, "positions.gallery.choir-wide.focus_mode"),
        (10, "positions.left.soloist"),  # speed and seconds
        (10, "positions.left.soloist.zoom_counts"),  # missing
        (13, "positions.left.soloist.zoom"),
        (18, "positions.left.soloist.speed"),
        (19, "positions.left.soloist.stored_at"),
        (20, "positions.left.Tutti"),
    }
    for mistake in mistakes_of(refusal.value):
        assert str(mistake) in refusal.value.sentence
    assert await store.export() == "# A show's stored positions. Read it back in with `ptzd positions import FILE`.\n"


@pytest.mark.parametrize(
    "text",
    [
        "positions = 3",
        "positions.gallery = []",
        'positions.gallery.wide = "x"',
        "[positions.gallery",
        "[show]\na = 1\n",
    ],
)
async def test_what_is_no_show_is_refused(store: PositionStore, text: str) -> None:
    with pytest.raises(Refusal) as refusal:
        await store.import_(text)
    assert refusal.value.code == "invalid"
    assert mistakes_of(refusal.value)[0].line == 1


async def test_an_export_is_plain_to_read(store: PositionStore, make: Callable[..., StoredPosition]) -> None:
    await store.store(make(note='the "wide"', seconds=2.5))
    text = await store.export()
    assert "[positions.gallery.choir-wide]\npan_counts = 26\ntilt_counts = -420\n" in text
    assert tomllib.loads(text)["positions"]["gallery"]["choir-wide"] == {
        "pan_counts": 26,
        "tilt_counts": -420,
        "zoom_counts": 0x1781,
        "focus_counts": 0x2000,
        "focus_mode": "manual",
        "dialect": "nibble4-51",
        "seconds": 2.5,
        "note": 'the "wide"',
        "stored_at": datetime(2031, 5, 24, 19, 30, tzinfo=UTC),
    }


def jpeg() -> bytes:
    out = BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG")
    return out.getvalue()


@pytest.mark.parametrize(
    ("still", "says"),
    [
        (b"no picture", "no JPEG"),
        (jpeg() + bytes(400_000), "larger than 400 kB"),
        (b"", "no JPEG"),
    ],
)
async def test_a_still_that_is_none_is_refused_and_nothing_is_imported(
    store: PositionStore, make: Callable[..., StoredPosition], still: bytes, says: str
) -> None:
    text = written_show([make()]) + f'[stills.gallery]\nchoir-wide = "{base64.b64encode(still).decode()}"\n'
    with pytest.raises(Refusal) as refusal:
        await store.import_(text)
    assert says in mistakes_of(refusal.value)[0].sentence
    assert not store.positions("gallery")
