"""Whether a way out of a conflict is one: it is tried on a copy of the show, which is gone through anew.

It helps where its conflict is gone, no other has come, and none is worse than before. Of the copy only that is gone
through which may go otherwise: the cameras that a change concerns, from the move before it on until everything that
decides what follows is as it was.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence, Set
from dataclasses import dataclass, replace

from ptzd.files import Change, ShowFile, changed

from .chance import ROUNDING_SECONDS
from .conflicts import conflicts_of_camera, conflicts_of_moves
from .going import Going, planned
from .moves import RehearsedCamera, Standing, Step, Timetable, Track, steps_of_cue, walk
from .rehearsed import Conflict

Key = tuple[str, str, float]
_LAST = 1_000_000_000  # beyond any cue
_TIMED = ("taken-unsettled", "late", "tight", "overlap")


@dataclass(frozen=True, slots=True)
class Otherwise:
    """A camera that is otherwise than it is, and in a word how: of two alike, one is tried."""

    name: str
    how: str
    camera: RehearsedCamera


Attempt = Sequence[Change] | Otherwise  # what is changed in a copy: fields of the show, or how one camera is


@dataclass(frozen=True, slots=True)
class _Span:
    """The cues of one camera, first and last, within which something has changed."""

    camera: str
    first: int
    last: int


class Trials:
    """A show that was gone through, and what becomes of copies of it."""

    def __init__(self, going: Going) -> None:
        self.going = going
        self._conflicts: dict[str, list[Conflict]] = {}
        for conflict in going.conflicts:
            self._conflicts.setdefault(conflict.camera, []).append(conflict)
        # Cameras with conflicts that cover up others: what leaves too early is not told as wanted twice besides.
        self._covered = {
            each.camera for each in going.conflicts if len(each.moves) > 1 or each.kind == "start-up-sweep"
        }
        self._otherwise: dict[tuple[str, str], list[Conflict]] = {}

    def helps(self, conflict: Conflict, attempt: Attempt) -> bool:
        """Whether a conflict is gone by an attempt, and nothing else is wrong that was not, or more than it was."""
        if isinstance(attempt, Otherwise):
            return solves(conflict, self._conflicts[conflict.camera], self._with(attempt))
        timetable = self.going.timetable
        try:
            other = timetable.changed(changed(timetable.show, attempt), attempt)
        except ValueError:
            return False
        touched = {cue for change in attempt for cue in change.cues}
        before: list[Conflict] = []
        after: list[Conflict] = []
        for span in self._spans(other, attempt, conflict.camera):
            mine = self._conflicts.get(span.camera, [])
            first, last, found = self._anew(other, span, touched)
            before += [each for each in mine if not each.moves or first <= each.cue_index < last]
            after += found
        return solves(conflict, before, after)

    def _with(self, one: Otherwise) -> list[Conflict]:
        key = one.name, one.how
        if key not in self._otherwise:
            timetable = self.going.timetable
            other = replace(timetable, company=timetable.company.with_camera(one.name, one.camera))
            self._otherwise[key] = self._anew(other, _Span(one.name, 0, _LAST), frozenset())[2]
        return self._otherwise[key]

    def _spans(self, other: Timetable, changes: Iterable[Change], troubled: str) -> Iterator[_Span]:
        """Where moves may go otherwise, or may be seen otherwise, by changes that make `other` of the timetable.

        Where a cue comes later, so do those after it, up to the first that comes at a time of its own. Whatever reaches
        over the change has more time than before, which helps a `troubled` camera and hurts none, though what is no
        longer told of one may have covered up something else; whatever reaches over that later cue may have less.
        """
        timetable = self.going.timetable
        cues = timetable.show.cue
        spans: dict[str, list[int]] = {}
        for change in changes:
            if change.move_index is not None:
                cameras = {cues[change.cue_index].move[change.move_index].camera}
                if change.field == "camera":
                    cameras.add(str(change.value))
                for camera in cameras:
                    spans.setdefault(camera, []).extend(change.cues)
            elif change.field == "switch_on":
                for camera in cues[change.cue_index].switch_on:
                    spans.setdefault(camera, []).extend((0, _LAST))
            elif change.field == "take":
                for cue in range(change.cue_index, len(cues)):
                    pair = timetable.on_air[cue], other.on_air[cue]
                    if pair[0] == pair[1]:
                        break
                    for camera in filter(None, pair):
                        spans.setdefault(camera, []).extend((cue, cue + 1))
            else:
                for camera in {troubled, *self._covered}:
                    yield self._timed(camera, change.cue_index)
                fixed = timetable.fixed_after(change.cue_index)
                if fixed is not None:
                    yield from (self._timed(camera, fixed) for camera in self.going.tracks)
        yield from (_Span(camera, min(mine), max(mine)) for camera, mine in spans.items())

    def _timed(self, camera: str, cue: int) -> _Span:
        return _Span(camera, 0, _LAST) if self.going.tracks[camera].switches else _Span(camera, cue, cue)

    def _anew(self, timetable: Timetable, span: _Span, touched: Set[int]) -> tuple[int, int, list[Conflict]]:
        """Go through a camera's moves anew: return from which cue on, before which cue, and what is wrong there.

        `touched` are the cues in which steps may have come or gone.
        """
        camera = span.camera
        old = self.going.tracks.get(camera) or Track(camera, (), (), (), switches=())
        steps = _steps(old, timetable.show, touched)
        # From the move before the change on, since by when that must have ended may have changed too.
        earlier = (old.steps[place] for place in range(old.place(span.first) - 1, -1, -1))
        begins = next((step.cue_index for step in earlier if step.move is not None), 0)
        first = old.place(begins)
        standing = old.before[first] if old.before else Standing(timetable.show.show.start.get(camera))
        shift = len(steps) - len(old.steps)
        moves = []
        last = _LAST
        since = False  # whether a move after the change was gone through
        switches = [step.cue_index for step in steps if step.move is None] if old.switches else ()
        for place, (before, leg) in enumerate(walk(timetable, camera, steps, first, standing, switches), first):
            step = steps[place]
            if since and step.cue_index > steps[place - 1].cue_index and before == old.before[place - shift]:
                last = step.cue_index
                break
            if leg is not None:
                moves.append((leg, planned(timetable, leg, -1)))
                since = since or step.cue_index > span.last
        made = None if standing.last_made is None else planned(timetable, standing.last_made, -1)
        found = list(conflicts_of_moves(timetable, moves, made))
        if old.switches or timetable.company.cameras[camera].locks:
            found += conflicts_of_camera(timetable, camera, switches, moves[0][1] if moves else None)
        return begins, last, found


def _steps(old: Track, show: ShowFile, touched: Set[int]) -> Sequence[Step]:
    steps = list(old.steps)
    for cue in sorted(touched, reverse=True):
        steps[old.place(cue) : old.place(cue + 1)] = [
            step for camera, step in steps_of_cue(cue, show.cue[cue]) if camera == old.camera
        ]
    return steps


def solves(conflict: Conflict, before: Iterable[Conflict], after: Iterable[Conflict]) -> bool:
    """Whether one of the conflicts before is gone, and none has come or grown."""
    before, after = list(before), list(after)
    was, now = Counter(map(key_of, before)), Counter(map(key_of, after))
    if now[key_of(conflict)] >= was[key_of(conflict)] or now - was:
        return False
    late = {key_of(each): _late_by(each) for each in sorted(before, key=_late_by)}
    return all(_late_by(each) <= late[key_of(each)] + ROUNDING_SECONDS for each in after)


def key_of(conflict: Conflict) -> Key:
    """Return what makes a conflict the same one in a show that was changed.

    A move that was late and is tight now is still not in time.
    """
    kind: str = conflict.kind
    if kind in _TIMED:
        kind = "overlap" if len(conflict.moves) > 1 else "late"
    cue = -1.0 if kind == "locked" else conflict.cue_number  # that is told with whatever it moves first
    return kind, conflict.camera, cue


def _late_by(conflict: Conflict) -> float:
    return conflict.until_seconds - conflict.from_seconds if conflict.kind in _TIMED else 0.0
