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
from .lens import PUBLISHED_RATIOS, Lens, lens_between
from .optics import (
    SHOT_HEIGHT_M,
    PanningVerdict,
    Sensor,
    Shot,
    angle_of_view_deg,
    focal_length_for_picture_mm,
    focal_length_for_shot_mm,
    judge_panning,
    panning_limit_deg_per_s,
    picture_size_m,
    pixels_per_count,
)
from .pose import Pose
from .prediction import Prediction, predict
from .profile import peak_speed, position_at, remaining_seconds, seconds_for_axis
from .watching import (
    AxisSpeeds,
    MoveVerdict,
    judge_move,
    judge_samples,
    judge_speeds,
    picture_speed_widths_per_s,
    watching_limit_widths_per_s,
)

__all__ = [
    "ON_A_RAIL",
    "ON_A_TRIPOD",
    "PUBLISHED_RATIOS",
    "SHOT_HEIGHT_M",
    "AxisModel",
    "AxisSpeeds",
    "DirectPlan",
    "HeadModel",
    "Lens",
    "MoveVerdict",
    "PanningVerdict",
    "PlanRefused",
    "Pose",
    "Prediction",
    "Sensor",
    "SettleModel",
    "Shot",
    "Spread",
    "ZoomModel",
    "angle_of_view_deg",
    "focal_length_for_picture_mm",
    "focal_length_for_shot_mm",
    "judge_move",
    "judge_panning",
    "judge_samples",
    "judge_speeds",
    "lens_between",
    "panning_limit_deg_per_s",
    "peak_speed",
    "picture_size_m",
    "picture_speed_widths_per_s",
    "pixels_per_count",
    "plan_at_speed",
    "plan_in_seconds",
    "position_at",
    "predict",
    "published_head",
    "remaining_seconds",
    "seconds_for_axis",
    "watching_limit_widths_per_s",
]
