"""What the configuration says of one camera, as the camera itself needs it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from ptzd.line import Tolerance
from ptzd.motion import USUAL_SECONDS_ACROSS, HeadModel, Lens, MoveVerdict, PlanRefused, SecondsAcross, Sensor
from ptzd.visca import Dialect, Renewal

from .window import Window

OnAirMoves = Literal["ask", "allow", "refuse"]
StrangeMotion = Literal["halt", "report"]  # what becomes of a head that moves though nobody here has ordered it


@dataclass(frozen=True, slots=True)
class Optics:
    """What the picture is made with; known only where the configuration tells sensor and focal lengths."""

    sensor: Sensor
    lens: Lens
    frame_rate: float  # pictures a second


@dataclass(frozen=True, slots=True)
class OwnMemories:
    """The camera's own memories, by which it is recalled off air."""

    count: int
    speed: bool = False  # whether it takes the speed at which one is recalled


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """Fixed for as long as the daemon runs, but for the head's model, which may be learned anew."""

    name: str
    dialect: Dialect
    head: HeadModel
    speed: int  # pan step 1..24 of a recall that names none
    tolerance: Tolerance
    on_air_moves: OnAirMoves = "ask"
    on_air_speed: int = 12  # pan step of a recall on air that names none: half the range (common practice)
    optics: Optics | None = None
    window: Window | None = None
    seconds_across: SecondsAcross = USUAL_SECONDS_ACROSS
    memories: OwnMemories | None = None  # None: it is recalled by position
    overhead: bool = False  # it hangs over people
    strange_motion: StrangeMotion = "halt"  # a locked camera is halted all the same

    @property
    def head_measured(self) -> bool:
        """Whether times are predicted with what was measured of this very head; else with a manual's and assumed."""
        return self.head.origin == "learned"

    @property
    def renewal(self) -> Renewal:
        """What the head does with a new absolute order while it moves, as it was learned or as its dialect says."""
        return self.head.renewal if self.head.renewal != "unknown" else self.dialect.renewal

    def hinted(self, verdict: MoveVerdict) -> MoveVerdict:
        """Return a verdict that tells, of a head too fast to watch at any length, what learning it may help."""
        too_fast = not verdict.watchable and verdict.seconds_needed is None
        return replace(verdict, sentence=verdict.sentence + self._hint()) if too_fast else verdict

    def refusal_hinted(self, refusal: PlanRefused) -> PlanRefused:
        """Return the refusal of a shaped move that tells, of a head that is too fast, what learning it may help."""
        too_fast = refusal.code == "too-long"
        return replace(refusal, sentence=refusal.sentence + self._hint()) if too_fast else refusal

    def _hint(self) -> str:
        unknown = self.dialect.slow_mode and self.head.slow is None
        return "; or learn this head: its slow mode may be slow enough" if unknown else ""
