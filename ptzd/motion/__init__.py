"""Pure sums: how long a move takes and how it is best made. No I/O, no clock, stands on nothing.

What stands on numpy, `attitude` and `swing_fit`, is read by those who need it: that takes as long as all the rest.
"""

from .across import (
    USUAL_SECONDS_ACROSS,
    Grip,
    SecondsAcross,
    nearest_step,
    panning_deg_per_s,
    tilting_deg_per_s,
    zooming_counts_per_s,
)
from .aiming import aimed_at, filling_mm, turned_to
from .direct_plan import DirectPlan, PlanRefused, plan_at_speed, plan_in_seconds
from .fit import (
    Figure,
    FitError,
    RampFit,
    Reading,
    Ride,
    ShapeFit,
    Trip,
    fit_amplitudes,
    fit_lens,
    fit_line,
    fit_ramp,
    fit_ride,
    fit_shape,
    fit_speed,
    speed_from_trip,
    steady,
)
from .head import (
    ON_A_RAIL,
    ON_A_TRIPOD,
    AxisModel,
    HeadModel,
    Renewal,
    SettleModel,
    SlowMode,
    Spread,
    ZoomModel,
    published_head,
)
from .headfile import HeadFileError, LearnedHead, Measured, read_head, write_head
from .lens import Lens, lens_between
from .optics import (
    SHOT_HEIGHT_M,
    PanningVerdict,
    Sensor,
    Shot,
    angle_of_view_deg,
    depth_of_field_m,
    focal_length_for_picture_mm,
    focal_length_for_shot_mm,
    hyperfocal_m,
    judge_panning,
    panning_limit_deg_per_s,
    picture_size_m,
    pixels_per_count,
)
from .picture import Picture
from .pose import AxisSpeeds, Pose
from .prediction import Prediction, predict
from .profile import peak_speed, seconds_for_axis
from .shaped_plan import ShapedPlan, plan_shaped
from .slow_or_not import plan_to_be_seen
from .steering import DriveHead, DriveZoom, LandHead, LandZoom, Order, StartFocus, Steering
from .watching import (
    MoveVerdict,
    judge_move,
    judge_samples,
    picture_speed_widths_per_s,
    watching_limit_widths_per_s,
)
