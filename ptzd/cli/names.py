"""Names on the command line: of cameras and positions."""

from __future__ import annotations

import re

import click

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")


def name(text: str) -> str:
    """Return `text` if it is a name; anything else is used wrongly before it is sent anywhere."""
    if _NAME.fullmatch(text) is None:
        raise click.BadParameter(
            f"{text!r} is not a name; write 1 to 32 lower-case letters, digits and hyphens, "
            "beginning with a letter or a digit, such as choir-wide."
        )
    return text
