"""A head turns between the angles that its window allows, by count, and is told to brake before the edge.

The bytes of a limit are of [B], the SRG-300H technical manual, "Execution command list (4/4)"; the scale of 51.2 counts
a degree, 170° to either side, 20° down and 90° up is of the same list. Braking: v²/2a, any machine-design handbook.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ptzsim import virtual_time
from rigs import rigged

from ptzd.cameras import LearnLimits, Window, limit_orders, open_to, reach_of
from ptzd.cameras.window import within
from ptzd.line import Framing
from ptzd.refusal import Refusal
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
NARROW = Window((-60.0, 60.0), (-10.0, 30.0))


def framing(pan_deg: float, tilt_deg: float) -> Framing:
    return Framing(round(pan_deg * 51.2), round(tilt_deg * 51.2), 0, 0x2000, "auto")


def test_what_lies_outside_is_told_with_the_window() -> None:
    assert NARROW.leaves_out(DIALECT, framing(0.0, 0.0)) is None
    told = NARROW.leaves_out(DIALECT, framing(75.0, 0.0))
    assert told is not None
    assert "pan 75.0°" in told and "-60° to 60°" in told
    told = NARROW.leaves_out(DIALECT, framing(0.0, -15.0))
    assert told is not None
    assert "tilt -15.0°" in told and "-10° to 30°" in told


@pytest.mark.parametrize(
    ("pan_counts", "inside"),
    # 60° are 3072 counts; 60.01° are 3072.5, so that 3073 would lie outside by half a count.
    [(3072, True), (3073, False), (-3072, True), (-3073, False)],
)
def test_an_edge_belongs_to_the_window_and_the_count_after_it_does_not(pan_counts: int, inside: bool) -> None:
    window = replace(NARROW, pan_deg=(-60.01, 60.01))
    framed = Framing(pan_counts, 0, 0, 0x2000, "auto")
    assert (window.leaves_out(DIALECT, framed) is None) is inside
    assert (NARROW.leaves_out(DIALECT, framed) is None) is inside


def test_a_camera_without_a_window_may_turn_as_far_as_its_head_can() -> None:
    assert open_to(DIALECT, None) == reach_of(DIALECT) == Window((-170.0, 170.0), (-20.0, 90.0))


def test_the_open_edges_are_whole_counts_inside_the_window() -> None:
    # 33.3° are 1704.96 counts and -0.1° are -5.12.
    opened = open_to(DIALECT, Window((-0.1, 33.3), (-10.0, 30.0)))
    assert opened.pan_deg == pytest.approx((-5 / 51.2, 1704 / 51.2))
    assert opened.tilt_deg == (-10.0, 30.0)


@given(st.floats(-200.0, 200.0), st.sampled_from(("pan", "tilt")), st.sampled_from((-1, 1)))
def test_no_axis_is_sent_outside_and_none_that_stands_outside_is_kept_from_coming_back(
    deg: float, axis: Literal["pan", "tilt"], way: int
) -> None:
    least, most = NARROW.edges_deg(axis)
    sent_to = NARROW.clamped(axis, deg + 40.0 * way)
    assert least <= sent_to <= most
    room = NARROW.room(axis, deg, way)
    if least <= deg <= most:
        assert deg + way * room == pytest.approx(most if way > 0 else least)
    else:
        outwards = 1 if deg > most else -1
        assert (room == 0.0) is (way == outwards)


def test_a_head_near_the_edge_goes_on_only_as_fast_as_it_can_brake() -> None:
    # At 60°/s and 120°/s² it brakes in 60²/240 = 15°, and 0.1 s until the order are 6° more: 21° are just enough.
    figures = {"braking_deg_per_s2": 120.0, "seconds": 0.1}
    assert NARROW.fastest_deg_per_s("pan", 39.0, 1, **figures) == pytest.approx(60.0)
    # 99.1° to the other edge; downwards there are 10° from the middle, and -60°/s would need 21°.
    assert NARROW.fastest_deg_per_s("pan", 39.1, -1, **figures) > 60.0
    assert NARROW.fastest_deg_per_s("tilt", 0.0, -1, **figures) < 60.0
    assert NARROW.fastest_deg_per_s("tilt", 0.0, 1, **figures) >= 60.0
    assert NARROW.fastest_deg_per_s("pan", 60.0, 1, **figures) == 0.0
    assert NARROW.fastest_deg_per_s("pan", 61.0, 1, **figures) == 0.0


@given(
    st.floats(-60.0, 60.0),
    st.sampled_from((-1, 1)),
    st.floats(10.0, 400.0),
    st.floats(0.0, 1.0),
)
def test_braked_at_the_last_look_that_lets_it_go_on_a_head_comes_to_rest_at_the_edge(
    deg: float, way: int, braking: float, seconds: float
) -> None:
    speed = NARROW.fastest_deg_per_s("pan", deg, way, braking_deg_per_s2=braking, seconds=seconds)
    at, left, step = deg, speed, 0.001
    for _ in range(round(seconds / step)):
        at += way * speed * step
    while left > 0.0:  # the motion in small steps, unlike the formula
        at += way * left * step
        left -= braking * step
    assert at == pytest.approx(60.0 * way, abs=2 * step * speed + 1e-6)


def test_a_window_is_written_into_a_head_that_takes_limits() -> None:
    # 81 01 06 07 00 0W 0Y×4 0Z×4 FF, W = 1 for up and right; -60° are -3072 = F400, 60° are 0C00, -10° are -512 = FE00,
    # 30° are 1536 = 0600.
    assert [order.encode(DIALECT) for order in limit_orders(DIALECT, NARROW)] == [
        bytes.fromhex("81 01 06 07 00 00 0F 04 00 00 0F 0E 00 00 FF"),
        bytes.fromhex("81 01 06 07 00 01 00 0C 00 00 00 06 00 00 FF"),
    ]


def test_no_limit_is_sent_to_a_head_that_takes_none_or_for_a_camera_without_a_window() -> None:
    assert limit_orders(load_dialect("nibble4-14"), NARROW) == []
    assert limit_orders(DIALECT, None) == []


def test_a_head_is_learned_inside_its_window_only() -> None:
    wanted = LearnLimits((-90.0, 40.0), (-5.0, 45.0), near_ends=True)
    assert within(NARROW, wanted) == LearnLimits((-60.0, 40.0), (-5.0, 30.0), near_ends=True)
    assert within(None, wanted) == wanted


@pytest.mark.parametrize("pan_deg", [(70.0, 90.0), (-170.0, -100.0), (55.0, 90.0)])
def test_a_range_to_learn_in_that_the_window_leaves_too_little_of_is_told_with_the_window(
    pan_deg: tuple[float, float],
) -> None:
    async def play() -> None:
        async with rigged() as rig:
            await rig.ready()
            rig.camera.settings = replace(rig.camera.settings, window=NARROW)
            with pytest.raises(Refusal) as refused:
                rig.camera.seconds_to_learn(LearnLimits(pan_deg, (0.0, 25.0)))
            assert refused.value.sentence == (
                "too little of this range lies in the window of camera gallery, pan -60° to 60°, tilt -10° to 30°; "
                "give another"
            )
            with pytest.raises(Refusal, match="10° wide at least, not 0° to 4°"):
                rig.camera.seconds_to_learn(LearnLimits((0.0, 4.0), (0.0, 25.0)))

    virtual_time.run(play())
