"""One camera each: a conversation over a link, what the camera is doing, how a move is run."""

from .camera import Camera, CameraRefusal
from .framing import Tolerance, carried, landing, out_of_reach
from .guard import Guard
from .learning import LearnLimits, Progress, estimate_seconds
from .move import Recall
from .reports import (
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
    Way,
)
from .settings import CameraSettings, OnAirMoves, Optics, StrangeMotion, Window

__all__ = [
    "Camera",
    "CameraRefusal",
    "CameraSettings",
    "CameraState",
    "FocusMode",
    "Framing",
    "Guard",
    "Landing",
    "LearnLimits",
    "LinkState",
    "Lock",
    "MoveReport",
    "OnAirMoves",
    "Optics",
    "Phase",
    "PowerState",
    "Progress",
    "Recall",
    "StrangeMotion",
    "Tally",
    "Tolerance",
    "Way",
    "Window",
    "carried",
    "estimate_seconds",
    "landing",
    "out_of_reach",
]
