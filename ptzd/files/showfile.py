"""The show file: the director's running order as a text that people write.

    [show]
    name = "granary-evening"
    start = { left = "choir-wide", right = "piano" }   # where the cameras stand as the show begins

    [[cue]]
    number = 12.5
    label = "Second verse"
    after = 20.0              # seconds after the cue before; or at = "0:12:30", or on_call = true with expected = 25.0
    take = "left"             # goes on air; without it, the camera on air stays
    [[cue.move]]
    camera = "right"
    position = "hands"

What a move's `on_air` means:

- false: the camera is to stand there, still, when this cue comes. The move leaves at **standby**, which follows at
  once upon the cue before (for the first cue, upon the start of the show), or `-earliest` seconds before the cue is
  expected: that is a time after the cue before, since nobody knows ahead when a cue will be called.
- true: people may see the move. It leaves at **go**, with the cue itself, or `earliest` seconds after it.

The time into the show counts from 0, its start. A `label` is for people, a `number` for both.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, ConfigDict, Field

from ptzd.likely import did_you_mean
from ptzd.names import NAME_PATTERN

from .limits import Label, Name, Seconds, Speed
from .textfile import Complaint, Table, read_file, read_tables, read_text
from .textlines import KeyPath

LONGEST_SHOW_SECONDS = 86_400.0
HIGHEST_NUMBER = 99_999  # of three decimals: room for 999 cues between two whole numbers
_CLOCK = r"(?:(\d{1,2}):)?([0-5]?\d):([0-5]\d(?:\.\d{1,3})?)"
_CLOCK_WORDS = "a time into the show in quotes, hours:minutes:seconds"

Positions = Mapping[str, Iterable[str] | None]  # each camera's position names; None where nobody knows them


def _rounded(value: float) -> float:
    return round(value, 3)


def _clock(text: str) -> str:
    seconds_of_clock(text)
    return text


Number = Annotated[float, AfterValidator(_rounded)]
FromCue = Annotated[float, Field(ge=-LONGEST_SHOW_SECONDS, le=LONGEST_SHOW_SECONDS, allow_inf_nan=False)]
Gap = Annotated[float, Field(ge=0, le=LONGEST_SHOW_SECONDS, allow_inf_nan=False)]
_SPAN = f"seconds, 0 to {LONGEST_SHOW_SECONDS:.0f}"


class CueMove(Table):
    """One move that belongs to a cue. Without speed and seconds it goes as a recall of the position would."""

    camera: Name = Field(description="a camera's name in quotes", examples=["left"])
    position: Name = Field(description="a stored position's name in quotes", examples=["choir-wide"])
    speed: Speed = None
    seconds: Seconds = None
    on_air: bool = Field(
        default=False, description="true where the move may be seen and leaves with the cue, else false"
    )
    earliest: FromCue | None = Field(
        default=None,
        description="the seconds from the cue before which it does not leave: below 0 off air, 0 or more on air",
    )
    latest: FromCue | None = Field(
        default=None,
        description="the seconds from the cue by which it must have settled: at most 0 off air, more than 0 on air",
    )
    spare: bool = Field(
        default=False, description="true where nobody means to take this framing: it may be given up unseen"
    )

    def delay_seconds(self, gap_seconds: float) -> float:
        """Return how long it waits: on air after its own cue, off air after the cue before, `gap_seconds` earlier."""
        if self.on_air:
            return self.earliest or 0.0
        # Nobody knows ahead when a cue on call will come, only how long after the one before it is expected.
        return 0.0 if self.earliest is None else max(0.0, gap_seconds + self.earliest)


class Cue(Table):
    """One cue, under `[[cue]]`."""

    model_config = ConfigDict(
        json_schema_extra={  # JSON Schema's way of saying: exactly one of the three
            "oneOf": [{"required": ["at"]}, {"required": ["after"]}, {"required": ["on_call", "expected"]}]
        }
    )

    number: Number = Field(
        ge=0,
        le=HIGHEST_NUMBER,
        allow_inf_nan=False,
        description=f"a number with up to three decimals, 0 to {HIGHEST_NUMBER}",
        examples=[12.5],
    )
    label: Label = ""
    at: Annotated[str, AfterValidator(_clock)] | None = Field(
        default=None,
        description=_CLOCK_WORDS,
        examples=["0:12:30"],
        json_schema_extra={"pattern": f"^{_CLOCK}$"},
    )
    after: Gap | None = Field(
        default=None,
        description=f"the time after the cue before in {_SPAN}",
        examples=[20.0],
    )
    on_call: Literal[True] | None = Field(
        default=None, description="true where somebody calls the cue, with its expected gap beside it"
    )
    expected: Gap | None = Field(
        default=None,
        description=f"the gap expected before a cue on call in {_SPAN}",
        examples=[25.0],
    )
    take: Name | None = Field(default=None, description="the name of the camera that goes on air", examples=["left"])
    switch_on: tuple[Name, ...] = Field(
        default=(),
        strict=False,
        description='a list of cameras that are switched on, and sweep their whole range, such as ["left"]',
    )
    move: tuple[CueMove, ...] = Field(default=(), strict=False, description="tables named [[cue.move]]")


class ShowHead(Table):
    """What the show is, and where its cameras stand as it begins."""

    name: Name = Field(description="a short name in quotes", examples=["granary-evening"])
    label: Label = ""
    on_air: Name | None = Field(
        default=None, description="the name of the camera that is on air as the show begins", examples=["gallery"]
    )
    start: dict[Name, Name] = Field(
        default_factory=dict,
        description='the position that each camera stands in as the show begins, such as { left = "choir-wide" }',
        json_schema_extra={"propertyNames": {"pattern": NAME_PATTERN}},
    )


class ShowFile(Table):
    """The whole file."""

    show: ShowHead = Field(description="a table [show] with a name in it")
    cue: tuple[Cue, ...] = Field(min_length=1, strict=False, description="at least one table [[cue]]")

    def cue_index(self, number: float) -> int:
        """Return the place of a cue, from 0. Raises ValueError, with the nearest numbers, where there is none."""
        for index, cue in enumerate(self.cue):
            if abs(cue.number - number) < 0.0005:
                return index
        near = sorted(self.cue, key=lambda cue: abs(cue.number - number))[:2]
        around = " and ".join(number_text(cue.number) for cue in sorted(near, key=lambda cue: cue.number))
        raise ValueError(f"there is no cue {number_text(number)}; the nearest there are {around}")


@dataclass(frozen=True, slots=True)
class CueTime:
    """When a cue is expected: seconds into the show, and after the cue before (or the start of the show)."""

    at_seconds: float
    gap_seconds: float
    on_call: bool
    fixed: bool  # a time into the show, which does not move with the cues before it


def cue_times(show: ShowFile) -> tuple[CueTime, ...]:
    """Return the expected time of each cue, in order."""
    times: list[CueTime] = []
    for cue in show.cue:
        times.append(cue_time(cue, times[-1].at_seconds if times else 0.0))
    return tuple(times)


def cue_time(cue: Cue, before: float) -> CueTime:
    """Return the expected time of a cue, where the one before it comes `before` seconds into the show."""
    gap = cue.expected if cue.on_call else cue.after
    at = seconds_of_clock(cue.at) if cue.at is not None else before + (gap or 0.0)
    return CueTime(at, at - before, cue.on_call is True, cue.at is not None)


def read_show_file(path: Path, known: Positions | None = None) -> ShowFile:
    """Read a show file; with `known`, each camera and position must be among those. Raises TextFileError with all."""
    return read_file(path, ShowFile, lambda raw: _across(raw, known))


def read_show_text(text: str, known: Positions | None = None) -> ShowFile:
    """Read a show's text as `read_show_file` reads a file."""
    return read_text(text, ShowFile, lambda raw: _across(raw, known))


def cue_of(table: Mapping[str, Any]) -> Cue:
    """Return the cue in a table as the file has it. Raises TextFileError."""
    show = {"show": {"name": "show"}, "cue": [table]}
    return read_tables(show, ShowFile, lambda raw: _across(raw, None)).cue[0]


def show_with(show: ShowFile, cue: Cue) -> ShowFile:
    """Return a show with a cue at the place of its number, in place of the one that has it. Raises TextFileError."""
    cues = sorted([*(each for each in show.cue if each.number != cue.number), cue], key=lambda each: each.number)
    tables = show.model_copy(update={"cue": tuple(cues)}).model_dump(mode="json", exclude_unset=True)
    return read_tables(tables, ShowFile, lambda raw: _across(raw, None))


def unknown_names(show: ShowFile, known: Positions) -> Iterator[tuple[int | None, str]]:
    """Yield each camera and position of a show that is not among those known: the place of its cue, and a sentence.

    The place is None where the show names it outside of its cues.
    """
    for complaint in _across(show.model_dump(mode="json", exclude_unset=True), known):
        place = complaint.path[1] if complaint.path[0] == "cue" else None
        yield (place if isinstance(place, int) else None), complaint.sentence


def with_cues(show: ShowFile, tables: Mapping[int, Mapping[str, Any]]) -> ShowFile:
    """Return a show with some of its cues read anew, by their places. Raises ValueError where one is not valid.

    When cues come is not looked at.
    """
    cues = list(show.cue)
    for index, table in tables.items():
        cues[index] = Cue.model_validate(table)
        for complaint in _moves_mistakes(("cue", index), table, _Names(None)):
            raise ValueError(complaint.sentence)
    return show.model_copy(update={"cue": tuple(cues)})


def show_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the file. It can't say that numbers grow or that a position exists."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "ptzd show file",
        **{key: value for key, value in ShowFile.model_json_schema().items() if key != "title"},
    }


def number_text(number: float) -> str:
    """Return a cue's number as people write it: `12`, `12.5`."""
    return f"{number:.3f}".rstrip("0").rstrip(".")


def seconds_of_clock(text: str) -> float:
    """Return `0:12:30` or `12:30` in seconds. Raises ValueError with a sentence."""
    found = re.fullmatch(_CLOCK, text)
    if found is None:
        raise ValueError(f'{text!r} is no time into the show; write hours:minutes:seconds, such as "0:12:30"')
    return int(found[1] or 0) * 3600.0 + int(found[2]) * 60.0 + float(found[3])


def clock_of_seconds(seconds: float) -> str:
    """Return seconds as `0:12:30`, with decimals only where there are any (to the thousandth)."""
    thousandths = round(seconds * 1000)
    whole, rest = divmod(thousandths, 1000)
    minutes, second = divmod(whole, 60)
    hours, minute = divmod(minutes, 60)
    decimals = f".{rest:03d}".rstrip("0") if rest else ""
    return f"{hours}:{minute:02d}:{second:02d}{decimals}"


# What no field can see by itself, in tables of which nothing is known yet.

_WHEN = "at, after, or on_call = true with expected"


def _across(raw: Mapping[str, Any], known: Positions | None) -> Iterator[Complaint]:
    names = _Names(known)
    head = raw.get("show")
    if isinstance(head, dict):
        yield from _start_mistakes(head, names)
    cues = raw.get("cue")
    if not isinstance(cues, list):
        return
    first_of: dict[float, int] = {}
    highest: float | None = None
    now = 0.0
    for index, cue in enumerate(cues):
        if not isinstance(cue, dict):
            continue
        path: KeyPath = ("cue", index)
        number = _number(cue.get("number"))
        if number is not None:
            number = round(number, 3)
            if number in first_of:
                yield Complaint(
                    (*path, "number"), f"cue {number_text(number)} is there twice; give one of the two another number"
                )
            elif highest is not None and number < highest:
                yield Complaint(
                    (*path, "number"),
                    f"cue {number_text(number)} stands after cue {number_text(highest)}; cues stand in the order of "
                    "their numbers",
                )
            first_of.setdefault(number, index)
            highest = number if highest is None else max(number, highest)
        yield from _when_mistakes(path, cue)
        at = _at(cue)
        if at is not None and at < now:
            yield Complaint(
                (*path, "at"),
                f"this cue comes at {clock_of_seconds(at)}, but the one before it at {clock_of_seconds(now)}; a cue "
                "can't come before the one before it",
            )
        now = at if at is not None else now + (_number(cue.get("after", cue.get("expected"))) or 0.0)
        if now > LONGEST_SHOW_SECONDS:
            yield Complaint(path, f"this cue comes after {now / 3600:.0f} hours; a show lasts a day at most")
        yield from names.camera((*path, "take"), cue.get("take"))
        switched = cue.get("switch_on")
        for camera in switched if isinstance(switched, list) else ():
            yield from names.camera((*path, "switch_on"), camera)
        yield from _moves_mistakes(path, cue, names)


def _start_mistakes(head: Mapping[str, Any], names: _Names) -> Iterator[Complaint]:
    yield from names.camera(("show", "on_air"), head.get("on_air"))
    start = head.get("start")
    for camera, position in start.items() if isinstance(start, dict) else ():
        yield from names.position(("show", "start", camera), ("show", "start", camera), camera, position)


def _when_mistakes(path: KeyPath, cue: Mapping[str, Any]) -> Iterator[Complaint]:
    given = [key for key in ("at", "after", "on_call") if key in cue]
    if len(given) > 1:
        yield Complaint((*path, given[1]), f"{given[0]} is given too; a cue comes in one way: {_WHEN}")
    elif not given and "expected" not in cue:
        yield Complaint(path, f"it is not said when this cue comes; write {_WHEN}")
    if "on_call" in cue and "expected" not in cue:
        yield Complaint(
            (*path, "on_call"), "a cue on call needs its expected gap; write expected = 25.0, in seconds, beside it"
        )
    if "expected" in cue and "on_call" not in cue:
        yield Complaint((*path, "expected"), "only a cue on call has an expected gap; write on_call = true beside it")


def _moves_mistakes(path: KeyPath, cue: Mapping[str, Any], names: _Names) -> Iterator[Complaint]:
    moves = cue.get("move")
    seen: set[tuple[str, bool]] = set()
    for index, move in enumerate(moves) if isinstance(moves, list) else ():
        if not isinstance(move, dict):
            continue
        here: KeyPath = (*path, "move", index)
        camera, on_air = move.get("camera"), move.get("on_air") is True
        if isinstance(camera, str):
            if (camera, on_air) in seen:
                way = "on air" if on_air else "off air"
                yield Complaint(
                    (*here, "camera"),
                    f"this cue moves camera {camera} {way} twice; keep one move, or make another cue of it",
                )
            seen.add((camera, on_air))
        yield from names.position((*here, "camera"), (*here, "position"), camera, move.get("position"))
        if "speed" in move and "seconds" in move:
            yield Complaint((*here, "seconds"), "speed is given too; keep one of the two, the other follows from it")
        yield from _span_mistakes(here, move, on_air)


def _span_mistakes(path: KeyPath, move: Mapping[str, Any], on_air: bool) -> Iterator[Complaint]:
    earliest, latest = _number(move.get("earliest")), _number(move.get("latest"))
    if on_air:
        if earliest is not None and earliest < 0:
            yield Complaint(
                (*path, "earliest"), "a move on air leaves with the cue or after it; write 0 or more, or on_air = false"
            )
        if latest is not None and latest <= 0:
            yield Complaint((*path, "latest"), "a move on air settles after its cue; write more than 0 seconds")
    else:
        if earliest is not None and earliest >= 0:
            yield Complaint(
                (*path, "earliest"),
                "a move off air leaves before its cue; write it below 0, such as -10.0, or put it into the next cue",
            )
        if latest is not None and latest > 0:
            yield Complaint(
                (*path, "latest"),
                "a move off air has settled when its cue comes; write 0 or less, or put it into the next cue",
            )
    if earliest is not None and latest is not None and latest <= earliest:
        yield Complaint((*path, "latest"), f"it is to settle by {latest:g} but leaves at {earliest:g}; give it time")


class _Names:
    """The cameras and positions there are; None where nobody knows."""

    def __init__(self, known: Positions | None) -> None:
        self._known = (
            None
            if known is None
            else {camera: None if names is None else frozenset(names) for camera, names in known.items()}
        )

    def camera(self, path: KeyPath, name: object) -> Iterator[Complaint]:
        if self._known is not None and isinstance(name, str) and name not in self._known:
            yield Complaint(path, f"there is no camera {name}; {did_you_mean(name, sorted(self._known))}")

    def position(
        self, camera_path: KeyPath, position_path: KeyPath, camera: object, position: object
    ) -> Iterator[Complaint]:
        if self._known is None or not isinstance(camera, str):
            return
        if camera not in self._known:
            yield from self.camera(camera_path, camera)
        elif isinstance(position, str) and (names := self._known[camera]) is not None and position not in names:
            yield Complaint(
                position_path,
                f"camera {camera} has no position {position}; {did_you_mean(position, sorted(names))}"
                if names
                else f"camera {camera} has no position {position}, and none at all yet; store one",
            )


def _number(value: object) -> float | None:
    """A number that may stand there; what is none is told where its field is read."""
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9:
        return float(value)
    return None


def _at(cue: Mapping[str, Any]) -> float | None:
    try:
        return seconds_of_clock(cue["at"])
    except (KeyError, TypeError, ValueError):
        return None
