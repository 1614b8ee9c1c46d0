"""The stage plan: where cameras and people will stand, and which shots are wanted, before anything hangs.

    [plan]
    name = "granary-evening"
    aperture = 5.6                  # the f-number, for the depth of field

    [camera.gallery]                # a camera of the configuration
    place_m = [0.0, -14.0, 4.2]     # metres to the right, ahead and up, of the lens
    facing_deg = 0.0                # which way it looks at pan 0: degrees to the right of straight ahead

    [mark.soloist]
    place_m = [1.6, 1.4]            # to the right and ahead
    floor_m = 0.6                   # how high the floor is that they stand on
    size = "medium"                 # how a person there is to be seen; or width_m = 7.0, for a group

    [[shot]]
    camera = "gallery"
    mark = "soloist"
    position = "soloist"            # under this name; size, width_m and look_m go before the mark's own

The plan's own "ahead" is wherever its author likes, so long as it is the same for all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from ptzd.likely import did_you_mean

from .limits import Label, Name
from .textfile import Complaint, Table, read_file
from .textlines import KeyPath

FARTHEST_M = 1000.0
USUAL_CIRCLE_MM = 0.03  # how large a disc still looks like a point, on full frame (common practice)

Metres = Annotated[float, Field(ge=-FARTHEST_M, le=FARTHEST_M, allow_inf_nan=False)]


class PlanHead(Table):
    """What the plan is of, and what all of its cameras share."""

    name: Name = Field(description="a short name in quotes", examples=["granary-evening"])
    label: Label = ""
    aperture: float | None = Field(
        default=None, ge=0.5, le=64, description="an f-number from 0.5 to 64, for the depth of field", examples=[5.6]
    )
    circle_mm: float = Field(
        default=USUAL_CIRCLE_MM,
        gt=0,
        le=1,
        description="how large a disc on the sensor still looks like a point, in mm, above 0 and at most 1",
        examples=[USUAL_CIRCLE_MM],
    )


class CameraPlace(Table):
    """Where a camera will stand or hang, and which way."""

    place_m: tuple[Metres, Metres, Metres] = Field(
        strict=False,
        description="where its lens is, in metres: to the right, ahead and up",
        examples=[[0.0, -14.0, 4.2]],
    )
    facing_deg: float = Field(
        default=0.0,
        ge=-360,
        le=360,
        description="which way it looks at pan 0, in degrees to the right of straight ahead, -360 to 360",
    )
    aperture: float | None = Field(default=None, ge=0.5, le=64, description="an f-number from 0.5 to 64")


class _Seen(Table):
    """How something is to be seen; one of `size` and `width_m`."""

    size: Literal["full", "medium", "medium-close", "close"] | None = Field(
        default=None, description='how a person fills the picture: "full", "medium", "medium-close" or "close"'
    )
    width_m: float | None = Field(
        default=None,
        gt=0,
        le=FARTHEST_M,
        description="how wide the picture is there, in metres, above 0",
        examples=[7.0],
    )
    look_m: float | None = Field(
        default=None,
        ge=-FARTHEST_M,
        le=FARTHEST_M,
        description="how high above the floor what is in the middle of the picture is, in metres",
        examples=[1.6],
    )


class Mark(_Seen):
    """Where somebody will stand."""

    place_m: tuple[Metres, Metres] = Field(
        strict=False, description="where it is, in metres: to the right and ahead", examples=[[1.6, 1.4]]
    )
    floor_m: Metres = Field(default=0.0, description="how high the floor is there, in metres")
    label: Label = ""


class WantedShot(_Seen):
    """One shot that is wanted, under `[[shot]]`."""

    camera: Name = Field(description="the name of a camera of the plan", examples=["gallery"])
    mark: Name = Field(description="the name of a mark of the plan", examples=["soloist"])
    position: Name = Field(description="the name that it is to be stored under", examples=["soloist"])


class StagePlan(Table):
    """The whole file."""

    plan: PlanHead = Field(description="a table [plan] with a name in it")
    camera: dict[Name, CameraPlace] = Field(min_length=1, description="tables named [camera.NAME]")
    mark: dict[Name, Mark] = Field(min_length=1, description="tables named [mark.NAME]")
    shot: tuple[WantedShot, ...] = Field(min_length=1, strict=False, description="at least one table [[shot]]")

    def seen(self, shot: WantedShot) -> tuple[str | None, float | None, float | None]:
        """Return size, width and looking height of a shot: its own, or those of its mark."""
        mark = self.mark[shot.mark]
        own = shot.size is not None or shot.width_m is not None
        size, width_m = (shot.size, shot.width_m) if own else (mark.size, mark.width_m)
        return size, width_m, mark.look_m if shot.look_m is None else shot.look_m


def read_stage_plan(path: Path) -> StagePlan:
    """Return the plan in a file. Raises TextFileError with every mistake in it."""
    return read_file(path, StagePlan, _across)


def _across(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    """What no field can see by itself, in tables of which nothing is known yet."""
    cameras, marks = (_tables(raw, what) for what in ("camera", "mark"))
    for name, mark in marks.items():
        yield from _both(("mark", name), mark)
    shots = raw.get("shot")
    first_of: set[tuple[str, str]] = set()
    for index, shot in enumerate(shots if isinstance(shots, list) else ()):
        if not isinstance(shot, dict):
            continue
        path: KeyPath = ("shot", index)
        for what, known in (("camera", cameras), ("mark", marks)):
            wanted = shot.get(what)
            if isinstance(wanted, str) and known and wanted not in known:
                near = did_you_mean(wanted, sorted(known))
                yield Complaint((*path, what), f"there is no {what} {wanted} in the plan; {near}")
        yield from _both(path, shot)
        at = marks.get(str(shot.get("mark")))
        if at is not None and not any(key in table for table in (shot, at) for key in ("size", "width_m")):
            yield Complaint(
                path, 'it is not said how large it is to be seen; write size = "medium" or width_m = 4.0, here or there'
            )
        camera, position = shot.get("camera"), shot.get("position")
        if isinstance(camera, str) and isinstance(position, str):
            if (camera, position) in first_of:
                yield Complaint(
                    (*path, "position"),
                    f"camera {camera} has a shot {position} already; give one of the two another name",
                )
            first_of.add((camera, position))


def _both(path: KeyPath, table: Mapping[str, Any]) -> Iterator[Complaint]:
    if "size" in table and "width_m" in table:
        yield Complaint((*path, "width_m"), "size is given too; keep one of the two, the other follows from it")


def _tables(raw: Mapping[str, Any], what: str) -> dict[str, Mapping[str, Any]]:
    tables = raw.get(what)
    return {name: one for name, one in tables.items() if isinstance(one, dict)} if isinstance(tables, dict) else {}
