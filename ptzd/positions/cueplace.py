"""Where a show stands in its cues, as it is kept across a restart."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class CuePlace:
    """Where a show stands, as it is kept across a restart. None before the first cue and after the last.

    `on_air` are the cameras that may be seen, as the cues have it: which they are, the numbers alone do not tell where
    cues were passed over, or written anew.
    """

    standing: Decimal | None = None
    next: Decimal | None = None
    held: bool = False
    on_air: frozenset[str] = frozenset()
