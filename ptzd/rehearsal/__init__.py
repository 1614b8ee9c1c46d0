"""Whether a show's moves fit between its cues, what is in the way, and what would help. Pure sums."""

from .fix import Fixed, fix
from .moves import SWEEP_SECONDS, RehearsedCamera
from .rehearse import rehearse
from .rehearsed import Conflict, ConflictKind, OnAirStretch, PlannedMove, Rehearsal, RehearsedCue
from .vary import vary
from .words import doubts, fit_text, range_text, reservations, verdict
