"""Pure sums: how long a move takes and how it is best made. No I/O, no clock, stands on nothing."""

from .direct import DirectPlan, PlanRefused, plan_at_speed, plan_in_seconds
from .head import (
    ON_A_RAIL,
    ON_A_TRIPOD,
    AxisModel,
    HeadModel,
    SettleModel,
    Spread,
    ZoomModel,
    published_head,
)
from .pose import Pose
from .prediction import Prediction, predict
from .profile import peak_speed, position_at, remaining_seconds, seconds_for_axis

__all__ = [
    "ON_A_RAIL",
    "ON_A_TRIPOD",
    "AxisModel",
    "DirectPlan",
    "HeadModel",
    "PlanRefused",
    "Pose",
    "Prediction",
    "SettleModel",
    "Spread",
    "ZoomModel",
    "peak_speed",
    "plan_at_speed",
    "plan_in_seconds",
    "position_at",
    "predict",
    "published_head",
    "remaining_seconds",
    "seconds_for_axis",
]
