"""A zoom position stands for a focal length, and the published table of a ×25 lens is met.

[I] Ceiling DocCam II technical manual, "Zoom ratio and zoom position (for reference)".
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.motion import Lens, lens_between

from .conftest import ZOOM_RATIOS

TABLE = tuple((counts, ratio) for ratio, counts in ZOOM_RATIOS)
LENS = Lens(TABLE)


@pytest.mark.parametrize(("counts", "ratio"), TABLE)
def test_a_table_is_met_in_each_of_its_points(counts: int, ratio: float) -> None:
    assert LENS.focal_length_mm(counts) == pytest.approx(ratio)
    assert LENS.zoom_counts(ratio) == counts


@pytest.mark.parametrize("left_out", range(1, 24))
def test_a_point_left_out_of_the_table_is_found_within_two_per_cent(left_out: int) -> None:
    # [I] itself is no smoother: about ×12 to ×18 its steps jump to and fro by as much.
    lens = Lens(TABLE[:left_out] + TABLE[left_out + 1 :])
    counts, ratio = TABLE[left_out]
    assert lens.focal_length_mm(counts) == pytest.approx(ratio, rel=0.02)


@given(st.integers(0, 0x4000), st.integers(1, 500))
@settings(deadline=None)
def test_further_in_is_always_longer(counts: int, further: int) -> None:
    here, there = LENS.focal_length_mm(counts), LENS.focal_length_mm(min(0x4000, counts + further))
    assert there > here or counts == 0x4000


@given(
    st.lists(st.tuples(st.integers(1, 4000), st.floats(0.01, 200.0)), min_size=2, max_size=9),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
)
@settings(deadline=None)
def test_between_two_points_it_never_overshoots(growth: list[tuple[int, float]], first: float, second: float) -> None:
    points, counts, focal = [], -1, 3.0
    for more_counts, more_mm in growth:
        counts, focal = counts + more_counts, focal + more_mm
        points.append((counts, focal))
    lens = Lens(tuple(points))
    span = points[-1][0] - points[0][0]
    near, far = sorted((points[0][0] + first * span, points[0][0] + second * span))
    assert lens.wide_mm * (1 - 1e-9) <= lens.focal_length_mm(near)
    assert lens.focal_length_mm(near) <= lens.focal_length_mm(far) * (1 + 1e-9)
    assert lens.focal_length_mm(far) <= lens.tele_mm * (1 + 1e-9)


@given(st.integers(0, 0x4000))
@settings(deadline=None)
def test_the_way_to_a_focal_length_and_back_ends_on_the_same_count(counts: int) -> None:
    assert LENS.zoom_counts(LENS.focal_length_mm(counts)) == counts


def test_beyond_its_ends_a_lens_is_as_long_as_at_them() -> None:
    assert LENS.focal_length_mm(0x5000) == 25.0  # digital zoom lies above 4000
    assert LENS.focal_length_mm(-5) == 1.0
    assert LENS.zoom_counts(99.0) == 0x4000
    assert LENS.zoom_counts(0.5) == 0


def test_a_lens_known_by_its_ends_meets_both() -> None:
    lens = lens_between(100.0, 400.0, ZOOM_RATIOS)
    assert lens.focal_length_mm(0) == pytest.approx(100.0)
    assert lens.focal_length_mm(0x4000) == pytest.approx(400.0)
    assert 100.0 < lens.focal_length_mm(0x2000) < 400.0


@pytest.mark.parametrize(("counts", "ratio"), TABLE)
def test_a_times_25_lens_known_by_its_ends_is_the_published_one(counts: int, ratio: float) -> None:
    assert lens_between(4.0, 100.0, ZOOM_RATIOS).focal_length_mm(counts) == pytest.approx(4.0 * ratio)


def test_between_its_ends_a_lens_grows_as_the_zoom_does_that_it_is_on() -> None:
    # Half of the zoom's growth on a logarithmic scale, ×2 of ×4, is half of the lens's: √(100 · 400) = 200 mm.
    lens = lens_between(100.0, 400.0, ((1.0, 0x1000), (2.0, 0x1800), (4.0, 0x7000)))
    assert lens.focal_length_mm(0x1000) == pytest.approx(100.0)
    assert lens.focal_length_mm(0x1800) == pytest.approx(200.0)
    assert lens.focal_length_mm(0x7000) == pytest.approx(400.0)


@pytest.mark.parametrize(
    "points",
    [((0, 4.0),), ((0, 4.0), (0, 8.0)), ((0, 8.0), (100, 4.0)), ((0, 0.0), (100, 4.0)), ((100, 4.0), (0, 8.0))],
)
def test_a_table_that_does_not_grow_is_an_error(points: tuple[tuple[int, float], ...]) -> None:
    with pytest.raises(ValueError):
        Lens(points)


def test_a_lens_longer_at_its_wide_end_is_an_error() -> None:
    with pytest.raises(ValueError, match="400 to 100 mm"):
        lens_between(400.0, 100.0, ZOOM_RATIOS)
