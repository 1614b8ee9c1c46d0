"""One camera each: a conversation over a link, what the camera is doing, how a move is run."""

from .camera import Camera
from .framing import Tolerance, landing, out_of_reach
from .guard import Guard
from .learning import LearnLimits, Progress
from .move import Recall
from .plan import MovePlan, MoveRefused, Pace, plan_move, pose_standing, pose_wanted, within_reach
from .power import Switching, not_clear
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
from .settings import USUAL_SECONDS_ACROSS, CameraSettings, Grip, Optics, OwnMemories, SecondsAcross
from .still import alike
from .window import Window, limit_orders, open_to, reach_of
