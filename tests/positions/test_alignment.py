"""How near a position is framed by eye, and where a still says that it would be sighted, by sums made by hand.

Head: 51.2 counts a degree (SRG-300H, "VISCA pan tilt absolute position value"). Lens: 100 mm at 0, 400 at 0x4000, and
1/f straight between; sensor 35.9 mm wide.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import atan, degrees

import pytest

from ptzd.cameras import CameraSettings, Optics
from ptzd.line import Framing, Tolerance
from ptzd.motion import Lens, Sensor, published_head
from ptzd.pictures import Similarity
from ptzd.positions import Sighting, StoredPosition, align, proposed
from ptzd.refusal import Refusal
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
HEAD = published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s)
OPTICS = Optics(Sensor(35.9, 20.2), Lens(((0, 100.0), (0x4000, 400.0))), 25.0)
WITH, WITHOUT = (CameraSettings("gallery", DIALECT, HEAD, 24, Tolerance(), optics=each) for each in (OPTICS, None))


@pytest.mark.parametrize(
    ("settings", "zoom_counts", "framed_deg"),
    [
        (WITH, 0, 0.01 * 2 * degrees(atan(35.9 / 2 / 100))),  # a hundredth of the picture's width
        (WITH, 0x4000, 0.01 * 2 * degrees(atan(35.9 / 2 / 400))),
        (WITHOUT, 0, 0.2),
    ],
)
def test_a_sighting_may_be_off_by_what_nobody_sees(
    settings: CameraSettings, zoom_counts: int, framed_deg: float, make: Callable[..., StoredPosition]
) -> None:
    framing = Framing(0, 0, zoom_counts, 0x2000, "manual")
    position = replace(make(), framing=framing)
    found = align(settings, {position.name: position}, [Sighting(position, framing, False)], {})
    assert found.sightings[0].allowed_deg == pytest.approx(3 / 51.2 + framed_deg, abs=1e-3)


def test_a_still_that_shows_all_smaller_and_to_the_left_tells_the_angle_and_by_how_much_the_zoom_has_slipped(
    make: Callable[..., StoredPosition],
) -> None:
    before = Framing(0, 0, 0, 0x2000, "manual")
    position = replace(make(), framing=before)
    here = Framing(512, 0, 6000, 0x2000, "manual")
    there = proposed(WITH, position, here, Similarity(right=0.1, up=0.0, larger=0.25, roll_deg=0.0, sure=0.9))
    # A quarter larger than at 100 mm is 125 mm, at which a tenth of the width is 1.64 degrees
    assert there.pan_counts == 512 + round(51.2 * degrees(atan(0.1 * 35.9 / 125)))
    # 1/125 lies at 4369 counts: where 6000 are told, the ring has slipped by 1631
    assert there.zoom_counts == pytest.approx(6000 - 0x4000 * (1 / 100 - 1 / 125) / (1 / 100 - 1 / 400), abs=1.0)
    assert there.tilt_counts == 0
    with pytest.raises(Refusal, match="sensor and focal_length"):
        proposed(WITHOUT, position, here, Similarity(0.1, 0.0, 0.25, 0.0, 0.9))
