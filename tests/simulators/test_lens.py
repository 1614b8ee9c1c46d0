"""Zoom and focus: a rate of their own, eight drive speeds, and what digital zoom spoils.

[I] and [J] are the sources of protocol.md: the Ceiling DocCam II technical manual, "Zoom ratio and zoom position";
the FCB-EX1010 technical manual, "Lens control".
"""

from __future__ import annotations

import itertools
import random
from typing import Any

import pytest
from ptzsim import Lens, draw_truth

from ptzd.visca import load_dialect


def lens_of(seed: int = 1) -> Lens:
    dialect = load_dialect("nibble4-51")
    return Lens(dialect, draw_truth(dialect, random.Random(seed)), random.Random(seed))


def test_the_whole_zoom_range_takes_about_three_seconds() -> None:
    for seed in range(20):
        lens = lens_of(seed)
        lens.zoom_to(0.0, 0x4000)
        assert 2.8 <= lens.zoom.ends_at <= 3.35  # 3 s ± 5 %, and a tenth to start and stop
        assert lens.zoom_counts(lens.zoom.ends_at) == 0x4000


def test_zoom_has_eight_drive_speeds_each_faster_than_the_last() -> None:
    seconds = []
    for speed in range(8):
        lens = lens_of()
        lens.zoom_drive(0.0, 1, speed)
        assert lens.zoom_counts(1000.0) == 0x4000  # the optical tele end [I]
        seconds.append(lens.zoom.ends_at)
    assert seconds == sorted(seconds, reverse=True) and len(set(seconds)) == 8


def test_a_drive_without_a_speed_takes_the_standard_one_and_stops_when_told() -> None:
    lens = lens_of()
    lens.zoom_drive(0.0, 1, None)
    lens.zoom.stop(1.0)
    stopped = lens.zoom_counts(2.0)
    assert 0 < stopped < 0x4000
    assert lens.zoom_counts(50.0) == stopped


def test_zoom_ends_at_the_optical_tele_end_unless_digital_zoom_is_on() -> None:
    lens = lens_of()
    lens.zoom_to(0.0, 0x5000)
    assert lens.zoom_counts(10.0) == 0x4000
    lens.set_digital_zoom(10.0, True)
    lens.zoom_to(10.0, 0x5000)  # digital zoom lies above 4000 [I]
    assert lens.zoom_counts(20.0) == pytest.approx(0x5000, abs=6)
    lens.set_digital_zoom(20.0, False)
    assert lens.zoom_counts(30.0) == 0x4000


def test_without_digital_zoom_a_zoom_position_comes_back_the_same_each_time() -> None:
    lens = lens_of()
    found = set()
    for at in range(10):
        lens.zoom_to(20.0 * at, 0x1000 if at % 2 else 0x2752)
        found.add(lens.zoom_counts(20.0 * at + 10.0))
    assert found == {0x1000, 0x2752}


def test_with_digital_zoom_a_zoom_position_comes_back_a_few_counts_different_each_time() -> None:
    # Digital zoom must be off for zoom positions to come back the same (common practice).
    lens = lens_of()
    lens.set_digital_zoom(0.0, True)
    found = []
    for at in range(20):
        lens.zoom_to(20.0 * at, 0x2752)
        found.append(lens.zoom_counts(20.0 * at + 10.0))
    assert all(1 < abs(counts - 0x2752) < 10 for counts in found)
    assert all(one != next_one for one, next_one in itertools.pairwise(found))


def test_with_digital_zoom_not_even_an_end_comes_back_the_same() -> None:
    lens = lens_of()
    lens.set_digital_zoom(0.0, True)
    lens.zoom_to(0.0, 0)
    assert lens.zoom_counts(10.0) > 0


def test_far_is_towards_smaller_counts_and_focus_stays_within_its_scale() -> None:
    # 1000 lies beyond infinity, C000 is 0.01 m [J].
    lens = lens_of()
    lens.focus_drive(0.0, 1, 7)
    assert lens.focus_counts(20.0) == 0x1000
    lens.focus_drive(20.0, -1, 7)
    assert lens.focus_counts(40.0) == 0xC000
    lens.focus_to(40.0, 0x5000)
    assert lens.focus_counts(60.0) == 0x5000


def test_at_start_up_the_zoom_runs_over_its_range_and_ends_wide() -> None:
    lens = lens_of()
    lens.set_digital_zoom(0.0, True)
    lens.start_up(0.0)
    places = [lens.zoom_counts(at / 100) for at in range(1000)]
    assert max(places) == 0x4000 and places[-1] == 0
    assert not lens.digital_zoom


def test_auto_focus_follows_what_stands_where_the_head_goes(controller: Any, desk: Any) -> None:
    # A subject at the wall, 10° to the right, and another one before it.
    desk.camera.lens.scene = lambda pan_deg, tilt_deg, zoom_counts: 0x5000 if pan_deg > 5.0 else 0x3000
    controller.tell("81 01 04 38 02 ff", seconds=10.0)  # auto focus
    assert controller.focus() == 0x3000
    controller.tell(controller.go(512, 0), seconds=10.0)  # 51.2 counts a degree
    assert controller.focus() == 0x5000
    controller.tell("81 01 04 38 03 ff")  # by hand from here on
    controller.tell(controller.go(0, 0), seconds=10.0)
    assert controller.focus() == 0x5000
