"""One move of one camera: what was asked, what was promised, where it is."""

from __future__ import annotations

from dataclasses import dataclass, field

from ptzd.line import Arrival, Exchange, Framing
from ptzd.visca import Dialect

from .plan import MovePlan
from .reports import Phase

# By when every move has ended, in one way or another, counted from its start.
PROMISES = 3.0
BEYOND_PROMISES_SECONDS = 9.5  # half a second before ten are over, in which its end is told


NOT_STORED = "its new framing"


@dataclass(frozen=True, slots=True)
class Recall:
    """A framing asked for, with `step` or `seconds` or neither, which means the camera's own speed."""

    position: str | None  # under which it is stored; None for one that is not
    framing: Framing  # in the counts of the camera's own dialect
    step: int | None = None  # pan step, 1..24
    seconds: float | None = None
    on_air: bool = False  # "yes, although the camera is on program"
    id: str | None = None
    token: object = None  # comes back with every report of the move, such as whom to answer
    warning: str | None = None  # that is told with it
    memory: int | None = None  # of the camera's own, in which the framing lies as well
    exactly: bool = False  # refused where the time can't be had; else the nearest is taken
    seen: bool = False  # made as for viewers, whatever the tally says now: a mixer may tell of them a moment later

    @property
    def goal(self) -> str:
        """What it goes to, in words."""
        return self.position or NOT_STORED


@dataclass(slots=True)
class Move:
    """A recall on its way."""

    recall: Recall
    plan: MovePlan
    dialect: Dialect
    arrival: Arrival
    started_at: float  # loop time
    head_measured: bool  # or promised by what a manual says
    warning: str | None = None  # on air and too fast to watch, or in another time than was stored
    exchanges: list[Exchange] = field(default_factory=list)  # of a shaped move, those that land it
    phase: Phase = Phase.ACCEPTED
    lost_memory: int | None = None  # that did not bring it where it should
    taken: bool = False  # by the camera: the order to go to the framing, which ends whatever it did before

    @property
    def settled_at(self) -> float:
        """Loop time at which it is promised to have settled."""
        return self.started_at + self.plan.prediction.seconds_to_settled

    @property
    def given_up_at(self) -> float:
        """Loop time at which it has failed, whatever goes on."""
        return self.started_at + PROMISES * self.plan.prediction.seconds_to_settled + BEYOND_PROMISES_SECONDS

    def completion_seconds(self) -> float:
        """How long the camera may take to report the end: generous, since a lost completion is noticed otherwise."""
        return 2.0 + 2.0 * self.plan.prediction.most_seconds
