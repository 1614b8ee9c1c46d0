"""Which cameras a configuration names, as far as it takes to stop them, whatever is wrong with it.

A stop too many is better than a head that moves on: in a file with mistakes every link counts, wherever it stands. And
what stands below a camera's name is only taken for that camera where the file is TOML: where it is not, a header may be
lost, and the link of the next camera stands there. So each link is told of by its address then.

This is read before anything that takes long, and imports nothing that does.
"""

from __future__ import annotations

import codecs
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ptzd import toml
from ptzd.line import seconds_to_tell
from ptzd.links import Address, parse_link
from ptzd.visca import Dialect, load_dialect, read_dialect

LARGEST_BYTES = 5_000_000
STANDING_IN = "nibble4-51"  # for a dialect that can't be read: a stop is written alike in all
_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_HEADER = re.compile(r"\s*(#[\s#]*)?\[")  # where one is commented out, what follows is not of the table above
_TEXT_OR_COMMENT = re.compile(r""""[^"]*"|'[^']*'|#.*""")
_LINK = re.compile(
    r"""(?:bare-udp|udp|tcp)://(?:\[[0-9A-Fa-f:.]+\]|[\w.-]+)(?::[0-9]+|(?![\w.:-]))"""
    r"""|serial:/[^\s"'#?]+(?:\?[\w=&]+)?"""
)

Keys = tuple[str, ...]
Setting = tuple[int | None, Keys, str, Any]  # its line, the keys of its table, its own key, its value


@dataclass(frozen=True, slots=True)
class CameraToHalt:
    """A camera that can be told to stop."""

    name: str  # or its address, where the file does not tell for sure whose that is
    link: Address
    dialect: Dialect
    dialect_known: bool  # else another stands in for it, and nobody can tell at which angles it stands


@dataclass(slots=True)
class _Entry:
    """What stands in one table, as it is written."""

    line: int | None
    name: str | None
    link: Any = None
    dialect: Any = None


def cameras_to_halt(path: Path) -> Sequence[CameraToHalt]:
    """Return what can be stopped by a configuration. Raises OSError where the file can't be read."""
    with path.open("rb") as file:
        data = file.read(LARGEST_BYTES)
    text = data.decode("utf-16" if data.startswith(_UTF_16) else "utf-8", "replace").removeprefix("\ufeff")
    try:
        tables = toml.loads(text)
    except ValueError:
        return _found([*_line_by_line(text), *_anywhere(text)], path.parent, names_are_sure=False)
    complete = _each_has_a_link(tables.get("camera"))  # then what was put in a comment may be meant so
    elsewhere = [_Entry(None, None, link) for each in _texts(tables) for link in _LINK.findall(each)]
    entries = [*_entries(_settings(None, (), tables)), *([] if complete else _anywhere(text)), *elsewhere]
    return _found(entries, path.parent, names_are_sure=True)


def _found(entries: Iterable[_Entry], folder: Path, *, names_are_sure: bool) -> Sequence[CameraToHalt]:
    read = [(each, _address(each.link), _dialect(each.dialect, folder)) for each in entries]
    dialects = [dialect for *_, dialect in read if dialect is not None]
    standing_in = max([*dialects, load_dialect(STANDING_IN)], key=seconds_to_tell)
    found: list[CameraToHalt] = []
    names: dict[Address, set[str | None]] = defaultdict(set)  # of a link
    for entry, link, dialect in read:
        if link is None or entry.name in names[link] or (names[link] and entry.name is None):
            continue
        names[link].add(entry.name)
        told_as = entry.name if entry.name is not None and names_are_sure else _by_address(entry, link)
        found.append(CameraToHalt(told_as, link, dialect or standing_in, dialect is not None))
    return found


def _by_address(entry: _Entry, link: Address) -> str:
    where = [f"line {entry.line}"] if entry.line is not None else []
    where += [f"below {entry.name}"] if entry.name is not None else []
    return f"{link} ({', '.join(where)})" if where else str(link)


def _line_by_line(text: str) -> list[_Entry]:
    """The tables of a text that is no TOML, as far as each of their lines is."""
    found: list[_Entry] = []
    table: list[Setting] = []
    keys: Keys = ()
    for number, line in enumerate(text.splitlines(), 1):
        if _begins_a_table(line):
            found += _entries(table)
            table, keys = [], _header(line)
        else:
            with suppress(ValueError):
                table += _settings(number, keys, toml.loads(line))
    return found + _entries(table)


def _begins_a_table(line: str) -> bool:
    bare = _TEXT_OR_COMMENT.sub("", line)
    return _HEADER.match(line) is not None or ("]" in bare and "=" not in bare)


def _header(line: str) -> Keys:
    """The keys in a header; none where it is damaged."""
    keys: Keys = ()
    with suppress(ValueError):
        table: Any = toml.loads(line)
        while isinstance(table, dict) and table:
            ((key, table),) = table.items()
            keys = (*keys, key)
    return keys


def _settings(line: int | None, keys: Keys, table: Mapping[str, Any]) -> Iterator[Setting]:
    """Each link and dialect in a table and those within it."""
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _settings(line, (*keys, key), value)
        elif key in ("link", "dialect"):
            yield line, keys, key, value


def _entries(settings: Iterable[Setting]) -> list[_Entry]:
    """What belongs together. What a table has twice begins another: it may be that of a camera without a header."""
    found: list[_Entry] = []
    latest: dict[Keys, _Entry] = {}
    for line, keys, key, value in settings:
        entry = latest.get(keys)
        if entry is None or getattr(entry, key) is not None:
            named = entry is None and len(keys) == 2 and keys[0] == "camera"
            entry = latest[keys] = _Entry(line, keys[1] if named else None)
            found.append(entry)
        setattr(entry, key, value)
        if key == "link":
            entry.line = line
    return found


def _each_has_a_link(cameras: object) -> bool:
    tables = list(cameras.values()) if isinstance(cameras, dict) else []
    return bool(tables) and all(isinstance(each, dict) and _address(each.get("link")) is not None for each in tables)


def _texts(value: Any) -> Iterator[str]:
    """Each text in tables but what is written for people alone."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, each in value.items():
            yield from () if key == "label" else _texts(each)
    elif isinstance(value, list):
        for each in value:
            yield from _texts(each)


def _anywhere(text: str) -> list[_Entry]:
    """Whatever looks like a link, be it in a comment."""
    return [
        _Entry(number, None, found[0])
        for number, line in enumerate(text.splitlines(), 1)
        for found in _LINK.finditer(line)
    ]


def _address(link: object) -> Address | None:
    with suppress(ValueError):
        return parse_link(link) if isinstance(link, str) else None
    return None


def _dialect(dialect: object, folder: Path) -> Dialect | None:
    with suppress(ValueError, OSError):
        if isinstance(dialect, str) and not dialect.endswith(".toml"):
            return load_dialect(dialect)
        if isinstance(dialect, str) and (folder / dialect).is_file():
            return read_dialect(folder / dialect)
    return None
