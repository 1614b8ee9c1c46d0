"""What a camera says about itself: its state, and each phase of each move.

These are the only shapes in which the floors above (show, bus, page) learn of a camera. Frozen, so that
they can be kept, compared and sent without a copy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Literal

from ptzd.line import Framing, Landing

LinkState = Literal["up", "down"]
PowerState = Literal["on", "standby", "starting", "unknown"]
Tally = Literal["program", "preview", "off", "unknown"]  # nobody knows better than that an unknown one is seen
TallySource = Literal["message", "cues", "configuration"]  # each counts where none before it has spoken
Way = Literal["direct", "shaped"]  # one absolute move, or a drive along a smooth curve that an absolute move lands


def counts_as_on_air(tally: Tally) -> bool:
    """Whether a camera with this tally is treated as seen: one of which nobody knows is."""
    return tally in ("program", "unknown")


class ActivityKind(StrEnum):
    """What a camera is doing: exactly one thing."""

    AT_REST = "at-rest"
    DIRECT = "direct"
    SHAPED = "shaped"
    BY_HAND = "by-hand"
    LEARNING = "learning"
    HALTING = "halting"


class Phase(StrEnum):
    """Where a move is. `IDLE` is said of a camera only, never of a move."""

    IDLE = "idle"
    ACCEPTED = "accepted"
    SLEWING = "slewing"
    SETTLING = "settling"
    SETTLED = "settled"
    REFUSED = "refused"
    SUPERSEDED = "superseded"
    STOPPED = "stopped"
    FAILED = "failed"

    @property
    def ended(self) -> bool:
        """Whether a move in this phase is over."""
        return self in _ENDED


_ENDED = frozenset({Phase.SETTLED, Phase.REFUSED, Phase.SUPERSEDED, Phase.STOPPED, Phase.FAILED})


@dataclass(frozen=True, slots=True)
class Lock:
    """Who locked a camera and why. Several people may: it is free when the last of them has let go."""

    by: str
    reason: str
    since: datetime


LOCKED_MOVING = "it is locked, but was not seen to come to rest: it may still be moving"
LOCKED_UNSEEN = "it is locked, but does not answer: nobody knows whether it stands still"


def locked_by(locks: Sequence[Lock]) -> str:
    """Return who keeps a camera still, to go on after "is"."""
    said = [f"{lock.by or 'somebody'}{f' ({lock.reason})' if lock.reason else ''}" for lock in locks]
    return f"locked by {' and by '.join(said)}"


@dataclass(frozen=True, slots=True)
class CameraState:
    """One camera as last heard. Positions are None until the camera has told them once."""

    camera: str
    link: LinkState
    power: PowerState
    phase: Phase
    framing: Framing | None
    pan_deg: float | None
    tilt_deg: float | None
    position: str | None  # the stored position it stands in
    seconds_to_settled: float | None  # while a move runs, the prediction; 0.0 when overdue
    tally: Tally
    locks: tuple[Lock, ...]  # the oldest first; none: nobody keeps it still
    faults: tuple[str, ...]  # sentences, such as "digital zoom is on: zoom positions may not come back"
    as_of: datetime
    activity: ActivityKind | None = ActivityKind.AT_REST  # None: not ordered, nor seen to stand still yet
    focus_in_doubt: bool = False  # it focuses by itself, and was not seen to have found its focus since it rests
    tally_source: TallySource | None = None  # None: nobody has told
    tally_since: datetime | None = None  # since when it has this tally; None where nobody knows
    was_in: str | None = None  # it was in, or on its way to, before it restarted or fell silent, and is not back in

    @property
    def on_air(self) -> bool:
        """Whether it is seen, or may be, since nobody tells."""
        return counts_as_on_air(self.tally)


@dataclass(frozen=True, slots=True)
class MoveReport:
    """One phase of one move, as it begins."""

    camera: str
    phase: Phase
    position: str | None
    id: str | None  # the command's own
    predicted_seconds: float | None  # from start to settled
    measured_seconds: float | None  # from start to now; for `SETTLED`, to the moment it was known
    landing: Landing | None
    code: str | None  # for a move that ended otherwise than settled
    sentence: str | None
    as_of: datetime
    least_seconds: float | None = None  # the range that holds the truth nine times in ten, or more
    most_seconds: float | None = None
    head_measured: bool | None = None  # whether these are figures of this head, or a manual's and assumed
    way: Way | None = None
    why: str | None = None  # why this way and these speeds
    warning: str | None = None  # what a viewer would see, where the move is on air and too fast to watch
    token: object = None  # what came with the recall, untouched
    hint: str | None = None  # of a refusal: see `Refusal`
    lost_memory: int | None = None  # the camera's own, which turned out not to hold what was stored
