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
from ptzd.positions import Alignment, Sighting, StoredPosition, align, proposed
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


Seen = dict[str, tuple[tuple[int, int, int], tuple[int, int, int]]]  # pan, tilt and zoom as stored, and as seen


def aligned(make: Callable[..., StoredPosition], settings: CameraSettings, seen: Seen) -> Alignment:
    sightings = [
        Sighting(
            replace(make(name=name), framing=Framing(*before, 0x2000, "manual")), Framing(*now, 0x2000, "manual"), True
        )
        for name, (before, now) in seen.items()
    ]
    return align(settings, {each.position.name: each.position for each in sightings}, sightings, {})


def test_the_worse_sightings_fit_the_farther_off_positions_are_expected_and_it_is_said(
    make: Callable[..., StoredPosition],
) -> None:
    """A head 0.3° off, told by stills through 28 to 135 mm where its lens has 100 to 400: 1.13° here and 0.9° there."""
    wrong = replace(WITH, optics=Optics(Sensor(35.9, 20.2), Lens(((0, 28.0), (0x4000, 135.0))), 25.0))
    there = {"choir-wide": ((1664, 143, 0), (1606, 144, 0)), "conductor": ((2099, 102, 10066), (2053, 102, 10066))}
    found = aligned(make, wrong, there)
    assert "off by 0.12°, more than counts explain" in found.sentence
    assert "is focal_length right?" in found.sentence
    off_by_a_count = {**there, "conductor": ((2099, 102, 10066), (2042, 102, 10066))}
    near = aligned(make, wrong, off_by_a_count)
    assert "fit within 0.01°" in near.sentence
    for worse, better in zip(found.positions, near.positions, strict=True):
        assert worse.expected_deg is not None and better.expected_deg is not None
        assert worse.expected_deg > 5 * better.expected_deg
        assert worse.expected_deg > 0.12, "no position is known better than the sightings themselves"


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        ({"a": ((-1434, -358, 0), (1946, -205, 0)), "b": ((1946, -205, 0), (-1434, -358, 0))}, "turned by 180°"),
        ({"a": ((-1434, -358, 0), (1434, 358, 0)), "b": ((1946, -205, 0), (-1946, 205, 0))}, "turned by 180°"),
        ({"a": ((-1434, -358, 0), (3686, -358, 0)), "b": ((1946, -205, 0), (7066, -205, 0))}, "turned by 100°"),
        ({"a": ((-1434, -358, 0), (1946, -205, 0))}, "turned by 66°"),
        ({"a": ((-1434, -358, 4608), (-1434, -358, 16000))}, "off by 70 % of its zoom's way"),
    ],
)
def test_what_no_knock_does_to_a_mount_is_refused(make: Callable[..., StoredPosition], seen: Seen, says: str) -> None:
    with pytest.raises(Refusal, match=says) as refusal:
        aligned(make, WITH, seen)
    assert refusal.value.code == "misfit"
    assert ("are two sightings swapped" if len(seen) > 1 else "is it another position") in refusal.value.sentence


def test_a_head_that_was_hung_anew_by_hand_is_aligned(make: Callable[..., StoredPosition]) -> None:
    seen: Seen = {"a": ((-1434, -358, 900), (614, -358, 0)), "b": ((1946, -205, 900), (3994, -205, 0))}  # 40° and 900
    found = aligned(make, WITH, seen)
    assert found.turned_deg == pytest.approx((-40.0, 0.0, 0.0), abs=0.01)
    assert not found.misfits
