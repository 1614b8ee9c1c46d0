"""What may be written on the command line: names, files, one of a few words, and numbers."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite
from pathlib import Path
from typing import Any

import click

from ptzd.likely import did_you_mean
from ptzd.names import checked_name


def name(text: str) -> str:
    """Return `text` if it is a name; anything else is used wrongly before it is sent anywhere."""
    try:
        return checked_name(text)
    except ValueError:
        raise click.BadParameter(
            f"{text!r} is not a name; write 1 to 32 lower-case letters, digits and hyphens, "
            "beginning with a letter or a digit, such as choir-wide."
        ) from None


def advice(name: str, known: Iterable[str]) -> str:
    """Return what to write in place of a name that is not known: the one that is near, or which there are."""
    names = list(known)
    return did_you_mean(name.lower(), names, f"there are {', '.join(names)}.")


TEXT_FILE = click.Path(dir_okay=False, path_type=Path)


class OneOf(click.Choice[str]):
    """One of a few words; for another one, the word that is near it is suggested."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the word. Raises BadParameter where it is none of them."""
        if value in self.choices:
            return str(value)
        return self.fail(f"there is no {value!r} here; {advice(str(value), self.choices)}", param, ctx)


class FiniteRange(click.FloatRange):
    """A number within a range; `nan`, which lies outside of none, is no number here."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number. Raises BadParameter where it is none or out of range."""
        number = float(super().convert(value, param, ctx))
        if not isfinite(number):
            self.fail(f"{value} is not a finite number.", param, ctx)
        return number
