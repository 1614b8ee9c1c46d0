"""One camera each: a conversation over a link, what the camera is doing, how a move is run."""

from .camera import Camera
from .learning import LearnLimits, Progress
from .move import Recall
from .plan import MovePlan, MoveRefused, Pace, plan_move, pose_standing, pose_wanted, within_reach
from .power import Switching, not_clear
from .reports import (
    LOCKED_MOVING,
    LOCKED_UNSEEN,
    ActivityKind,
    CameraState,
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
from .settings import CameraSettings, Optics, OwnMemories
from .window import Window, limit_orders, open_to, reach_of
