"""What of a picture that is not as it was the head itself explains."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from drawn_drifts import SETTINGS

from ptzd.cameras import Optics
from ptzd.daemon.drift import changes_of
from ptzd.line import Framing, Landing
from ptzd.motion import Lens, Sensor
from ptzd.pictures import Similarity
from ptzd.positions import StoredPosition

STILL_TAKEN = datetime(2026, 6, 20, 19, 30, tzinfo=UTC)
WIDE = StoredPosition("left", "shot", Framing(0, 0, 0, 0x2000, "manual"), "nibble4-51", None, None, "", STILL_TAKEN)
NARROW_LENS = Optics(Sensor(36.0, 20.25), Lens(((0, 687.5), (0x4000, 2000.0))), 25.0)  # 3.00° wide and 1.69° high


@pytest.mark.parametrize(
    ("optics", "landed", "right", "up", "told"),
    [
        # Nobody knows how wide the picture is: a hundredth of the width is explained, and as much upwards.
        (None, (0, 0), 0.012, 0.0, False),
        (None, (0, 0), 0.015, 0.0, True),
        (None, (0, 0), 0.0, 0.012 * 16 / 9, True),
        (None, (0, 0), 0.0, 0.009 * 16 / 9, False),
        # At 51.2 counts per degree a count is 1/51.2/3.00 = 0.65 % of the width, and 1.16 % of the height.
        (NARROW_LENS, (0, 0), 0.008, 0.0, False),  # one count of play, and 2 of 640 pixels
        (NARROW_LENS, (0, 0), 0.012, 0.0, True),
        (NARROW_LENS, (2, 0), 0.020, 0.0, False),
        (NARROW_LENS, (2, 0), 0.025, 0.0, True),
        (NARROW_LENS, (0, -2), 0.0, 0.035, False),
        (NARROW_LENS, (0, -2), 0.0, -0.042, True),
    ],
)
def test_a_shift_is_told_that_neither_play_nor_the_landing_of_the_head_explain(
    optics: Optics | None, landed: tuple[int, int], right: float, up: float, told: bool
) -> None:
    landing = Landing(*landed, 0, 0, 0.0, 0.0)
    changes, causes = changes_of(replace(SETTINGS, optics=optics), WIDE, landing, Similarity(right, up, 0.0, 0.0, 1.0))
    assert bool(changes) is told
    assert causes == (["the head or its mount may have been knocked"] if told else [])


@pytest.mark.parametrize(
    ("larger", "roll_deg", "change", "cause"),
    [
        (0.012, 0.0, "1.2 % tighter", "the zoom ring may have slipped"),
        (-0.02, 0.0, "2.0 % wider", "the zoom ring may have slipped"),
        (0.0, 0.5, "turned by 0.5°", "it may hang askew"),
        (0.0, -0.5, "turned by 0.5°", "it may hang askew"),
    ],
)
def test_what_is_larger_or_turned_is_told_with_what_it_may_come_from(
    larger: float, roll_deg: float, change: str, cause: str
) -> None:
    found = Similarity(0.0, 0.0, larger, roll_deg, 1.0)
    assert changes_of(SETTINGS, WIDE, Landing(0, 0, 0, 0, 0.0, 0.0), found) == ([change], [cause])
