"""How one unit treats what the protocol leaves open: what two cameras of one kind may do unlike each other.

Nothing of this is printed anywhere, and a controller only finds it out by trying. The defaults are the plainest camera.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Literal

from .numbers import Numbers

Renewal = Literal["smooth", "stops", "refused"]
Overtaken = Literal["cancelled", "completed", "kept"]
CancelReply = Literal["to-cancel", "to-cancelled", "none"]


@dataclass(frozen=True, slots=True)
class Habits:
    """One unit's own ways.

    - `sockets`: how many commands it holds at a time; one more finds the buffer full.
    - `stop_seconds`: how long an order to stop holds its socket before the motors hear of it. One that is cancelled or
      overtaken before that never stops anything.
    - `renewal`: what a new absolute order does while the head moves: it goes on to the new place, comes to rest first,
      or refuses (error 41) until it rests. A drive order is always taken.
    - `overtaken`: what becomes of an older command whose motors a newer one takes: cancelled (error 04), completed at
      once, or kept, which holds its socket until the motors rest and completes then.
    - `cancel_reply`: under whose number the end of a cancelled command is told: that of the Cancel, that of the command
      itself, or not at all.
    - `numbers`: which sequence numbers it takes: the next one alone, as documents have it, or any, without looking.
    - `answers_fragments`: whether less than a message, on a bare link, is answered by an error.
    """

    sockets: int = 2  # 1..3
    stop_seconds: float = 0.0
    renewal: Renewal = "smooth"
    overtaken: Overtaken = "cancelled"
    cancel_reply: CancelReply = "to-cancel"
    numbers: Numbers = "next"
    answers_fragments: bool = True


def draw_habits(rng: random.Random) -> Habits:
    """Make up the ways of one unit, out of all that a camera may have."""
    return Habits(
        sockets=rng.choice((1, 2, 3)),
        stop_seconds=rng.choice((0.0, rng.uniform(0.02, 0.10))),
        renewal=rng.choice(("smooth", "stops", "refused")),
        overtaken=rng.choice(("cancelled", "completed", "kept")),
        cancel_reply=rng.choice(("to-cancel", "to-cancelled", "none")),
        numbers=rng.choice(("next", "any")),
    )
