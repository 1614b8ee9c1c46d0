"""Names of cameras and positions: short enough for a topic, a key label and a file."""

from __future__ import annotations

import re

NAME_PATTERN = "^[a-z0-9][a-z0-9-]{0,31}$"
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
LONGEST_NAME = 32


def checked_name(text: str) -> str:
    """Return `text` if it is a valid name; raise ValueError with a sentence that says what would be one."""
    if _NAME.fullmatch(text):
        return text
    raise ValueError(
        f"{text!r} is not a valid name: write 1 to {LONGEST_NAME} lower-case letters, digits and hyphens, "
        f'starting with a letter or digit, such as "{_nearest_name(text)}"'
    )


def _nearest_name(text: str) -> str:
    name = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:LONGEST_NAME].strip("-")
    return name or "choir-wide"
