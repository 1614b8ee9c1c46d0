"""What is known of how one head moves: its speeds by step, its accelerations, its delays, its swing.

Frozen, made of plain numbers, text and tuples, so that a model can be kept in a file. A model is either
`published` (from a manual's table, with what no manual tells assumed below) or `learned` (measured on the very
head). Its `spread` says how far to trust each figure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from math import log
from typing import Literal

from .profile import mean_acceleration

Origin = Literal["published", "learned"]
Renewal = Literal["smooth", "stops", "refused", "unknown"]
"""What the head does with a new absolute order while it still moves: goes on to the new place, comes to rest first,
refuses. No manual tells."""

# No manual publishes what follows. It is assumed, in the range of common practice, and is what a learned head
# replaces; the spread of a published head is as wide as it is for that reason.
ASSUMED_PAN_ACCELERATION_DEG_PER_S2 = 120.0
ASSUMED_TILT_ACCELERATION_DEG_PER_S2 = 120.0
ASSUMED_ZOOM_DIRECT_COUNTS_PER_S = 5500.0  # 0x4000 counts, from the wide end to the tele end, in 3 s
ASSUMED_ZOOM_DRIVE_COUNTS_PER_S = (400.0, 600.0, 900.0, 1300.0, 1900.0, 2700.0, 3900.0, 5500.0)  # 40 s to 3 s
ASSUMED_ZOOM_ACCELERATION_COUNTS_PER_S2 = 22000.0  # full speed within 0.25 s
ASSUMED_FOCUS_COUNTS_PER_S = 22500.0  # 0xB000 counts, from one end to the other, in 2 s
ASSUMED_LATENCY_SECONDS = 0.06  # from the packet's leaving to the head's moving


def _require_positive(what: str, *figures: float) -> None:
    for figure in figures:
        if not 0.0 < figure < float("inf"):
            raise ValueError(f"{what} must be above zero, not {figure}")


def _require_not_negative(what: str, *figures: float) -> None:
    for figure in figures:
        if not 0.0 <= figure < float("inf"):
            raise ValueError(f"{what} must not be below zero, not {figure}")


@dataclass(frozen=True, slots=True)
class AxisModel:
    """Pan or tilt. `steps_deg_per_s[0]` is step 1; a later step is never slower. Raises ValueError otherwise.

    `braking_deg_per_s2` is None where it is not known and taken to be as the acceleration. Both are those on the
    average of a ramp; `s_share` is the share of each ramp that is rounded (see `profile.course_at`).
    """

    steps_deg_per_s: tuple[float, ...]
    acceleration_deg_per_s2: float
    braking_deg_per_s2: float | None = None
    s_share: float = 0.0

    def __post_init__(self) -> None:
        if not self.steps_deg_per_s:
            raise ValueError("an axis needs the speed of one step at least")
        _require_positive("the speed of a step", *self.steps_deg_per_s)
        for step, (slower, faster) in enumerate(pairwise(self.steps_deg_per_s), 1):
            if faster < slower:
                raise ValueError(
                    f"step {step + 1} ({faster}°/s) must not be slower than step {step} ({slower}°/s); sort the table"
                )
        _require_positive("an acceleration", self.acceleration_deg_per_s2)
        if self.braking_deg_per_s2 is not None:
            _require_positive("a deceleration", self.braking_deg_per_s2)
        if not 0.0 <= self.s_share <= 1.0:
            raise ValueError(f"the rounded share of a ramp lies between 0 and 1, not at {self.s_share}")

    @property
    def deceleration_deg_per_s2(self) -> float:
        """How it brakes, as far as is known."""
        return self.acceleration_deg_per_s2 if self.braking_deg_per_s2 is None else self.braking_deg_per_s2

    @property
    def mean_acceleration_deg_per_s2(self) -> float:
        """The acceleration with which to reckon how long a way takes from rest to rest."""
        if self.braking_deg_per_s2 is None:
            return self.acceleration_deg_per_s2
        return mean_acceleration(self.acceleration_deg_per_s2, self.braking_deg_per_s2)

    @property
    def fastest_step(self) -> int:
        """The highest step there is."""
        return len(self.steps_deg_per_s)

    def speed_deg_per_s(self, step: int) -> float:
        """Return the speed of a step, 1 to `fastest_step`. Raises ValueError outside."""
        if not 1 <= step <= len(self.steps_deg_per_s):
            raise ValueError(f"step {step} does not exist; this axis has steps 1 to {len(self.steps_deg_per_s)}")
        return self.steps_deg_per_s[step - 1]


@dataclass(frozen=True, slots=True)
class ZoomModel:
    """The zoom: its one speed when sent to a position, and its eight speeds when driven (0 to 7)."""

    direct_counts_per_s: float
    drive_counts_per_s: tuple[float, ...]
    acceleration_counts_per_s2: float

    def __post_init__(self) -> None:
        _require_positive("the zoom's speed", self.direct_counts_per_s, *self.drive_counts_per_s)
        if len(self.drive_counts_per_s) != 8:
            raise ValueError(f"a zoom is driven at eight speeds, 0 to 7, not at {len(self.drive_counts_per_s)}")
        _require_positive("the zoom's acceleration", self.acceleration_counts_per_s2)


@dataclass(frozen=True, slots=True)
class SettleModel:
    """How long the picture takes to be still after the head has stopped.

    Head and mount swing as A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t), A growing with the speed it came from; it is still
    when the envelope is within the tolerance. On top comes a fixed time, in which a position is read back and
    seen not to change any more.

    A head that brakes from high speed bends its mount by its deceleration, not by the speed it came from: then A grows
    no further than `most_swing_deg`. Whoever looks only every `reading_seconds` begins to count when the last crest
    outside is over, and believes the readings `still_seconds` later (see `seen_still`).
    """

    base_seconds: float
    swing_deg_per_deg_per_s: float  # A, for each degree per second of the move's highest speed
    damping_ratio: float  # ζ, above 0 and below 1
    natural_rad_per_s: float  # ω
    tolerance_deg: float
    most_swing_deg: float | None = None  # None: it grows without end
    reading_seconds: float = 0.0  # from one reading of pan and tilt to the next; 0: somebody always looks
    told_seconds: float = 0.0  # of the base, from the stop until the camera tells of it: then looking begins
    still_seconds: float = 0.3

    def __post_init__(self) -> None:
        _require_not_negative(
            "a settling time",
            self.base_seconds,
            self.reading_seconds,
            self.told_seconds,
            self.still_seconds,
        )
        if self.most_swing_deg is not None:
            _require_positive("a largest swing", self.most_swing_deg)
        _require_not_negative("a swing", self.swing_deg_per_deg_per_s)
        if not 0.0 < self.damping_ratio < 1.0:
            raise ValueError(f"a damping ratio lies between 0 and 1, not at {self.damping_ratio}")
        _require_positive("a swing's frequency", self.natural_rad_per_s)
        _require_positive("a tolerance", self.tolerance_deg)

    def swing_deg(self, peak_deg_per_s: float) -> float:
        """Return A, how wide the swing is at the moment of the stop."""
        amplitude_deg = self.swing_deg_per_deg_per_s * peak_deg_per_s
        return amplitude_deg if self.most_swing_deg is None else min(amplitude_deg, self.most_swing_deg)

    def swing_seconds(self, peak_deg_per_s: float) -> float:
        """Return how long the swing after a stop stays outside the tolerance."""
        return self.seconds_within(self.swing_deg(peak_deg_per_s))

    def seconds_within(self, amplitude_deg: float) -> float:
        """Return how long after the stop a swing that was so wide then is within the tolerance for good."""
        if amplitude_deg <= self.tolerance_deg:
            return 0.0
        return log(amplitude_deg / self.tolerance_deg) / (self.damping_ratio * self.natural_rad_per_s)


# Assumed, not published: a tripod on a floor is stiff; a rail on a balcony swings slower and longer.
ON_A_TRIPOD = SettleModel(
    base_seconds=0.4, swing_deg_per_deg_per_s=0.0005, damping_ratio=0.08, natural_rad_per_s=50.0, tolerance_deg=0.02
)
ON_A_RAIL = SettleModel(
    base_seconds=0.4, swing_deg_per_deg_per_s=0.001, damping_ratio=0.06, natural_rad_per_s=19.0, tolerance_deg=0.02
)


@dataclass(frozen=True, slots=True)
class Spread:
    """How uncertain each kind of figure is: one standard deviation, relative (0.1 is 10 %)."""

    speed: float  # of pan and tilt steps
    acceleration: float  # of pan, tilt and zoom
    lens: float  # of the speeds of zoom and focus
    latency: float
    settling: float

    def __post_init__(self) -> None:
        _require_not_negative("a spread", self.speed, self.acceleration, self.lens, self.latency, self.settling)


# Units of one make differ by about ±5 % in speed; all else of a published head is assumed, see above.
PUBLISHED_SPREAD = Spread(speed=0.05, acceleration=0.3, lens=0.3, latency=0.5, settling=0.5)


@dataclass(frozen=True, slots=True)
class SlowMode:
    """Pan and tilt while the head's slow mode is on: as many steps as usual, each slower.

    `spread` is that of the speeds: one standard deviation, relative.
    """

    pan: AxisModel
    tilt: AxisModel
    spread: float

    def __post_init__(self) -> None:
        _require_not_negative("a spread", self.spread)


@dataclass(frozen=True, slots=True)
class HeadModel:
    """Everything the sums need to know of a head.

    `shared_speed` is true of a head that takes one speed step for both axes of a move. `slow` is None where a head has
    no slow mode, and where nobody knows how slow it is: no manual tells, so that it has to be learned.
    """

    pan: AxisModel
    tilt: AxisModel
    zoom: ZoomModel
    focus_counts_per_s: float
    latency_seconds: float
    settle: SettleModel
    origin: Origin
    spread: Spread
    shared_speed: bool = False
    focus_acceleration_counts_per_s2: float | None = None  # None: not known, and taken to be at its speed at once
    lens_delay_seconds: float = 0.0  # by which zoom and focus start later than the head: their orders follow its own
    lens_waits: bool = False  # that long after the head's end: a camera that takes one order at a time
    tilt_settle: SettleModel | None = None  # where tilt swings otherwise than pan
    slow: SlowMode | None = None
    renewal: Renewal = "unknown"

    def __post_init__(self) -> None:
        _require_positive("the focus's speed", self.focus_counts_per_s)
        if self.focus_acceleration_counts_per_s2 is not None:
            _require_positive("the focus's acceleration", self.focus_acceleration_counts_per_s2)
        _require_not_negative("a latency", self.latency_seconds, self.lens_delay_seconds)

    @property
    def settle_of_tilt(self) -> SettleModel:
        """How tilt settles, as far as is known."""
        return self.tilt_settle or self.settle

    def in_slow_mode(self) -> HeadModel | None:
        """Return the same head with the tables that hold while its slow mode is on; None where they are not known."""
        if self.slow is None:
            return None
        spread = replace(self.spread, speed=self.slow.spread)
        return replace(self, pan=self.slow.pan, tilt=self.slow.tilt, spread=spread, slow=None)


def published_head(
    pan_steps_deg_per_s: tuple[float, ...],
    tilt_steps_deg_per_s: tuple[float, ...],
    *,
    shared_speed: bool = False,
    settle: SettleModel = ON_A_TRIPOD,
    renewal: Renewal = "unknown",
) -> HeadModel:
    """Return the model of a head of which only a manual's speed tables are known (index 0 is step 1).

    What no manual tells has the assumed values of this module, and a spread to match. Raises ValueError where a
    table is empty, not positive or not sorted.
    """
    return HeadModel(
        pan=AxisModel(pan_steps_deg_per_s, ASSUMED_PAN_ACCELERATION_DEG_PER_S2),
        tilt=AxisModel(tilt_steps_deg_per_s, ASSUMED_TILT_ACCELERATION_DEG_PER_S2),
        zoom=ZoomModel(
            ASSUMED_ZOOM_DIRECT_COUNTS_PER_S, ASSUMED_ZOOM_DRIVE_COUNTS_PER_S, ASSUMED_ZOOM_ACCELERATION_COUNTS_PER_S2
        ),
        focus_counts_per_s=ASSUMED_FOCUS_COUNTS_PER_S,
        latency_seconds=ASSUMED_LATENCY_SECONDS,
        settle=settle,
        origin="published",
        spread=PUBLISHED_SPREAD,
        shared_speed=shared_speed,
        renewal=renewal,
    )
