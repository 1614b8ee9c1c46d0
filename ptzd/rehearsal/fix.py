"""A show with what can be solved solved: remedies taken one at a time, each only if it brings no new conflict."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ptzd.files import TextFileError, edited, read_show_text

from .moves import Company, RehearsedCamera
from .rehearse import rehearse_with
from .rehearsed import Conflict, Rehearsal, Remedy


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


def _nobody_waits(done: int, of: int) -> None:
    pass


def fix(text: str, cameras: Mapping[str, RehearsedCamera], told: Callable[[int, int], None] = _nobody_waits) -> Fixed:
    """Solve what can be solved without touching what the music or people decide: order, times and what is shown.

    `told` hears after each conflict how many are done, and of how many: a remedy may solve several.

    Raises TextFileError for a text that is no show, and ValueError for a camera or a position that there is not.
    """
    company = Company(cameras)
    rehearsal = rehearse_with(read_show_text(text), company)
    solved: list[Solved] = []
    unsolved: dict[_Key, Unsolved] = {}
    while open_ := [conflict for conflict in rehearsal.conflicts if _key(conflict) not in unsolved]:
        conflict = open_[0]
        taken = _take(text, company, rehearsal, conflict)
        if isinstance(taken, str):
            unsolved[_key(conflict)] = Unsolved(conflict, taken)
        else:
            text, rehearsal, remedy = taken
            solved.append(Solved(conflict, remedy))
        done = len(solved) + len(unsolved)
        told(done, done + sum(_key(each) not in unsolved for each in rehearsal.conflicts))
    # What was solved later may have solved an earlier one too.
    left = {_key(conflict) for conflict in rehearsal.conflicts}
    return Fixed(text, rehearsal, tuple(solved), tuple(one for key, one in unsolved.items() if key in left))


def _take(text: str, company: Company, rehearsal: Rehearsal, conflict: Conflict) -> tuple[str, Rehearsal, Remedy] | str:
    """The show with the first remedy that brings no new conflict, or why there is none."""
    before = {_key(each) for each in rehearsal.conflicts}
    brings: list[str] = []
    for remedy in conflict.remedies:
        if not remedy.changes:
            continue
        try:
            changed = edited(text, remedy.changes)
        except TextFileError as error:
            brings.append(f"{remedy.sentence}: {error.mistakes[0].sentence}")
            continue
        after = rehearse_with(read_show_text(changed), company)
        keys = {_key(each) for each in after.conflicts}
        if _key(conflict) not in keys and keys < before:
            return changed, after, remedy
        new = [each.sentence for each in after.conflicts if _key(each) not in before]
        brings.append(f"{remedy.sentence}: but then {new[0] if new else 'it is the same'}")
    by_people = [remedy.sentence for remedy in conflict.remedies if not remedy.changes]
    return "; ".join([*brings, *by_people]) or "there is no way out within this show"


_Key = tuple[str, float, str]


def _key(conflict: Conflict) -> _Key:
    return conflict.kind, conflict.cue_number, conflict.camera
