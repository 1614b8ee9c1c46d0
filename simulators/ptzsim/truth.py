"""What one unit is really like, apart from what its papers say. Nobody outside the simulator may know.

Every unit deviates by up to 5 % in speed and acceleration from its kind. The kind's own accelerations and lens
rates are assumed, since no manual prints them.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from ptzd.visca import Dialect

DEVIATION = 0.05  # the largest share by which a unit's speeds and accelerations differ from its kind's
ACCELERATION_DEG_PER_S2 = 120.0  # of the kind, pan and tilt alike
ZOOM_SECONDS = 3.0  # from the wide to the tele end
FOCUS_SECONDS = 2.0  # from one end to the other
LENS_START_SECONDS = 0.1  # in which a lens motor reaches its rate
STARTUP_SECONDS = 25.0


@dataclass(frozen=True, slots=True)
class Truth:
    """One unit's own figures. The first four are shares of what its dialect's tables and the kind say."""

    pan_speed: float
    tilt_speed: float
    zoom_speed: float
    focus_speed: float
    pan_acceleration_deg_per_s2: float
    tilt_acceleration_deg_per_s2: float
    pan_backlash_deg: float  # play in the gear, from one flank to the other
    tilt_backlash_deg: float
    least_latency_seconds: float  # from a message's arrival until it is performed and answered
    most_latency_seconds: float
    startup_seconds: float
    autofocus_counts: int  # where this unit's lens is sharp by itself
    seed: int  # for what changes from one moment to the next: latency, digital zoom


def draw_truth(dialect: Dialect, rng: random.Random) -> Truth:
    """Make up one unit of a kind."""

    def about(value: float) -> float:
        return value * rng.uniform(1 - DEVIATION, 1 + DEVIATION)

    return Truth(
        pan_speed=about(1.0),
        tilt_speed=about(1.0),
        zoom_speed=about(1.0),
        focus_speed=about(1.0),
        pan_acceleration_deg_per_s2=about(ACCELERATION_DEG_PER_S2),
        tilt_acceleration_deg_per_s2=about(ACCELERATION_DEG_PER_S2),
        pan_backlash_deg=rng.uniform(0.2, 0.6) / dialect.pan.counts_per_degree,
        tilt_backlash_deg=rng.uniform(0.2, 0.6) / dialect.tilt.counts_per_degree,
        least_latency_seconds=rng.uniform(0.003, 0.006),
        most_latency_seconds=rng.uniform(0.012, 0.020),
        startup_seconds=STARTUP_SECONDS,
        autofocus_counts=rng.randint(dialect.focus.least_counts, dialect.focus.most_counts),
        seed=rng.getrandbits(32),
    )
