"""A move has ended when its slowest axis has and the picture is still, and the bounds hold nine times in ten."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.motion import (
    ON_A_RAIL,
    ON_A_TRIPOD,
    AxisModel,
    HeadModel,
    Pose,
    SettleModel,
    Spread,
    ZoomModel,
    predict,
    published_head,
)

STILL = SettleModel(
    base_seconds=0.25, swing_deg_per_deg_per_s=0.0, damping_ratio=0.1, natural_rad_per_s=30.0, tolerance_deg=0.02
)
SIMPLE = HeadModel(
    pan=AxisModel((30.0, 60.0), 120.0),
    tilt=AxisModel((30.0, 60.0), 120.0),
    zoom=ZoomModel(5000.0, (500.0,) * 8, 20000.0),
    focus_counts_per_s=20000.0,
    latency_seconds=0.1,
    settle=STILL,
    origin="learned",
    spread=Spread(0.05, 0.1, 0.1, 0.3, 0.3),
)
START = Pose(0.0, 0.0, 0.0, 0x1000)


def test_latency_travel_and_settling_add_up() -> None:
    # Handbook: 90° at 60°/s and 120°/s² is 2.000 s; the latency is 0.1 s, the settling 0.25 s.
    move = predict(SIMPLE, START, Pose(90.0, 0.0, 0.0, 0x1000), 2, 2)
    assert move.pan_seconds == pytest.approx(2.0)
    assert move.seconds_to_arrival == pytest.approx(2.1)
    assert move.seconds_to_settled == pytest.approx(2.35)
    assert move.slowest_axis == "pan"


@pytest.mark.parametrize(
    ("to", "slowest", "travel"),
    [
        (Pose(12.0, 90.0, 0.0, 0x1000), "tilt", 2.0),
        (Pose(12.0, 12.0, 10000.0, 0x1000), "zoom", 2.25),  # 10000/5000 + 5000/20000
        (Pose(12.0, 12.0, 1000.0, 0x1000 + 40000), "focus", 2.0),
        (Pose(-90.0, 12.0, 1000.0, 0x1000), "pan", 2.0),
    ],
)
def test_a_move_lasts_as_long_as_its_slowest_axis(to: Pose, slowest: str, travel: float) -> None:
    move = predict(SIMPLE, START, to, 2, 2)
    assert move.slowest_axis == slowest
    assert move.seconds_to_arrival == pytest.approx(0.1 + travel)


def test_a_camera_that_focuses_by_itself_is_not_waited_for() -> None:
    move = predict(SIMPLE, START, Pose(12.0, 0.0, 0.0, None), 2, 2)
    assert move.focus_seconds == 0.0
    assert move.slowest_axis == "pan"


def test_a_camera_that_is_there_has_nothing_to_move() -> None:
    move = predict(SIMPLE, START, START, 2, 2)
    assert move.slowest_axis is None
    assert move.seconds_to_arrival == pytest.approx(0.1)


def test_a_rail_is_still_later_than_a_tripod() -> None:
    there = Pose(90.0, 10.0, 0.0, None)
    on_a_tripod = predict(replace(SIMPLE, settle=ON_A_TRIPOD), START, there, 2, 2)
    on_a_rail = predict(replace(SIMPLE, settle=ON_A_RAIL), START, there, 2, 2)
    assert on_a_rail.seconds_to_arrival == on_a_tripod.seconds_to_arrival
    assert on_a_rail.seconds_to_settled > on_a_tripod.seconds_to_settled


def test_a_swing_during_a_longer_zoom_delays_nothing() -> None:
    there = Pose(30.0, 0.0, 16384.0, None)
    swinging = replace(SIMPLE, settle=replace(ON_A_TRIPOD, base_seconds=0.25, swing_deg_per_deg_per_s=0.001))
    assert swinging.settle.swing_seconds(60.0) > 0.0
    assert (
        predict(swinging, START, there, 2, 2).seconds_to_settled
        == predict(SIMPLE, START, there, 2, 2).seconds_to_settled
    )


def test_a_short_way_swings_only_by_the_speed_it_reached() -> None:
    # Handbook: 0.3° at 120°/s² peaks at sqrt(0.3 · 120) = 6°/s, a tenth of the top speed.
    swinging = replace(SIMPLE, settle=replace(STILL, swing_deg_per_deg_per_s=0.003))
    assert swinging.settle.swing_seconds(60.0) > 0.0
    assert swinging.settle.swing_seconds(6.0) == 0.0
    move = predict(swinging, START, Pose(0.3, 0.0, 0.0, None), 2, 2)
    assert move.seconds_to_settled == pytest.approx(0.1 + 0.1 + 0.25)  # latency, 2·sqrt(0.3/120), settling


def test_without_a_spread_there_is_no_doubt() -> None:
    sure = replace(SIMPLE, spread=Spread(0.0, 0.0, 0.0, 0.0, 0.0))
    move = predict(sure, START, Pose(90.0, 20.0, 5000.0, None), 2, 1)
    assert move.least_seconds == pytest.approx(move.seconds_to_settled)
    assert move.most_seconds == pytest.approx(move.seconds_to_settled)


def test_a_step_that_the_head_has_not_is_an_error() -> None:
    with pytest.raises(ValueError, match="steps 1 to 2"):
        predict(SIMPLE, START, START, 3, 1)


@given(st.floats(-170, 170), st.floats(-20, 90), st.floats(0, 16384), st.integers(1, 24), st.integers(1, 18))
@settings(deadline=None)
def test_the_way_back_takes_as_long(
    head: HeadModel, pan: float, tilt: float, zoom: float, pan_step: int, tilt_step: int
) -> None:
    here, there = Pose(-20.0, 3.0, 0x2000, None), Pose(pan, tilt, zoom, None)
    out = predict(head, here, there, pan_step, tilt_step)
    assert out == predict(head, there, here, pan_step, tilt_step)
    assert 0.0 < out.least_seconds <= out.seconds_to_settled <= out.most_seconds
    assert out.seconds_to_arrival <= out.seconds_to_settled


Floats = npt.NDArray[np.float64]


def travel(distance: Floats, speed: Floats, acceleration: Floats) -> Floats:
    """The handbook's trapezoid, written anew for numpy."""
    short = distance < speed**2 / acceleration
    longest: Floats = np.where(short, 2 * np.sqrt(distance / acceleration), distance / speed + speed / acceleration)
    return longest


scenes = st.tuples(
    st.floats(0, 200), st.floats(0, 90), st.floats(0, 16384), st.integers(1, 24), st.integers(1, 18), st.booleans()
)


@given(scenes, st.integers(0, 2**31))
@settings(max_examples=40, deadline=None)
def test_nine_heads_in_ten_settle_within_the_bounds(
    scene: tuple[float, float, float, int, int, bool], seed: int
) -> None:
    """4000 heads drawn from a published head's spread; every figure of theirs is off by itself."""
    pan_deg, tilt_deg, zoom_counts, pan_step, tilt_step, on_a_rail = scene
    steps = (1, 1.5, 2.2, 2.4, 2.6, 2.8, 3.0, 3.2, 3.4, 3.8, 4.5, 6, 9, 15, 19, 25, 32, 38, 45, 58, 75, 88, 105, 120)
    model = published_head(steps, steps[:18], settle=ON_A_RAIL if on_a_rail else ON_A_TRIPOD)
    move = predict(model, Pose(0, 0, 0, None), Pose(pan_deg, tilt_deg, zoom_counts, None), pan_step, tilt_step)
    rng = np.random.default_rng(seed)
    heads = 4000

    def off(deviation: float) -> np.ndarray:
        return np.exp(deviation * rng.standard_normal(heads))

    spread, settle = model.spread, model.settle
    ends = [travel(np.full(heads, zoom_counts), model.zoom.direct_counts_per_s * off(spread.lens), 22000.0 * off(0))]
    for axis, distance, step in ((model.pan, pan_deg, pan_step), (model.tilt, tilt_deg, tilt_step)):
        speed = axis.steps_deg_per_s[step - 1] * off(spread.speed)
        acceleration = axis.acceleration_deg_per_s2 * off(spread.acceleration)
        peak = np.minimum(speed, np.sqrt(distance * acceleration))
        excess = np.maximum(1.0, settle.swing_deg_per_deg_per_s * peak / settle.tolerance_deg)
        swing = np.log(excess) / (settle.damping_ratio * settle.natural_rad_per_s) * off(spread.settling)
        ends.append(travel(np.full(heads, distance), speed, acceleration) + swing)
    settled = (
        model.latency_seconds * off(spread.latency)
        + np.max(ends, axis=0)
        + model.settle.base_seconds * off(spread.settling)
    )
    within = np.mean((settled >= move.least_seconds) & (settled <= move.most_seconds))
    assert within >= 0.90
