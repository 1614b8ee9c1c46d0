"""Names of cameras and positions: short enough for a topic, a key label and a file; and what topics begin with."""

from __future__ import annotations

import re

NAME_PATTERN = "^[a-z0-9][a-z0-9-]{0,31}$"
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
_NUMBER = re.compile(r"[0-9]+")
LONGEST_NAME = 32
LONGEST_BASE = 200  # characters


def checked_name(text: str) -> str:
    """Return `text` if it is a valid name; raise ValueError with a sentence that says what would be one."""
    if _NAME.fullmatch(text):
        return text
    raise ValueError(
        f"{text!r} is not a valid name: write 1 to {LONGEST_NAME} lower-case letters, digits and hyphens, "
        f'starting with a letter or digit, such as "{_nearest_name(text)}"'
    )


def as_counted(name: str) -> tuple[str, str]:
    """By what names are sorted as people count: 2 comes before 10."""
    return _NUMBER.sub(lambda number: number[0].zfill(LONGEST_NAME), name), name


def checked_base(text: str) -> str:
    """Return `text` if topics can lie below it; raise ValueError with a sentence that says what can be a base."""
    if len(text) <= LONGEST_BASE and all(text.split("/")) and not text.startswith("$") and not set(text) & set("+#\0"):
        return text
    raise ValueError(
        f"{text[:40]!r} can't be the start of a topic: write one or more words with a slash between them, "
        f"without +, # and a $ at the start, at most {LONGEST_BASE} characters, such as ptzd"
    )


def _nearest_name(text: str) -> str:
    name = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:LONGEST_NAME].strip("-")
    return name or "choir-wide"
