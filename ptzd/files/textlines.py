"""Which line of a TOML text each key stands on.

No TOML reader in reach keeps lines, so this finds the keys again in a text that has been read without error. It
therefore checks nothing: it only has to know where a value ends.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY_PART = re.compile(r"""[ \t]*([A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*')[ \t]*(\.?)""")
_VALUE_PART = re.compile(
    r""""{3}(?:\\.|[^\\])*?"{3}"{0,2}"""  # a quote or two may stand right before the closing three
    r"""|'{3}.*?'{3}'{0,2}"""
    r'''|"(?:[^"\\\n]|\\.)*"'''
    r"""|'[^'\n]*'"""
    r"""|\#[^\n]*|[\[\]{}]|\n|[^"'\#\[\]{}\n]+""",
    re.DOTALL,
)


def key_lines(text: str) -> Mapping[KeyPath, int]:
    """Return the line (from 1) of each table and key of a valid TOML text; an element of `[[a]]` is `("a", index)`.

    Keys within an inline table and elements of an array have no entry of their own.
    """
    lines: dict[KeyPath, int] = {}
    lengths: dict[KeyPath, int] = {}  # of arrays of tables so far
    table: KeyPath = ()
    at, line = 0, 1

    def note(base: KeyPath, keys: list[str]) -> KeyPath:
        path = base
        for key in keys:
            if path in lengths:  # what follows belongs to the array's latest table
                path = (*path, lengths[path] - 1)
            path = (*path, key)
            lines.setdefault(path, line)
        return path

    while True:
        start, at = at, _end(_SPACE, text, at)
        line += text.count("\n", start, at)
        if at >= len(text):
            return lines
        start = at
        if text.startswith("[[", at):
            keys, at = _keys(text, at + 2)
            table = note((), keys)
            lengths[table] = lengths.get(table, 0) + 1
            table = (*table, lengths[table] - 1)
            lines[table] = line
            at += 2
        elif text[at] == "[":
            keys, at = _keys(text, at + 1)
            table = note((), keys)
            lines[table] = line
            at += 1
        else:
            keys, at = _keys(text, at)
            note(table, keys)
            at = _value_end(text, at + 1)
        line += text.count("\n", start, at)


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of `path`, or of the nearest thing around it that has one."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _keys(text: str, at: int) -> tuple[list[str], int]:
    keys = []
    while True:
        part = _KEY_PART.match(text, at)
        assert part is not None, "the text was read as TOML before"
        key = part[1]
        keys.append(tomllib.loads(f"key = {key}")["key"] if key[0] in "\"'" else key)
        at = part.end()
        if not part[2]:
            return keys, at


def _value_end(text: str, at: int) -> int:
    depth = 0
    while at < len(text):
        if text[at] == "\n" and depth == 0:
            return at
        depth += (text[at] in "[{") - (text[at] in "]}")
        at = _end(_VALUE_PART, text, at)
    return at


def _end(pattern: re.Pattern[str], text: str, at: int) -> int:
    found = pattern.match(text, at)
    assert found is not None, "the text was read as TOML before"
    return found.end()
