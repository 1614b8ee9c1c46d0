"""What the viewer sees is what published tables and the handbooks' formulas say.

Full frame is 36 × 24 mm.
"""

from __future__ import annotations

from math import hypot, inf, pi, tan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.motion import (
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

from .conftest import PAN_STEPS

FULL_FRAME = Sensor(36.0, 24.0)


@pytest.mark.parametrize(("focal_length_mm", "wide_deg", "diagonal_deg"), [(100.0, 20.41, 24.41), (400.0, 5.15, 6.19)])
def test_the_angle_of_view_is_twice_the_arctangent(
    focal_length_mm: float, wide_deg: float, diagonal_deg: float
) -> None:
    # 2·atan(s / 2f), handbook.
    assert angle_of_view_deg(FULL_FRAME.width_mm, focal_length_mm) == pytest.approx(wide_deg, abs=0.005)
    assert angle_of_view_deg(FULL_FRAME.diagonal_mm, focal_length_mm) == pytest.approx(diagonal_deg, abs=0.005)


def test_the_diagonal_angles_are_those_printed_for_a_100_to_400_mm_lens() -> None:
    # Published lens tables: 24° and 6° 10′, in whole degrees and steps of 10′.
    assert angle_of_view_deg(FULL_FRAME.diagonal_mm, 100.0) == pytest.approx(24.0, abs=0.5)
    assert angle_of_view_deg(FULL_FRAME.diagonal_mm, 400.0) == pytest.approx(6 + 10 / 60, abs=5 / 60)


def test_at_30_m_a_400_mm_lens_sees_2_m_70() -> None:
    # s·D/f, handbook.
    assert picture_size_m(36.0, 400.0, 30.0) == pytest.approx(2.70)


@given(st.floats(4.8, 44.0), st.floats(4.0, 800.0), st.floats(1.0, 60.0))
@settings(deadline=None)
def test_the_picture_is_as_wide_as_its_angle_opens(side: float, focal: float, distance: float) -> None:
    opened = 2 * distance * tan(angle_of_view_deg(side, focal) / 2 * pi / 180)
    assert picture_size_m(side, focal, distance) == pytest.approx(opened)


@given(st.floats(4.8, 44.0), st.floats(1.0, 60.0), st.floats(0.3, 20.0))
@settings(deadline=None)
def test_the_focal_length_for_a_picture_brings_that_picture(side: float, distance: float, picture: float) -> None:
    focal_length_mm = focal_length_for_picture_mm(side, distance, picture)
    assert picture_size_m(side, focal_length_mm, distance) == pytest.approx(picture)


@pytest.mark.parametrize(
    ("shot", "height_m"),
    [(Shot.FULL, 2.0), (Shot.MEDIUM, 1.1), (Shot.MEDIUM_CLOSE, 0.75), (Shot.CLOSE, 0.5)],
)
def test_a_shot_shows_as_much_of_a_person_as_its_name_says(shot: Shot, height_m: float) -> None:
    # Common practice: heights of the picture; focal length = sensor height × distance / picture height.
    focal_length_mm = focal_length_for_shot_mm(FULL_FRAME, shot, 15.0)
    assert focal_length_mm == pytest.approx(24.0 * 15.0 / height_m)


@pytest.mark.parametrize(
    ("counts_per_degree", "pixels", "rounding"),
    [
        # SRG-300H technical manual: 51.2 per degree. TLC-700-S user manual: 14.4 per degree.
        (51.2, 14.6, 0.05),
        (14.4, 52.0, 0.5),
    ],
)
def test_one_count_at_400_mm_is_many_of_3840_pixels(counts_per_degree: float, pixels: float, rounding: float) -> None:
    angle_deg = angle_of_view_deg(36.0, 400.0)
    assert pixels_per_count(counts_per_degree, angle_deg, 3840) == pytest.approx(pixels, abs=rounding)


@pytest.mark.parametrize(("focal_length_mm", "limit"), [(100.0, 2.9), (400.0, 0.74)])
def test_nothing_crosses_the_picture_in_under_seven_seconds(focal_length_mm: float, limit: float) -> None:
    # "Panning speed best practices", RED 101: 7 s at 24 frames/s and a 180° shutter.
    angle_deg = angle_of_view_deg(36.0, focal_length_mm)
    rounding = 0.05 if limit > 1 else 0.005
    assert panning_limit_deg_per_s(angle_deg, 24.0) == pytest.approx(limit, abs=rounding)


def test_the_panning_limit_scales_with_the_frame_rate() -> None:
    # The same.
    assert panning_limit_deg_per_s(20.0, 48.0) == pytest.approx(2 * panning_limit_deg_per_s(20.0, 24.0))


def test_on_a_long_lens_even_step_1_is_too_fast_and_it_says_so() -> None:
    # [D]: step 1 is 1°/s; the limit at 400 mm is 0.74°/s.
    verdict = judge_panning(PAN_STEPS, angle_of_view_deg(36.0, 400.0), 24.0)
    assert verdict.fastest_watchable_step is None
    assert "too fast" in verdict.sentence
    assert "0.74°/s" in verdict.sentence


def test_on_a_long_lens_steps_of_slow_mode_may_do() -> None:
    # The same: at half of [D]'s speeds, step 1 is 0.5°/s and step 2 0.75°/s.
    slow_steps = [speed / 2 for speed in PAN_STEPS]
    verdict = judge_panning(PAN_STEPS, angle_of_view_deg(36.0, 400.0), 24.0, slow_steps)
    assert (verdict.fastest_watchable_step, verdict.slow_mode) == (1, True)
    assert "slow mode" in verdict.sentence
    longer = judge_panning(PAN_STEPS, angle_of_view_deg(36.0, 800.0), 24.0, slow_steps)
    assert longer.fastest_watchable_step is None
    assert "even the slowest step of slow mode, 0.5°/s" in longer.sentence
    shorter = judge_panning(PAN_STEPS, angle_of_view_deg(36.0, 100.0), 24.0, slow_steps)
    assert (shorter.fastest_watchable_step, shorter.slow_mode) == (6, False)


def test_at_100_mm_step_6_is_the_fastest_to_watch() -> None:
    # [D]: step 6 is 2.8°/s, step 7 is 3.0°/s; the limit at 100 mm is 2.9°/s.
    verdict = judge_panning(PAN_STEPS, angle_of_view_deg(36.0, 100.0), 24.0)
    assert verdict.fastest_watchable_step == 6


def test_a_sensor_without_a_side_is_an_error() -> None:
    with pytest.raises(ValueError, match="0 × 24 mm"):
        Sensor(0.0, 24.0)


def test_the_diagonal_goes_from_corner_to_corner() -> None:
    assert FULL_FRAME.diagonal_mm == pytest.approx(hypot(36.0, 24.0))


@pytest.mark.parametrize(
    ("sensor", "picture"), [((36.0, 24.0), (36.0, 20.25)), ((4.8, 2.7), (4.8, 2.7)), ((24.0, 10.0), (17.78, 10.0))]
)
def test_a_picture_is_the_largest_part_of_a_sensor_that_is_16_by_9(
    sensor: tuple[float, float], picture: tuple[float, float]
) -> None:
    # ITU-R BT.709, by hand.
    part = Sensor(*sensor).picture
    assert (part.width_mm, part.height_mm) == pytest.approx(picture, abs=0.005)


@pytest.mark.parametrize(
    ("focal_length_mm", "near_m", "far_m"),
    [(28.0, 1.80512, inf), (35.0, 2.25122, 17.9225), (50.0, 2.90023, 6.4433), (85.0, 3.53967, 4.59796)],
)
def test_what_is_sharp_is_what_is_printed_of_four_lenses(focal_length_mm: float, near_m: float, far_m: float) -> None:
    # Focused at 4 m, f/8, circles of 0.03 mm: printed in the Euler Math Toolbox reference, "dof.e".
    assert depth_of_field_m(focal_length_mm, 8.0, 0.03, 4.0) == pytest.approx((near_m, far_m), rel=1e-5)


def test_focused_on_the_hyperfocal_distance_all_is_sharp_from_half_of_it_on() -> None:
    # Greenleaf, "Photographic Optics", 1950.
    distance_m = hyperfocal_m(50.0, 8.0, 0.03)
    assert distance_m == pytest.approx(10.4667, abs=0.0001)  # 2500 / 0.24 + 50 mm
    near_m, far_m = depth_of_field_m(50.0, 8.0, 0.03, distance_m)
    assert near_m == pytest.approx(distance_m / 2, rel=0.003)
    assert far_m == inf
