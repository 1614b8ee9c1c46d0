"""What a camera is doing: exactly one thing at a time; who ends whom, and how that is told.

Theory of operation. A camera holds one activity. Whoever wants something else of it brings the next one, whose orders
leave in that very call, and then the older one is ended: the `Cause` says in which words. An activity that comes to its
own end tells its host. Nothing but a cause from the table below ends an activity.

| cause         | ends                     | what follows     |
|---------------|--------------------------|------------------|
| a recall      | everything               | direct or shaped |
| a drive       | everything               | by hand; where no axis is deflected any more, halting |
| a drive that nobody goes on with | by hand | halting      |
| a learning    | rest (else it is refused)| learning         |
| a stop, a lock, the end of the daemon | everything | halting      |
| on program    | learning                 | halting          |
| a stall, no guard | what has no end of its own | halting    |
| silence, a lost connection | what has no end of its own | halting, whose stop is the first that it hears again |
| silence       | a direct move            | rest, which has to be looked at first |
| a restart     | a shaped move in slow mode | halting |
| a start-up, a switch | learning, a shaped move | halting |
| motion without an order | rest           | halting, unless it is only to be told |
| a mistake of ours | everything           | halting          |

Halting ends only when the camera's own readings stand still.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

from ptzd.line import Framing
from ptzd.visca import PanTiltPosition

from .contact import Contact
from .move import Move
from .reports import ActivityKind, Phase
from .settings import CameraSettings
from .term import TERM_SECONDS


@dataclass(frozen=True, slots=True)
class Cause:
    """Why an activity ends before its time. In the sentences {what} is what is told of it beside the cause."""

    phase: Phase  # in which a move ends
    code: str
    sentence: str  # on a move, after "camera NAME to POSITION: "
    learning: str  # what becomes of a camera that is being learned: "was stopped"


RECALLED = Cause(Phase.SUPERSEDED, "superseded", "a newer recall, {what}, took its place", "was sent to {what}")
DRIVEN = Cause(Phase.SUPERSEDED, "superseded", "it was driven by hand", "was driven by hand")
LEARNED = Cause(Phase.SUPERSEDED, "superseded", "", "")
STOPPED = Cause(Phase.STOPPED, "stopped", "a stop was asked for", "was stopped")
LOCKED = Cause(Phase.STOPPED, "stopped", "it was locked", "was locked")
ENDING = Cause(Phase.STOPPED, "stopped", "the daemon came to its end", "was no longer attended to")
ON_PROGRAM = Cause(Phase.STOPPED, "stopped", "", "went on air")
STALLED = Cause(
    Phase.FAILED,
    "stalled",
    "this computer stood still for {what} s meanwhile, so it was stopped; recall again",
    "was stopped, since this computer stood still for {what} s",
)
UNGUARDED = Cause(
    Phase.FAILED,
    "unguarded",
    "the guard that would stop it if this program failed has gone, so it was stopped; recall again",
    "was stopped, since its guard has gone",
)
SILENT = Cause(
    Phase.FAILED,
    "unreachable",
    "it stopped answering; it may still be finishing the move",
    "stopped answering",
)
SILENT_DRIVEN = Cause(
    Phase.FAILED,
    "unreachable",
    "it stopped answering while it was driven, so it may go on until its end: pull its plug if it endangers anybody; "
    "the first thing that it hears again is a stop",
    "stopped answering",
)
RESTARTED = Cause(
    Phase.FAILED,
    "restarted",
    "it restarted, or somebody else spoke to it, in a move in slow mode: nobody knows whether that is still on, so it "
    "was stopped; recall again",
    "restarted",
)
SWEEPS = Cause(Phase.FAILED, "initialising", "it restarted and is finding its ends", "restarted")
SWITCHED_OFF = Cause(Phase.FAILED, "standby", "it was switched off", "was switched off")
BROKEN = Cause(Phase.FAILED, "internal", "the move broke off", "was no longer attended to")
LET_GO = Cause(Phase.STOPPED, "stopped", "", "")
STRAYED = Cause(Phase.STOPPED, "stopped", "", "")


class Host(Protocol):
    """What an activity needs of the camera whose it is."""

    contact: Contact
    settings: CameraSettings

    def spawn(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Run it for as long as the camera is attended to."""

    def told(self, move: Move) -> None:
        """A move is in another phase."""

    def ended(
        self, activity: Activity, phase: Phase, code: str | None = None, sentence: str | None = None, *, halt: bool
    ) -> None:
        """An activity came to its own end: a move in this phase. With `halt` the camera may still be moving."""

    def rested(self) -> None:
        """The camera stands still by its own readings: whatever it did is over."""

    def strayed(self) -> None:
        """The camera moves though nobody here has ordered it."""

    def silent(self) -> None:
        """The camera has answered none of the repeats."""


class Activity:
    """One thing that a camera does."""

    kind: ClassVar[ActivityKind]
    move: Move | None = None
    reads = False  # it asks for the camera's positions itself

    @property
    def quiet(self) -> bool:
        """Whether nobody else is to ask."""
        return self.reads

    @property
    def unended(self) -> bool:
        """Whether the camera may be moving without an end of its own."""
        return False

    def term_seconds(self) -> float:
        """For how long it may go on, at most, should nobody be in control any more."""
        return TERM_SECONDS

    def begin(self, older: Activity) -> None:
        """Give the first orders, now."""

    def heard(self, framing: Framing, now: float) -> None:
        """Take in where the camera is."""

    def saw(self, head: PanTiltPosition) -> None:
        """Take in where the head is, of which more is being asked."""

    def end(self) -> None:
        """Do nothing more: something else has begun, and has given its orders."""
