"""Changes to a show file's text that leave everything else in it as it was, comments and blank lines too.

A table under a heading of its own is changed line by line, so that not a byte moves elsewhere; what stands within
brackets (`move = [{ camera = … }]`) is changed by tomlkit, which keeps formatting as well.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain, count
from operator import attrgetter
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import InlineTable

from .showfile import HIGHEST_NUMBER, Cue, CueMove, ShowFile, number_text, read_show_text, with_cues
from .textlines import KeyPath, key_lines

Value = float | int | str | bool | tuple[str, ...]

_ASSIGNMENT = re.compile(
    r"""(?P<key>[ \t]*(?P<quote>["']?)(?P<name>[\w-]+)(?P=quote)[ \t]*=[ \t]*)"""
    r"""(?P<value>"(?:[^"\\\n]|\\.)*"|'[^'\n]*'|[^\s\#\["'{]+)(?P<rest>[ \t]*(?P<comment>\#.*)?)"""
)
_FIELD_BEFORE = ("position", "camera", "number")  # after one of these a new field is written


@dataclass(frozen=True, slots=True)
class Change:
    """One edit of the show file: `field` of a cue (`move_index` None) or of one of its moves; None takes it out.

    The field `cue` of a move, with another cue's index as `value`, puts the move into that cue.
    """

    cue_index: int
    move_index: int | None
    field: str
    value: Value | None

    @property
    def cues(self) -> tuple[int, ...]:
        """The places of the cues in which something changes."""
        return (self.cue_index, int(str(self.value))) if self.field == "cue" else (self.cue_index,)


def changed(show: ShowFile, changes: Iterable[Change]) -> ShowFile:
    """Return a show with the changes that `edited` makes in a text. Raises ValueError where it would not be valid."""
    tables: dict[int, dict[str, Any]] = {}
    moves: dict[tuple[int, int | None], dict[str, Any]] = {}

    def table_of(cue: int) -> dict[str, Any]:
        if cue not in tables:
            tables[cue] = show.cue[cue].model_dump(exclude_none=True)
            tables[cue]["move"] = list(tables[cue]["move"])
            moves.update(((cue, index), move) for index, move in enumerate(tables[cue]["move"]))
        return tables[cue]

    for change in changes:
        table = table_of(change.cue_index)
        place = table if change.move_index is None else moves[change.cue_index, change.move_index]
        if change.field == "cue":
            table["move"] = [move for move in table["move"] if move is not place]
            table_of(int(str(change.value)))["move"].append(place)
        elif change.value is None:
            place.pop(change.field, None)
        else:
            place[change.field] = _tidy(change.value)
    return with_cues(show, tables)


def edited(text: str, changes: Iterable[Change]) -> str:
    """Return a valid show's text with changes made, one after another; places are those in the text as it came.

    Raises ValueError for a place that is not there, and TextFileError where the result would not be a valid show.
    """
    show = read_show_text(text)
    lines = _Lines(text)
    for change in changes:
        if not 0 <= change.cue_index < len(show.cue):
            raise ValueError(f"there is no cue at place {change.cue_index}")
        if change.move_index is not None and not 0 <= change.move_index < len(show.cue[change.cue_index].move):
            raise ValueError(
                f"cue {number_text(show.cue[change.cue_index].number)} has no move at place {change.move_index}"
            )
        if change.field == "cue":
            lines.put_into(change)
        else:
            lines.set(change)
    read_show_text(lines.text)
    return lines.text


def with_cue(text: str, cue: Cue, *, replace: bool = False) -> str:
    """Return a show's text with a cue put in at the place of its number, or with `replace` for the one that has it.

    Of a cue that is replaced only what differs is written anew; a move that goes takes the comments right above it too.
    Raises ValueError where that number is taken, and TextFileError where the result would not be a valid show.
    """
    show = read_show_text(text)
    lines = _Lines(text)
    lines.require_headings()
    cues = list(show.cue)
    place = next((index for index, each in enumerate(cues) if each.number > cue.number - 0.0005), len(cues))
    if place == len(cues) or cues[place].number > cue.number + 0.0005:
        lines.insert_cue(place, _written(cue))
        cues.insert(place, cue)
    elif replace:
        lines.rewrite_cue(place, cues[place], cue)
        cues[place] = cue
    else:
        raise ValueError(f"there is a cue {number_text(cue.number)} already; take a number between two others")
    return _checked(lines.text, cues)


def without_cue(text: str, number: float) -> str:
    """Return a show's text without a cue, its moves, and the comments within it and right above it.

    Raises ValueError where there is no such cue, and TextFileError where the result would not be a valid show.
    """
    show = read_show_text(text)
    place = show.cue_index(number)
    lines = _Lines(text)
    lines.require_headings()
    lines.remove_cue(place)
    return _checked(lines.text, [*show.cue[:place], *show.cue[place + 1 :]])


def _checked(text: str, cues: Sequence[Cue]) -> str:
    """The text, if it says just these cues; the moves of each may stand in any order."""
    found = read_show_text(text).cue
    if [*map(_without_order, found)] != [*map(_without_order, cues)]:
        raise ValueError("the show file is written in a way in which a cue can't be changed here; use a text editor")
    return text


def _without_order(cue: Cue) -> tuple[dict[str, Any], list[CueMove]]:
    return cue.model_dump(exclude={"move"}), sorted(cue.move, key=attrgetter("camera", "on_air"))


def renumbered(text: str, first: float, step: float) -> str:
    """Return a show's text with its cues numbered anew in their order. Raises ValueError for numbers that can't be."""
    if step < 0.001:
        raise ValueError(f"the step between two numbers must be 0.001 or more, not {step:g}")
    show = read_show_text(text)
    last = first + step * (len(show.cue) - 1)
    if last > HIGHEST_NUMBER:
        raise ValueError(f"the last of {len(show.cue)} cues would be {last:.10g}, and {HIGHEST_NUMBER} is the highest")
    return edited(text, [Change(index, None, "number", _tidy(first + step * index)) for index in range(len(show.cue))])


def write_copy(path: Path, text: str, *, source: Path) -> None:
    """Write a changed show to a file that is not there yet. Raises FileExistsError, also for the source itself."""
    if path.exists() and source.exists() and path.samefile(source):
        raise FileExistsError(f"{path} is the show itself; name another file for the changed one")
    with path.open("x", encoding="utf-8", newline="") as file:
        file.write(text)


def replace_with_backup(path: Path, text: str) -> Path:
    """Put a changed show in the place of the file, wholly or not at all; what it held is kept as `NAME.bak`.

    A backup that is there already is never overwritten: the next is `NAME.bak2`, and so on. Returns the backup's path.
    """
    backups = (path.with_name(f"{path.name}.bak{number}") for number in chain(("",), count(2)))
    backup = next(each for each in backups if not each.exists())
    with backup.open("xb") as file:
        file.write(path.read_bytes())
    replace_text(path, text)
    return backup


def replace_text(path: Path, text: str) -> None:
    """Put a text in the place of what a file holds, wholly or not at all. Raises OSError."""
    path = path.resolve()  # a link stays one
    with tempfile.NamedTemporaryFile(
        "w", encoding="utf-8", newline="", dir=path.parent, prefix=f".{path.name}-", delete=False
    ) as draft:
        try:
            draft.write(text)
            draft.flush()
            os.fsync(draft.fileno())
            Path(draft.name).chmod(path.stat().st_mode & 0o777)
            Path(draft.name).replace(path)
        except BaseException:
            Path(draft.name).unlink()
            raise


class _Lines:
    """A text in lines, with the places of its keys worked out anew only when lines have come or gone."""

    def __init__(self, text: str) -> None:
        self._end = "\r\n" if "\r\n" in text else "\n"
        self._lines = text.split(self._end)
        self._found: dict[KeyPath, int] | None = None

    @property
    def text(self) -> str:
        return self._end.join(self._lines)

    def set(self, change: Change) -> None:
        """Give a field a value, or take it out."""
        table: KeyPath = ("cue", change.cue_index)
        if change.move_index is not None:
            table = (*table, "move", change.move_index)
        places = self._places()
        line = places.get((*table, change.field))
        found = None if line is None else _ASSIGNMENT.fullmatch(self._lines[line - 1])
        if table not in places or (line is not None and found is None):
            self._by_tomlkit(table, change.field, change.value)
        elif line is None or found is None:
            if change.value is not None:
                self._add(table, change.field, change.value)
        elif change.value is None:
            comment = found["comment"]
            self._replace(line - 1, line, [comment] if comment else [])
        else:
            self._lines[line - 1] = f"{found['key']}{_toml(change.value)}{found['rest']}"

    def put_into(self, change: Change) -> None:
        """Put a move into another cue, with the comments right above it."""
        block = self._take_out(change.cue_index, change.move_index or 0)
        self._append_move(int(str(change.value)), block)

    def require_headings(self) -> None:
        """Raise ValueError where no cue has a heading of its own."""
        if ("cue", 0) not in self._places():
            raise ValueError("the cues of this show stand within brackets; write each under a heading [[cue]] first")

    def insert_cue(self, place: int, block: Sequence[str]) -> None:
        """Put a cue's lines before the cue at a place, or after the last one."""
        places = self._places()
        if ("cue", place) in places:
            start = self._with_comments(places["cue", place] - 1)
            self._replace(start, start, [*block, ""])
        else:
            end = self._cue_end(place - 1)
            self._replace(end, end, ["", *block])

    def rewrite_cue(self, place: int, old: Cue, new: Cue) -> None:
        """Change what differs between the cue at a place and another of its number."""
        self._rewrite(place, None, old, new)
        kept: dict[int, CueMove] = {}  # by the place of the move that it becomes of
        coming = list(new.move)
        # A move that is seen now, or no longer, is still the same one.
        for part in (attrgetter("camera", "on_air"), attrgetter("camera")):
            for index, move in enumerate(old.move):
                found = next((each for each in coming if part(each) == part(move)), None)
                if found is not None and index not in kept:
                    kept[index] = found
                    coming.remove(found)
        for index, move in kept.items():
            self._rewrite(place, index, old.move[index], move)
        for index in reversed(range(len(old.move))):
            if index not in kept:
                self._take_out(place, index)
        for move in coming:
            self._append_move(place, _written_move(move))

    def remove_cue(self, place: int) -> None:
        """Take out a cue with the comments right above it, but not those after all that it says."""
        start = self._with_comments(self._places()["cue", place] - 1)
        end = self._cue_end(place)
        while self._lines[end - 1].lstrip().startswith("#") or not self._lines[end - 1].strip():
            end -= 1
        self._cut(start, end)

    def _rewrite(self, cue: int, move: int | None, old: Cue | CueMove, new: Cue | CueMove) -> None:
        was, now = (each.model_dump(exclude={"move"}, exclude_defaults=True) for each in (old, new))
        for field in reversed(type(new).model_fields):  # each that comes is written above those that came before
            if was.get(field) != now.get(field):
                self.set(Change(cue, move, field, now.get(field)))

    def _take_out(self, cue: int, move: int) -> list[str]:
        """Take out a move with the comments right above it; return its lines."""
        places = self._places()
        if ("cue", cue, "move", move) in places:
            line = places["cue", cue, "move", move] - 1
            return self._cut(self._with_comments(line), self._content_end(line))
        document = tomlkit.parse(self.text)
        moves: Any = document["cue"][cue]["move"]
        values = {key: value.unwrap() for key, value in moves[move].items()}
        del moves[move]
        self._take_over(tomlkit.dumps(document))
        return ["[[cue.move]]", *(f"{key} = {_toml(value)}" for key, value in values.items())]

    def _cut(self, start: int, end: int) -> list[str]:
        """Take out lines (from 0); one blank line is enough where they were."""
        block = self._lines[start:end]
        self._replace(start, end, [])
        if start and start < len(self._lines) and not self._lines[start - 1] and not self._lines[start]:
            self._replace(start, start + 1, [])
        return block

    def _append_move(self, cue: int, block: Sequence[str]) -> None:
        places = self._places()
        if ("cue", cue, "move") in places and ("cue", cue, "move", 0) not in places:
            document = tomlkit.parse(self.text)
            table = tomlkit.inline_table()
            table.update(tomlkit.parse("\n".join(block))["cue"]["move"][0].unwrap())
            document["cue"][cue]["move"].append(table)
            self._take_over(tomlkit.dumps(document))
        else:
            end = self._cue_end(cue)
            self._replace(end, end, ["", *block])

    def _add(self, table: KeyPath, field: str, value: Value) -> None:
        places = self._places()
        after = next((places[*table, key] for key in _FIELD_BEFORE if (*table, key) in places), places[table])
        indent = re.match(r"[ \t]*", self._lines[after - 1])
        assert indent is not None
        self._replace(after, after, [f"{indent[0]}{field} = {_toml(value)}"])

    def _by_tomlkit(self, table: KeyPath, field: str, value: Value | None) -> None:
        document = tomlkit.parse(self.text)
        place: Any = document
        for key in table:
            place = place[key]
        if value is None:
            place.pop(field, None)
        else:
            place[field] = tomlkit.item(_tidy(value))
            if isinstance(place, InlineTable):
                place.trivia.trail = ""
        self._take_over(tomlkit.dumps(document))

    def _cue_end(self, cue: int) -> int:
        """The line (from 0) after the last one of a cue and all its moves."""
        places = self._places()
        mine = [line for path, line in places.items() if path[:2] == ("cue", cue)]
        return self._content_end(max(mine) - 1)

    def _content_end(self, line: int) -> int:
        """The line (from 0) after the content of the table that a line is in: before the next heading's comments."""
        heads = sorted({each for each in self._places().values() if self._lines[each - 1].lstrip().startswith("[")})
        following = next((each - 1 for each in heads if each - 1 > line), len(self._lines))
        end = self._with_comments(following) if following < len(self._lines) else following
        while end > line + 1 and not self._lines[end - 1].strip():
            end -= 1
        return end

    def _with_comments(self, line: int) -> int:
        """The first of the comment lines right above a heading, or the heading's own."""
        while line > 0 and self._lines[line - 1].lstrip().startswith("#"):
            line -= 1
        return line

    def _places(self) -> dict[KeyPath, int]:
        if self._found is None:
            self._found = dict(key_lines("\n".join(self._lines)))
        return self._found

    def _replace(self, start: int, end: int, lines: Sequence[str]) -> None:
        self._lines[start:end] = lines
        self._found = None

    def _take_over(self, text: str) -> None:
        self._lines = text.replace("\r\n", "\n").split("\n")
        self._found = None


def _written(cue: Cue) -> list[str]:
    """The lines of a cue, without what was not given."""
    lines = ["[[cue]]", *_written_fields(cue)]
    for move in cue.move:
        lines += ["", *_written_move(move)]
    return lines


def _written_move(move: CueMove) -> list[str]:
    return ["[[cue.move]]", *_written_fields(move)]


def _written_fields(table: Cue | CueMove) -> list[str]:
    said = table.model_dump(exclude={"move"}, exclude_unset=True, exclude_none=True)
    return [f"{key} = {_toml(value)}" for key, value in said.items()]


def _toml(value: Any) -> str:
    return str(tomlkit.item(list(value) if isinstance(value, tuple) else _tidy(value)).as_string())


def _tidy(value: Any) -> Any:
    """Without what floating point leaves behind."""
    if isinstance(value, float):
        value = round(value, 3)
        return int(value) if value == int(value) else value
    return value
