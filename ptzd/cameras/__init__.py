"""One camera each: a conversation over a link, what the camera is doing, how a move is run."""

from .camera import Camera
from .framing import Tolerance, carried, landing, out_of_reach
from .guard import Guard
from .learning import LearnLimits, Progress, estimate_seconds
from .move import Recall
from .plan import MovePlan, MoveRefused, Pace, plan_move, pose_standing, pose_wanted, within_reach
from .reports import (
    LOCKED_MOVING,
    LOCKED_UNSEEN,
    Activity,
    CameraState,
    FocusMode,
    Framing,
    Landing,
    LinkState,
    Lock,
    MoveReport,
    Phase,
    PowerState,
    Tally,
    TallySource,
    Way,
    locked_by,
)
from .settings import CameraSettings, OnAirMoves, Optics, StrangeMotion
from .window import Window, limit_orders, open_to, reach_of

__all__ = [
    "LOCKED_MOVING",
    "LOCKED_UNSEEN",
    "Activity",
    "Camera",
    "CameraSettings",
    "CameraState",
    "FocusMode",
    "Framing",
    "Guard",
    "Landing",
    "LearnLimits",
    "LinkState",
    "Lock",
    "MovePlan",
    "MoveRefused",
    "MoveReport",
    "OnAirMoves",
    "Optics",
    "Pace",
    "Phase",
    "PowerState",
    "Progress",
    "Recall",
    "StrangeMotion",
    "Tally",
    "TallySource",
    "Tolerance",
    "Way",
    "Window",
    "carried",
    "estimate_seconds",
    "landing",
    "limit_orders",
    "locked_by",
    "open_to",
    "out_of_reach",
    "plan_move",
    "pose_standing",
    "pose_wanted",
    "reach_of",
    "within_reach",
]
