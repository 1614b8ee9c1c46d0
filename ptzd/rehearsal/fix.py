"""A show with what can be solved solved: remedies taken one at a time, each only if it brings no new conflict."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass

from ptzd.files import TextFileError, edited, read_show_text

from .going import Going
from .moves import Company, RehearsedCamera
from .rehearse import rehearsed
from .rehearsed import Conflict, Rehearsal, Remedy
from .remedies import remedied
from .trial import Key, Trials, key_of


@dataclass(frozen=True, slots=True)
class Solved:
    """A conflict and the remedy that was taken."""

    conflict: Conflict
    remedy: Remedy


@dataclass(frozen=True, slots=True)
class Unsolved:
    """A conflict that is still there, and in a sentence why."""

    conflict: Conflict
    why: str


@dataclass(frozen=True, slots=True)
class Fixed:
    """The changed text, how that show goes, and what became of each conflict."""

    text: str
    rehearsal: Rehearsal
    solved: tuple[Solved, ...]
    unsolved: tuple[Unsolved, ...]


def fix(
    text: str, cameras: Mapping[str, RehearsedCamera], told: Callable[[int, int], None] = lambda done, of: None
) -> Fixed:
    """Solve what can be solved without touching what the music or people decide: order, times and what is shown.

    `told` hears after each conflict how many are done, and of how many: a remedy may solve several.

    Raises TextFileError for a text that is no show, and ValueError for a camera or a position that there is not.
    """
    going = Going.through(read_show_text(text), Company(cameras))
    solved: list[Solved] = []
    unsolved: dict[Key, Unsolved] = {}
    while open_ := [conflict for conflict in going.conflicts if key_of(conflict) not in unsolved]:
        conflict = remedied(Trials(going), open_[0])
        taken = _take(text, conflict)
        if isinstance(taken, str):
            unsolved[key_of(conflict)] = Unsolved(conflict, taken)
        else:
            text, remedy = taken
            going = Going.through(read_show_text(text), going.timetable.company)
            solved.append(Solved(conflict, remedy))
        done = len(solved) + len(unsolved)
        told(done, done + sum(key_of(each) not in unsolved for each in going.conflicts))
    # What was solved later may have solved an earlier one too.
    left = {key_of(conflict) for conflict in going.conflicts}
    return Fixed(text, rehearsed(going), tuple(solved), tuple(one for key, one in unsolved.items() if key in left))


def _take(text: str, conflict: Conflict) -> tuple[str, Remedy] | str:
    """The text with the first remedy that it can be changed by, or why there is none."""
    for remedy in conflict.remedies:
        if remedy.changes:
            with suppress(TextFileError):
                return edited(text, remedy.changes), remedy
    return "; ".join(remedy.sentence for remedy in conflict.remedies) or "there is no way out within this show"
