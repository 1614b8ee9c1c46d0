"""A head's model is plain figures, refuses impossible ones, and knows how it swings."""

from __future__ import annotations

import dataclasses
import json
from math import cos, log, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from ptzd.motion import ON_A_RAIL, ON_A_TRIPOD, AxisModel, HeadModel, SettleModel, ZoomModel


def test_a_head_survives_being_written_to_a_file(head: HeadModel) -> None:
    written = json.dumps(dataclasses.asdict(head))
    assert TypeAdapter(HeadModel).validate_json(written) == head


def test_step_1_is_the_first_of_the_table_and_step_24_the_last(head: HeadModel) -> None:
    # [D]: step 12 is 6°/s, step 18 is 38°/s, step 24 is 120°/s.
    assert [head.pan.speed_deg_per_s(step) for step in (1, 12, 18, 24)] == [1, 6, 38, 120]
    assert head.tilt.fastest_step == 18


@pytest.mark.parametrize("step", [0, 25, -1])
def test_a_step_that_the_head_has_not_is_an_error(head: HeadModel, step: int) -> None:
    with pytest.raises(ValueError, match="steps 1 to 24"):
        head.pan.speed_deg_per_s(step)


@pytest.mark.parametrize("steps", [(), (0.0, 1.0), (-1.0,), (1.0, float("nan")), (float("inf"),), (2.0, 1.0)])
def test_a_table_that_no_head_can_have_is_an_error(steps: tuple[float, ...]) -> None:
    with pytest.raises(ValueError):
        AxisModel(steps, 120.0)


def test_an_axis_without_acceleration_is_an_error() -> None:
    with pytest.raises(ValueError, match="acceleration"):
        AxisModel((1.0,), 0.0)


def test_a_zoom_is_driven_at_eight_speeds() -> None:
    # LUMiO 12x VISCA command list: zoom at speed p = 0..7.
    with pytest.raises(ValueError, match="eight"):
        ZoomModel(5000.0, (1.0, 2.0), 20000.0)


def swinging(damping_ratio: float, natural_rad_per_s: float, tolerance_deg: float = 0.02) -> SettleModel:
    return SettleModel(0.0, 0.001, damping_ratio, natural_rad_per_s, tolerance_deg)


def test_two_per_cent_of_a_swing_are_left_after_about_four_times_its_time_constant() -> None:
    # Damped swing, common practice: 4/(ζω).
    model = SettleModel(0.0, 0.001, 0.1, 20.0, 0.02 * 0.001 * 60.0)
    assert model.swing_seconds(60.0) == pytest.approx(4 / (0.1 * 20.0), rel=0.03)


@given(st.floats(0.02, 0.3), st.floats(5.0, 60.0), st.floats(25.0, 120.0))
@settings(deadline=None)
def test_after_the_settling_time_the_swing_stays_within_the_tolerance(zeta: float, omega: float, peak: float) -> None:
    # Against the formula itself, A·exp(-ζωt)·cos(ω·sqrt(1-ζ²)·t), written out in numpy.
    model = swinging(zeta, omega)
    seconds = model.swing_seconds(peak)
    t = np.linspace(seconds, seconds + 10.0, 4000)
    swing = 0.001 * peak * np.exp(-zeta * omega * t) * np.cos(omega * sqrt(1 - zeta**2) * t)
    assert np.max(np.abs(swing)) <= 0.02 * (1 + 1e-9)


@given(st.floats(0.02, 0.3), st.floats(5.0, 60.0), st.floats(40.0, 120.0))
@settings(deadline=None)
def test_at_most_half_a_swing_earlier_it_was_still_outside(zeta: float, omega: float, peak: float) -> None:
    model = swinging(zeta, omega)
    period = 2 * pi / (omega * sqrt(1 - zeta**2))
    # The last crest before the settling time: the envelope there is the swing there.
    crests = np.arange(0.0, 60.0, period / 2)
    last_crest = crests[crests <= model.swing_seconds(peak)][-1]
    height = 0.001 * peak * np.exp(-zeta * omega * last_crest) * abs(cos(2 * pi / period * last_crest))
    assert height >= 0.02 * (1 - 1e-9)


def test_a_slow_move_does_not_swing() -> None:
    assert ON_A_RAIL.swing_seconds(1.0) == 0.0


@pytest.mark.parametrize("peak", [45.0, 60.0, 120.0])
def test_a_rail_swings_longer_than_a_tripod(peak: float) -> None:
    # Common practice.
    assert ON_A_RAIL.swing_seconds(peak) > ON_A_TRIPOD.swing_seconds(peak)


def test_doubling_the_speed_adds_the_time_that_a_swing_takes_to_halve() -> None:
    model = swinging(0.1, 20.0)
    assert model.swing_seconds(80.0) - model.swing_seconds(40.0) == pytest.approx(log(2) / 2.0)


@pytest.mark.parametrize("zeta", [0.0, 1.0, -0.1])
def test_a_swing_that_never_ends_or_never_swings_is_an_error(zeta: float) -> None:
    with pytest.raises(ValueError, match="damping"):
        swinging(zeta, 20.0)
