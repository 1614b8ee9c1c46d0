"""Aiming against a pinhole projection by matrices.

The projection is the textbooks' (Hartley and Zisserman, "Multiple View Geometry in Computer Vision", 6.1), done with
numpy and sharing nothing with the code: a world point, a rotation of the camera, a division by the depth.
"""

from __future__ import annotations

from math import atan, degrees

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from ptzd.motion import Sensor, aimed_at, filling_mm, turned_to

FULL_FRAME = Sensor(36.0, 20.25)
MIDDLE = (0.5, 0.5)
shares = st.floats(0.0, 1.0)
pans, tilts, focals = st.floats(-170.0, 170.0), st.floats(-85.0, 85.0), st.floats(12.0, 400.0)


def rotation(pan_deg: float, tilt_deg: float) -> NDArray[np.float64]:
    """From the world (right, up, ahead) to a camera that has panned to the right, then tilted up."""
    p, t = np.radians(pan_deg), np.radians(tilt_deg)
    pan = np.array([[np.cos(p), 0.0, -np.sin(p)], [0.0, 1.0, 0.0], [np.sin(p), 0.0, np.cos(p)]])
    tilt = np.array([[1.0, 0.0, 0.0], [0.0, np.cos(t), -np.sin(t)], [0.0, np.sin(t), np.cos(t)]])
    return np.asarray(tilt @ pan)


def seen_at(focal_mm: float, pan_deg: float, tilt_deg: float, world: NDArray[np.float64]) -> tuple[float, float]:
    right, up, ahead = rotation(pan_deg, tilt_deg) @ world
    assert ahead > 0.0
    x, y = focal_mm * right / ahead, focal_mm * up / ahead
    return 0.5 + x / FULL_FRAME.width_mm, 0.5 - y / FULL_FRAME.height_mm


def world_at(focal_mm: float, pan_deg: float, tilt_deg: float, place: tuple[float, float]) -> NDArray[np.float64]:
    x, y = (place[0] - 0.5) * FULL_FRAME.width_mm, (0.5 - place[1]) * FULL_FRAME.height_mm
    return np.asarray(rotation(pan_deg, tilt_deg).T @ np.array([x, y, focal_mm]))


@given(pans, tilts, focals, shares, shares)
def test_what_is_pointed_at_comes_to_the_middle(pan: float, tilt: float, focal: float, x: float, y: float) -> None:
    world = world_at(focal, pan, tilt, (x, y))
    assert seen_at(focal, *turned_to(FULL_FRAME, focal, pan, tilt, (x, y)), world) == pytest.approx(MIDDLE, abs=1e-9)


@given(pans, tilts, focals, st.floats(0.0, 0.9), st.floats(0.0, 0.9), st.floats(0.01, 0.1), st.floats(0.01, 0.1))
def test_a_part_of_the_picture_fills_it_and_nothing_of_it_is_cut_off(
    pan: float, tilt: float, focal: float, x: float, y: float, width: float, height: float
) -> None:
    corners = [(x, y), (x + width, y), (x, y + height), (x + width, y + height)]
    aim = filling_mm(FULL_FRAME, focal, pan, tilt, corners[0], corners[3])
    seen = np.array([seen_at(aim[2], *aim[:2], world_at(focal, pan, tilt, corner)) for corner in corners])
    assert np.all((seen > -1e-9) & (seen < 1.0 + 1e-9))
    assert np.min(np.abs(np.stack([seen, 1.0 - seen]))) < 1e-9  # one corner at least is at the edge
    middle = world_at(focal, pan, tilt, (x + width / 2.0, y + height / 2.0))
    assert seen_at(aim[2], *aim[:2], middle) == pytest.approx(MIDDLE, abs=1e-9)


def test_the_edge_of_a_level_picture_lies_half_its_angle_of_view_away() -> None:
    pan, tilt = turned_to(FULL_FRAME, 50.0, 10.0, 0.0, (1.0, 0.5))
    assert (pan - 10.0, tilt) == pytest.approx((degrees(atan(18.0 / 50.0)), 0.0))


def test_steeply_down_a_point_at_the_side_needs_more_pan_than_on_the_level() -> None:
    level = turned_to(FULL_FRAME, 50.0, 0.0, 0.0, (0.6, 0.5))[0]
    assert turned_to(FULL_FRAME, 50.0, 0.0, -75.0, (0.6, 0.5))[0] > 3.5 * level  # 1 / cos 75° = 3.9


def test_the_middle_half_of_the_picture_fills_it_at_twice_the_focal_length() -> None:
    assert filling_mm(FULL_FRAME, 50.0, 5.0, 0.0, (0.25, 0.25), (0.75, 0.75)) == pytest.approx((5.0, 0.0, 100.0))


def test_a_part_without_width_is_an_error() -> None:
    with pytest.raises(ValueError, match="wider and higher than zero"):
        filling_mm(FULL_FRAME, 50.0, 0.0, 0.0, (0.5, 0.2), (0.5, 0.4))


@pytest.mark.parametrize(
    "facing, thing, pan, tilt, distance",
    [  # the camera is at (1, 1, 5); the ways to the things are worked out by hand
        (0.0, (4.0, 5.0, 0.0), 36.8699, -45.0, 50**0.5),  # 3 to the right and 4 ahead are 5, and 5 down
        (90.0, (4.0, 5.0, 0.0), -53.1301, -45.0, 50**0.5),
        (0.0, (1.0, 13.0, 10.0), 0.0, 22.6199, 13.0),  # 12 ahead and 5 up
        (170.0, (0.0, -4.67128, 5.0), 20.0, 0.0, 5.75877),  # 10 degrees beyond straight back: not 340 the other way
    ],
)
def test_a_thing_in_the_room_is_looked_for_along_the_way_to_it(
    facing: float, thing: tuple[float, float, float], pan: float, tilt: float, distance: float
) -> None:
    assert aimed_at((1.0, 1.0, 5.0), facing, thing) == pytest.approx((pan, tilt, distance), abs=1e-4)
