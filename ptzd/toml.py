"""TOML as the standard library reads it, within bounds that a text is held to before it is read.

Theory of operation. A reader of TOML keeps something for every beginning of every key, so one key of ten thousand parts
takes half a gigabyte, and five times as many take gigabytes. So the text is first gone through token by token: strings
and comments are passed over as the reader passes over them, and what is left shows how many parts a key has, how deep
brackets are nested and how many keys and tables there are. Up to the first mistake in a text both see the same tokens,
and beyond it nothing is read.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

LARGEST_CHARACTERS = 5_000_000
MOST_PARTS = 16  # of a dotted key; nothing of ours has more than four
MOST_NESTED = 16  # brackets and braces within each other
MOST_ENTRIES = 100_000  # keys, tables and parts of names, 8000 positions; each costs up to some kilobytes

# Possessive, so that a long string costs no memory for ways back into it.
_TOKEN = re.compile(
    r"""(?P<text>"{3}(?:[^"\\]++|\\.|"(?!""))*+"{3}"{0,2}|'{3}(?:[^']++|'(?!''))*+'{3}'{0,2}"""
    r"""|"(?!"")(?:[^"\\\n]++|\\.)*+"|'(?!'')[^'\n]*+'|[A-Za-z0-9_+:-]++)"""
    r"""|(?P<never_closed>["'])|(?P<open>[\[{])|(?P<close>[\]}])|(?P<dot>\.)|(?P<equals>=)"""
    r"""|(?P<space>[ \t]++|\#[^\n]*+)|(?P<other>.)""",
    re.DOTALL,
)


class TomlBoundsError(ValueError):
    """A text goes beyond what is read; it says what and, with `line` (from 1), where."""

    def __init__(self, sentence: str, line: int | None) -> None:
        super().__init__(sentence)
        self.line = line


def loads(text: str) -> dict[str, Any]:
    """Return the tables in a text. Raises TomlBoundsError, or ValueError as `tomllib.loads` does."""
    text = text.removeprefix("\ufeff")  # some editors begin every text with it
    _require_bounds(text)
    try:
        return tomllib.loads(text)
    except RecursionError:  # out of a caller's deep stack
        raise TomlBoundsError("brackets are nested too deeply; a few levels are enough", None) from None


def _require_bounds(text: str) -> None:
    if len(text) > LARGEST_CHARACTERS:
        raise TomlBoundsError(
            f"the text is larger than {LARGEST_CHARACTERS // 1_000_000} MB; nothing ptzd reads is, so check which file "
            "it is",
            None,
        )
    parts = depth = entries = 0
    joined = False  # whether a dot came last, apart from spaces
    for token in _TOKEN.finditer(text):
        kind = token.lastgroup
        if kind == "space":
            continue
        if kind == "never_closed":
            return  # the reader comes no further either
        if kind == "text":
            parts = parts + 1 if joined else 1
            if parts > MOST_PARTS:
                raise _beyond(text, token, f"a key has more than {MOST_PARTS} parts with dots between; use a few")
        elif kind == "open":
            depth += 1
            if depth > MOST_NESTED:
                raise _beyond(text, token, "brackets are nested too deeply; a few levels are enough")
        elif kind == "close":
            depth = max(0, depth - 1)
        if kind in ("open", "dot", "equals"):
            entries += 1
            if entries > MOST_ENTRIES:
                raise _beyond(text, token, f"there are more than {MOST_ENTRIES} keys and tables; split the text")
        joined = kind == "dot"


def _beyond(text: str, token: re.Match[str], sentence: str) -> TomlBoundsError:
    return TomlBoundsError(sentence, text.count("\n", 0, token.start()) + 1)
