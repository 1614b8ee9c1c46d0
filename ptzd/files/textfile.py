"""Text files that people write: read against a model, with every mistake reported at once.

A model's field descriptions are part of the messages: each is a phrase that goes after "it must be".
"""

from __future__ import annotations

import json
import re
import types
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from ptzd import toml
from ptzd.likely import did_you_mean

from .textlines import KeyPath, key_lines, line_of

LARGEST_BYTES = 5_000_000
MISTAKES_SHOWN = 100  # of a text with more, the rest is counted: a message must stay readable
MISTAKES_TOLD = 1000  # of a text with more, no sentence is made of the rest

M = TypeVar("M", bound=BaseModel)


class Table(BaseModel):
    """A table of a text: nothing unknown in it, nothing taken for something else."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing that is wrong in a text. `line` counts from 1; both are empty where the whole text is meant."""

    line: int | None
    field: str
    sentence: str  # what is wrong; what would be right

    def __str__(self) -> str:
        where = [f"line {self.line}"] if self.line is not None else []
        where += [f"field {self.field}"] if self.field else []
        return f"{', '.join(where)}: {self.sentence}" if where else self.sentence


class TextFileError(Exception):
    """A text that could not be taken, with the mistakes in it, in the order of its lines; `untold` are only counted."""

    def __init__(self, mistakes: Iterable[Mistake], untold: int = 0) -> None:
        self.mistakes = tuple(sorted(mistakes, key=lambda mistake: mistake.line or 0))
        self.untold = untold
        super().__init__(*self.mistakes)

    def __str__(self) -> str:
        shown = [str(mistake) for mistake in self.mistakes[:MISTAKES_SHOWN]]
        more = len(self.mistakes) - len(shown) + self.untold
        return "\n".join([*shown, f"and {more} more"] if more else shown)


@dataclass(frozen=True, slots=True)
class Complaint:
    """What a check beyond the model found wrong: at which key, and the sentence on it."""

    path: KeyPath
    sentence: str


Check = Callable[[Mapping[str, Any]], Iterable[Complaint]]


def read_file(path: Path, model: type[M], check: Check | None = None) -> M:
    """Read a TOML file. Paths in it are relative to its folder (validation context `folder`). Raises TextFileError."""
    return read_text(text_of(path), model, check, folder=path.parent)


def text_of(path: Path) -> str:
    """Return what a file holds. Raises TextFileError where it is none, or no text."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise TextFileError([Mistake(None, "", f"there is no file {path}; check how its name is written")]) from None
    except IsADirectoryError:
        raise TextFileError([Mistake(None, "", f"{path} is a folder; name a file in it")]) from None
    except OSError as error:
        reason = (error.strerror or "unknown error").lower()
        raise TextFileError(
            [Mistake(None, "", f"{path} cannot be read ({reason}); make it readable for the user that runs ptzd")]
        ) from None
    return decoded(data)


def decoded(data: bytes) -> str:
    """Return the bytes of a file as text, or raise TextFileError when they are too many or not UTF-8."""
    if len(data) > LARGEST_BYTES:
        most = f"{LARGEST_BYTES // 1_000_000} MB"
        sentence = f"the text is larger than {most}; nothing ptzd reads is, so check which file it is"
        raise TextFileError([Mistake(None, "", sentence)])
    try:
        return data.decode().removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise TextFileError(
            [Mistake(line, "", f"byte 0x{data[error.start]:02x} is not UTF-8; save the file as UTF-8 text")]
        ) from None


def read_text(text: str, model: type[M], check: Check | None = None, *, folder: Path | None = None) -> M:
    """Read a TOML text against `model`, then hand the raw tables to `check`. Raises TextFileError with all mistakes."""
    text = text.removeprefix("\ufeff")
    return read_tables(_parsed(text), model, check, folder=folder, lines=partial(key_lines, text))


def read_tables(
    raw: Mapping[str, Any],
    model: type[M],
    check: Check | None = None,
    *,
    folder: Path | None = None,
    lines: Callable[[], Mapping[KeyPath, int]] = dict,
) -> M:
    """Read tables as `read_text` reads a text, with the `lines` that they stand on where they are from one."""
    complaints = list(check(raw)) if check else []
    errors: list[ErrorDetails] = []
    read: M | None = None
    try:
        read = model.model_validate(raw, context={"folder": folder})
    except ValidationError as error:
        errors = error.errors(include_url=False)
        within = {each["loc"][:1] for each in errors if len(each["loc"]) > 1}
        errors = [each for each in errors if each["loc"] not in within]  # a list of which none is right is not empty
    if read is not None and not complaints:
        return read
    found = lines()
    wrong: list[tuple[KeyPath, ErrorDetails | str]] = [(_path(error), error) for error in errors]
    wrong += [(each.path, each.sentence) for each in complaints]
    wrong.sort(key=lambda one: line_of(found, one[0]) or 0)
    told = [
        Mistake(line_of(found, path), field_name(path, raw), what if isinstance(what, str) else _sentence(what, model))
        for path, what in wrong[:MISTAKES_TOLD]
    ]
    raise TextFileError(told, max(0, len(wrong) - MISTAKES_TOLD))


def field_name(path: KeyPath, raw: object = None) -> str:
    """Return a path in the tables `raw` as people say it: `camera.left.sensor, value 2`, `cue 12.5, move 1, position`.

    What has a number of its own goes by that, all else in a list is counted from one.
    """
    name = ""
    dot = ""
    for key in path:
        raw = _inside(raw, key)
        if isinstance(key, str):
            name += dot + (key if re.fullmatch(r"[\w-]+", key) else shown(key))
            dot = "."
        elif isinstance(raw, Mapping):
            name += f" {_number_of(raw) or key + 1}"
            dot = ", "
        else:
            name += f", value {key + 1}"
    return name


def _inside(raw: object, key: str | int) -> object:
    if isinstance(raw, Mapping):
        return raw.get(key)
    return raw[key] if isinstance(raw, list) and isinstance(key, int) and key < len(raw) else None


def _number_of(table: Mapping[str, Any]) -> str | None:
    number = table.get("number")
    if isinstance(number, bool) or not isinstance(number, int | float) or not abs(number) < 1e6:
        return None
    return f"{number:.9g}"


def shown(value: object) -> str:
    """Return a value as it would stand in the file, cut short where it is long."""
    if isinstance(value, Mapping):
        return "a table"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}…"


def _parsed(text: str) -> dict[str, Any]:
    try:
        return toml.loads(text)
    except toml.TomlBoundsError as error:
        raise TextFileError([Mistake(error.line, "", str(error))]) from None
    except ValueError as error:  # TOMLDecodeError, and numbers too long to be read
        raise TextFileError([_syntax_mistake(str(error), text)]) from None


def _syntax_mistake(message: str, text: str) -> Mistake:
    place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    message = message[: place.start()] if place else message
    line = None
    if place:
        line = int(place[1]) if place[1] else max(1, len(text.splitlines()))
    if twice := re.fullmatch(r"Cannot (?:declare|mutate immutable namespace) \((.*?),?\)(?: twice)?", message):
        table = field_name(tuple(part.strip(" '\"") for part in twice[1].split(",")))
        return Mistake(line, table, f"the table [{table}] is there twice; keep one of the two")
    if message == "Cannot overwrite a value":
        return Mistake(line, "", "this key is there twice in its table; keep one of the two")
    what = message[:1].lower() + message[1:]
    column = f" at column {place[2]}" if place and place[2] else ""
    return Mistake(line, "", f"this is not TOML{column}: {what}; write key = value, with text in double quotes")


def _path(error: ErrorDetails) -> KeyPath:
    return tuple(key for key in error["loc"] if key != "[key]")


def _sentence(error: ErrorDetails, model: type[BaseModel]) -> str:
    kind, path = error["type"], _path(error)
    if kind == "value_error":
        return str(error["ctx"]["error"])
    if kind == "extra_forbidden":
        return _unknown_key(str(path[-1]), _annotation(model, path[:-1]))
    wrong = "it is missing" if kind == "missing" else f"it is {shown(error['input'])}"
    if kind.endswith("_type") and isinstance(error["input"], str):
        wrong += ", a text in quotes"
    field = _field(model, path)
    if field is None or not field.description:
        return f"{wrong}; {error['msg'][:1].lower()}{error['msg'][1:]}"
    name = next(key for key in reversed(path) if isinstance(key, str))
    example = f", such as {name} = {shown(field.examples[0])}" if field.examples else ""
    return f"{wrong}; it must be {field.description}{example}"


def _unknown_key(key: str, table: object) -> str:
    known = list(table.model_fields) if isinstance(table, type) and issubclass(table, BaseModel) else []
    can_stand = f"what can stand here is {', '.join(known)}"
    return f"there is no setting {key!r}; {did_you_mean(key, known, can_stand)}"


def _field(model: type[BaseModel], path: KeyPath) -> FieldInfo | None:
    """The innermost field on the way along `path`: it describes its elements too."""
    found = None
    for length in range(len(path)):
        table = _annotation(model, path[:length])
        if isinstance(table, type) and issubclass(table, BaseModel):
            found = table.model_fields.get(str(path[length]), found)
    return found


def _annotation(model: type[BaseModel], path: KeyPath) -> object:
    """The type of what stands at `path`, or None where the model knows no more."""
    kind: object = model
    for key in path:
        kind = _element(_plain(kind), key)
    return _plain(kind)


def _element(kind: object, key: str | int) -> object:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        field = kind.model_fields.get(str(key))
        return field.annotation if field else None
    arguments = get_args(kind)
    if get_origin(kind) is dict:
        return arguments[1]
    if get_origin(kind) in (list, tuple):
        return arguments[0]
    return None


def _plain(kind: object) -> object:
    """A type without what was written around it: `Annotated[…]`, `… | None`."""
    while get_origin(kind) in (Annotated, Union, types.UnionType):
        kind = next((one for one in get_args(kind) if one is not types.NoneType), None)
    return kind
