"""What each camera does at every moment of a rehearsed evening, and the rows that a page breaks the evening into."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from ptzd.rehearsal import OnAirStretch, PlannedMove, Rehearsal

State = Literal["standing", "slewing", "settling"]

ROW_SECONDS = (30, 60, 120, 180, 300, 600)
# On average over the rows that have any cue: with more of them the labels are cut, with many more too short to be read.
CUES_IN_A_ROW, MOST_CUES_IN_A_ROW = 14, 25
FEW_ROWS = 12  # an evening that needs no more has room for whole labels


@dataclass(frozen=True, slots=True)
class Stretch:
    """A camera does one thing, on air or off air, from one moment to another.

    `position` is where it stands or is going to, None where that isn't known. `move` is the index in
    `Rehearsal.moves` of what moves it, None while it stands.
    """

    state: State
    on_air: bool
    from_seconds: float
    until_seconds: float
    position: str | None
    move: int | None


@dataclass(frozen=True, slots=True)
class Lane:
    """One camera's evening, without gaps: each stretch begins where the last one ended."""

    camera: str
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """A part of the evening that is drawn side by side; `quiet` where nothing at all begins, ends or moves in it."""

    from_seconds: float
    until_seconds: float
    quiet: bool


def lanes(rehearsal: Rehearsal) -> tuple[Lane, ...]:
    """Return what each camera does from the first thing that happens to the end of the show, in the show's order."""
    begin, end = span(rehearsal)
    found = []
    for camera in rehearsal.cameras:
        moves = [move for move in rehearsal.moves if move.camera == camera]
        on_air = [stretch for stretch in rehearsal.on_air if stretch.camera == camera]
        phases = _phases(rehearsal.start.get(camera), moves, begin, end)
        found.append(Lane(camera, tuple(_cut(phases, on_air))))
    return tuple(found)


def span(rehearsal: Rehearsal) -> tuple[float, float]:
    """Return the first and the last moment that has to be drawn, in seconds into the show."""
    cues = [cue.at_seconds for cue in rehearsal.cues]
    lasting = _lasting(rehearsal)
    return min(0.0, *cues, *(begin for begin, _ in lasting)), max(
        rehearsal.seconds, *cues, *(end for _, end in lasting)
    )


def row_seconds(rehearsal: Rehearsal) -> int:
    """Return the length of a row: ten minutes, less where the cues come thick or the show is short."""
    begin, end = span(rehearsal)
    enough = next((seconds for seconds in ROW_SECONDS if seconds >= end - begin), ROW_SECONDS[-1])
    for seconds in reversed(ROW_SECONDS):
        used = len({math.floor(cue.at_seconds / seconds) for cue in rehearsal.cues})
        shorter = [other for other in ROW_SECONDS if other < seconds]
        full = not shorter or (end - begin) / shorter[-1] > FEW_ROWS
        most = MOST_CUES_IN_A_ROW if full else CUES_IN_A_ROW
        if seconds <= enough and len(rehearsal.cues) <= most * max(1, used):
            return seconds
    return ROW_SECONDS[0]


def rows(rehearsal: Rehearsal, seconds: float) -> tuple[Row, ...]:
    """Return the evening in rows of so many seconds; quiet ones that follow each other are one long row."""
    begin, end = span(rehearsal)
    first = math.floor(begin / seconds)
    last = max(first, math.ceil(end / seconds) - 1)
    busy = {math.floor(cue.at_seconds / seconds) for cue in rehearsal.cues}
    for from_seconds, until_seconds in _lasting(rehearsal):
        busy.update(range(math.floor(from_seconds / seconds), math.floor(until_seconds / seconds) + 1))
    last = max([last, *busy])
    found: list[Row] = []
    for index in range(first, last + 1):
        quiet = index not in busy
        from_seconds = index * seconds
        if quiet and found and found[-1].quiet:
            from_seconds = found.pop().from_seconds
        found.append(Row(from_seconds, (index + 1) * seconds, quiet))
    return tuple(found)


def _lasting(rehearsal: Rehearsal) -> list[tuple[float, float]]:
    """From when until when each move and each conflict lasts."""
    moves = [(move.start_seconds, move.settled_seconds) for move in rehearsal.moves]
    return moves + [(conflict.from_seconds, conflict.until_seconds) for conflict in rehearsal.conflicts]


def _phases(position: str | None, moves: Sequence[PlannedMove], begin: float, end: float) -> Iterator[Stretch]:
    """What the camera does, on air or not. A move that leaves before the last one has ended cuts that one short."""
    ordered = sorted(moves, key=lambda move: (move.start_seconds, move.index))
    now = begin
    for place, move in enumerate(ordered):
        until = ordered[place + 1].start_seconds if place + 1 < len(ordered) else end
        if move.start_seconds > now:
            yield Stretch("standing", False, now, move.start_seconds, position, None)
        arrival, settled = min(move.arrival_seconds, until), min(move.settled_seconds, until)
        if arrival > move.start_seconds:
            yield Stretch("slewing", False, move.start_seconds, arrival, move.position, move.index)
        if settled > arrival:
            yield Stretch("settling", False, arrival, settled, move.position, move.index)
        now, position = max(now, settled), move.position if move.made else position
    if end > now:
        yield Stretch("standing", False, now, end, position, None)


def _cut(phases: Iterator[Stretch], on_air: Sequence[OnAirStretch]) -> Iterator[Stretch]:
    """The same, cut where the camera goes on air and off it."""
    ordered = sorted(on_air, key=lambda stretch: stretch.from_seconds)
    place = 0
    for phase in phases:
        now = phase.from_seconds
        while now < phase.until_seconds:
            while place < len(ordered) and ordered[place].until_seconds <= now:
                place += 1
            live = place < len(ordered) and ordered[place].from_seconds <= now
            until = phase.until_seconds
            if place < len(ordered):
                until = min(until, ordered[place].until_seconds if live else ordered[place].from_seconds)
            yield Stretch(phase.state, live, now, until, phase.position, phase.move)
            now = until
