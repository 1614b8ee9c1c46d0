"""One move of one camera: what was asked, what was promised, where it is."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

from ptzd.motion import Prediction, ShapedPlan

from .line import Exchange
from .reports import Framing, Phase, Way


@dataclass(frozen=True, slots=True)
class Recall:
    """A stored position asked for, with `step` or `seconds` or neither, which means the camera's own speed."""

    position: str
    framing: Framing  # in the counts of the camera's own dialect
    step: int | None = None  # pan step, 1..24
    seconds: float | None = None
    on_air: bool = False  # "yes, although the camera is on program"
    id: str | None = None
    token: object = None  # comes back with every report of the move, such as whom to answer


@dataclass(slots=True)
class Move:
    """A recall on its way."""

    recall: Recall
    pan_step: int
    tilt_step: int
    prediction: Prediction
    way: Way
    why: str
    started_at: float  # loop time
    warning: str | None = None  # on air and too fast to watch
    shaped: ShapedPlan | None = None  # for a shaped move
    exchanges: list[Exchange] = field(default_factory=list)  # of a shaped move, those that land it
    phase: Phase = Phase.ACCEPTED
    taken: bool = False  # by the camera: the order to go to the framing, which ends whatever it did before
    there_since: float | None = None  # loop time at which a reading first lay within tolerance, and stayed so
    task: asyncio.Task[None] | None = None

    @property
    def steered(self) -> bool:
        """Whether the head is being driven along a curve now; whoever steers asks for its positions, too."""
        return self.shaped is not None and not self.exchanges

    def completion_seconds(self) -> float:
        """How long the camera may take to report the end: generous, since a lost completion is noticed otherwise."""
        return 2.0 + 2.0 * self.prediction.most_seconds
