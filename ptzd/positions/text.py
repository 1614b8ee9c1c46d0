"""A show's positions as one text that people can read, keep, compare and edit."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

import tomlkit
from pydantic import AfterValidator, Field

from ptzd.files import LONGEST_NOTE, Complaint, Name, Seconds, Speed, Table, read_text
from ptzd.line import FocusMode, Framing
from ptzd.pictures import LARGEST_STILL_BYTES, opened

from .position import LEAST_ANGLE_COUNTS, LONGEST_SCALES, MOST_ANGLE_COUNTS, MOST_LENS_COUNTS, StoredPosition, in_utc

IMPORT_WITH_REPLACE = "import with replace"  # what helps, in the words of a message
_HEADING = "# A show's stored positions. Read it back in with `ptzd positions import FILE`."

_ANGLE = f"a whole number of counts, {LEAST_ANGLE_COUNTS} to {MOST_ANGLE_COUNTS}"
_LENS = f"a whole number of counts, 0 to {MOST_LENS_COUNTS}"


class PositionTable(Table):
    """One position as it is written in a show's text, under `[positions.CAMERA.NAME]`."""

    pan_counts: int = Field(ge=LEAST_ANGLE_COUNTS, le=MOST_ANGLE_COUNTS, description=_ANGLE)
    tilt_counts: int = Field(ge=LEAST_ANGLE_COUNTS, le=MOST_ANGLE_COUNTS, description=_ANGLE)
    zoom_counts: int = Field(ge=0, le=MOST_LENS_COUNTS, description=_LENS)
    focus_counts: int = Field(ge=0, le=MOST_LENS_COUNTS, description=_LENS)
    focus_mode: FocusMode = Field(description='"auto" or "manual"')
    dialect: str = Field(
        min_length=1, description="the name of the scale that the counts are in", examples=["nibble4-51"]
    )
    scales: str | None = Field(
        default=None,
        min_length=1,
        max_length=LONGEST_SCALES,
        description="the figures of that scale, as they were exported, or nothing to trust its name",
    )
    speed: Speed = None
    seconds: Seconds = None
    note: str = Field(default="", max_length=LONGEST_NOTE, description=f"a text of at most {LONGEST_NOTE} characters")
    provisional: bool = Field(
        default=False, description="true where it was reckoned and not framed, as `ptzd aim` does it, else false"
    )
    stored_at: Annotated[datetime, AfterValidator(in_utc)] | None = Field(
        default=None, description="a date and time with its offset, written as 2031-05-24T19:30:00Z without quotes"
    )

    def position(self, camera: str, name: str, now: datetime) -> StoredPosition:
        """Return what this table says of `name`; a table without a date was stored `now`."""
        return StoredPosition(
            camera=camera,
            name=name,
            framing=Framing(self.pan_counts, self.tilt_counts, self.zoom_counts, self.focus_counts, self.focus_mode),
            dialect=self.dialect,
            speed=self.speed,
            seconds=self.seconds,
            note=self.note,
            stored_at=self.stored_at or now,
            scales=self.scales,
            provisional=self.provisional,
        )


def _checked_still(text: str) -> str:
    try:
        jpeg = base64.b64decode("".join(text.split()), validate=True)
    except ValueError:
        raise ValueError("this is no still: it must be a JPEG in base64, as an export writes it") from None
    if len(jpeg) > LARGEST_STILL_BYTES:
        raise ValueError(f"this still is larger than {LARGEST_STILL_BYTES // 1000} kB: leave it out")
    opened(jpeg)  # raises ValueError where it is none
    return text


class ShowText(Table):
    """A show's text as a whole."""

    positions: dict[Name, dict[Name, PositionTable]] = Field(
        default_factory=dict, description="tables named [positions.CAMERA.NAME]"
    )
    stills: dict[Name, dict[Name, Annotated[str, AfterValidator(_checked_still)]]] = Field(
        default_factory=dict, description="tables named [stills.CAMERA], with a line for each position that has one"
    )


def written_show(positions: Iterable[StoredPosition]) -> str:
    """Return the text that `read_show` reads back as exactly these positions."""
    lines = [_HEADING]
    for position in positions:
        lines += ["", f"[positions.{position.camera}.{position.name}]"]
        lines += [f"{key} = {tomlkit.item(value).as_string()}" for key, value in _written(position).items()]
    return "\n".join(lines) + "\n"


def _written(position: StoredPosition) -> dict[str, Any]:
    """What stands in a position's table; what is not given is left out."""
    said = asdict(position) | asdict(position.framing)
    return {key: said[key] for key, field in PositionTable.model_fields.items() if said[key] != field.default}


def written_stills(kept: Iterable[tuple[StoredPosition, bytes]]) -> str:
    """Return what is to follow the positions of a text so that `read_show_and_stills` reads these stills with them."""
    lines: list[str] = []
    camera = None
    for position, jpeg in kept:
        if position.camera != camera:
            camera = position.camera
            lines += ["", f"[stills.{camera}]"]
        lines.append(f'{position.name} = "{base64.b64encode(jpeg).decode()}"')
    return "".join(f"{line}\n" for line in lines)


def read_show(
    text: str, now: datetime, stored: Callable[[str, str], StoredPosition | None], *, replace: bool
) -> list[StoredPosition]:
    """Return the positions in a text, as `read_show_and_stills` does."""
    return read_show_and_stills(text, now, stored, replace=replace)[0]


def read_show_and_stills(
    text: str, now: datetime, stored: Callable[[str, str], StoredPosition | None], *, replace: bool
) -> tuple[list[StoredPosition], dict[tuple[str, str], bytes]]:
    """Return the positions in a text, and the stills of some by camera and name; those without a date are stored `now`.

    Unless `replace`, a position that is `stored` already and differs is a mistake. Raises TextFileError with all.
    """

    def check(raw: Mapping[str, Any]) -> Iterator[Complaint]:
        for camera, name, table in _each(raw, "positions"):
            if not isinstance(table, dict):
                continue
            path = ("positions", camera, name)
            if "speed" in table and "seconds" in table:
                yield Complaint(path, "speed and seconds are both given; keep one, the other follows from it")
            there = stored(camera, name)
            if there is not None and not replace and not _may_say(table, there):
                yield Complaint(
                    path, f"a position of this name is stored already and differs; {IMPORT_WITH_REPLACE}, or rename one"
                )
        there_are = {(camera, name) for camera, name, _ in _each(raw, "positions")}
        for camera, name, _ in _each(raw, "stills"):
            if (camera, name) not in there_are:
                yield Complaint(("stills", camera, name), "there is no position of this name in the text; leave it out")

    show = read_text(text, ShowText, check)
    positions = []
    for camera, tables in show.positions.items():
        for name, table in tables.items():
            there = stored(camera, name)
            if there is None or not _says(table, there):
                there = table.position(camera, name, now)
            positions.append(there)
    stills = {
        (camera, name): base64.b64decode("".join(still.split()))
        for camera, those in show.stills.items()
        for name, still in those.items()
    }
    return positions, stills


def _each(raw: Mapping[str, Any], what: str) -> Iterator[tuple[str, str, Any]]:
    """Everything that has a camera and a name, in a text of which nothing is known yet."""
    cameras = raw.get(what)
    for camera, named in cameras.items() if isinstance(cameras, dict) else ():
        for name, one in named.items() if isinstance(named, dict) else ():
            yield camera, name, one


def _may_say(table: Mapping[str, Any], there: StoredPosition) -> bool:
    try:
        return _says(PositionTable.model_validate(table), there)
    except ValueError:  # what is wrong with the table is told elsewhere
        return False


def _says(table: PositionTable, there: StoredPosition) -> bool:
    """Whether a table says what is stored; one without a date says nothing of the date."""
    return table.position(there.camera, there.name, there.stored_at) == there
