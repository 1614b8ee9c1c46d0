"""How one unit treats what carries its bare messages: what no document of the protocol says of streams.

The defaults are the plainest unit.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Literal

OneMore = Literal["refused", "drops-older"]


@dataclass(frozen=True, slots=True)
class Wiring:
    """One unit's own ways.

    - `connections`: how many TCP connections it has room for; `one_more` is refused, or takes the oldest one's place.
    - `idle_seconds`: after which it ends a connection on which nothing comes; None: never.
    - `pieces`: into how many at most it chops what it says, a few milliseconds one after the other.
    - `gathers`: whether it holds what it says back for some milliseconds, and sends it together with what comes next.
    - `answers_broadcast`: whether, alone on a serial line, it tells that addresses were set.
    """

    connections: int = 4
    one_more: OneMore = "refused"
    idle_seconds: float | None = None
    pieces: int = 1
    gathers: bool = False
    answers_broadcast: bool = True


def draw_wiring(rng: random.Random) -> Wiring:
    """Make up the ways of one unit, out of all that a camera may have."""
    return Wiring(
        connections=rng.choice((1, 1, 1, 2, 4)),
        one_more=rng.choice(("refused", "drops-older")),
        idle_seconds=rng.choice((None, None, rng.uniform(5.0, 30.0))),
        pieces=rng.choice((1, 2, 4)),
        gathers=rng.choice((False, True)),
        answers_broadcast=rng.choice((False, True)),
    )
