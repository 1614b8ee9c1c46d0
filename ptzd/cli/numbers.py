"""Numbers on the command line: within a range, and finite."""

from __future__ import annotations

from math import isfinite
from typing import Any

import click


class FiniteRange(click.FloatRange):
    """A number within a range; `nan`, which lies outside of none, is no number here."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number. Raises BadParameter where it is none or out of range."""
        number = float(super().convert(value, param, ctx))
        if not isfinite(number):
            self.fail(f"{value} is not a finite number.", param, ctx)
        return number
