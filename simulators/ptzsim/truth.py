"""What one unit is really like, apart from what its papers say. Nobody outside the simulator may know.

Every unit deviates by up to 5 % in speed and acceleration from its kind. The kind's own accelerations and lens
rates are assumed, since no manual prints them. So that nobody takes them for granted, there is a *stranger* too: a unit
that differs from its kind in whatever no document says, within what heads and lens motors are known to do (common
practice).
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

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
    pan_braking: float = 1.0  # how much of its acceleration it slows down at
    tilt_braking: float = 1.0
    s_ramps: bool = False  # whether the head's ramps are S-shaped
    pan_steps: tuple[float, ...] = ()  # by step, the share of the table beside `pan_speed`; 1 where none is given
    tilt_steps: tuple[float, ...] = ()
    zoom_seconds: float = ZOOM_SECONDS  # from end to end
    zoom_play_counts: float = 0.0  # between an added motor and the ring, whose place is what the camera tells
    zoom_slip_counts: float = 0.0  # by which the ring stays behind now and then when that motor sets out: a worn gear
    picture_seconds: float = 0.0  # above 0, a message is looked at only when the next picture begins


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


def draw_stranger(dialect: Dialect, rng: random.Random) -> Truth:
    """Make up a unit that keeps to its dialect's tables and to nothing else."""

    def steps(count: int) -> tuple[float, ...]:
        return tuple(rng.uniform(0.96, 1.04) for _ in range(count))

    latency = rng.uniform(0.005, 0.13)
    return replace(
        draw_truth(dialect, rng),
        pan_acceleration_deg_per_s2=rng.uniform(40.0, 200.0),
        tilt_acceleration_deg_per_s2=rng.uniform(40.0, 200.0),
        least_latency_seconds=latency,
        most_latency_seconds=latency + rng.uniform(0.005, 0.02),
        pan_braking=rng.uniform(0.5, 2.0),
        tilt_braking=rng.uniform(0.5, 2.0),
        s_ramps=rng.random() < 0.5,
        pan_steps=steps(dialect.pan.fastest_step),
        tilt_steps=steps(dialect.tilt.fastest_step),
        zoom_seconds=rng.choice((ZOOM_SECONDS, rng.uniform(5.0, 30.0))),  # its own lens, or one with an added motor
        picture_seconds=rng.choice((0.0, 1 / 50, 1 / 30, 1 / 25)),
    )
