"""A head as its manual publishes it.

[D] TLC-700-S user manual, "VISCA speed value": degrees per second by step, from step 1.
[I] Ceiling DocCam II technical manual, "Zoom ratio and zoom position (for reference)": a ×25 lens.
"""

from __future__ import annotations

import pytest

from ptzd.motion import HeadModel, published_head

PAN_STEPS = (1, 1.5, 2.2, 2.4, 2.6, 2.8, 3.0, 3.2, 3.4, 3.8, 4.5, 6, 9, 15, 19, 25, 32, 38, 45, 58, 75, 88, 105, 120)
TILT_STEPS = (1, 1.5, 2.2, 3.6, 4.7, 6, 8, 10, 12, 15, 18, 23, 30, 39, 48, 59, 69, 80)

ZOOM_COUNTS = """
0000 1781 213B 2752 2BB3 2F03 315D 3364 34FF 362C 373D 386A 3929
3A20 3AFA 3BBA 3C5E 3CCB 3D70 3DF8 3E66 3ED3 3F25 3F93 4000
"""
ZOOM_RATIOS = tuple((float(ratio), int(counts, 16)) for ratio, counts in enumerate(ZOOM_COUNTS.split(), 1))


@pytest.fixture(scope="session")
def head() -> HeadModel:
    """[D]'s tables; accelerations, lens and delays as assumed."""
    return published_head(PAN_STEPS, TILT_STEPS)


@pytest.fixture(scope="session")
def shared_head() -> HeadModel:
    """A head that takes one speed step for both axes: [D]'s pan table twice, for want of a published one."""
    return published_head(PAN_STEPS, PAN_STEPS, shared_speed=True)
