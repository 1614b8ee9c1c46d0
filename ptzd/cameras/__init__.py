"""One camera each: a conversation over a link, what the camera is doing, how a move is run."""

from .camera import Camera, CameraRefusal
from .framing import Tolerance, carried, landing, out_of_reach
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
from .settings import CameraSettings, OnAirMoves, Optics

__all__ = [
    "Camera",
    "CameraRefusal",
    "CameraSettings",
    "CameraState",
    "FocusMode",
    "Framing",
    "Landing",
    "LinkState",
    "Lock",
    "MoveReport",
    "OnAirMoves",
    "Optics",
    "Phase",
    "PowerState",
    "Recall",
    "Tally",
    "Tolerance",
    "Way",
    "carried",
    "landing",
    "out_of_reach",
]
