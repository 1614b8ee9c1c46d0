"""A move on air is judged by what the viewer sees of it.

RED 101, "Panning speed best practices": nothing crosses the whole picture in under 7 s, at 24 frames/s and a 180°
shutter; on full frame (36 × 24 mm) that is 2.9°/s at 100 mm and 0.74°/s at 400 mm.
[D] TLC-700-S user manual, "VISCA speed value": steps 1, 6 and 7 of pan are 1, 2.8 and 3.0°/s.
"""

from __future__ import annotations

import random
from dataclasses import replace
from math import cos, exp, log, radians, sin

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ptzd.motion import (
    AxisModel,
    AxisSpeeds,
    HeadModel,
    Lens,
    MoveVerdict,
    Picture,
    Pose,
    Sensor,
    ShapedPlan,
    angle_of_view_deg,
    judge_move,
    judge_samples,
    lens_between,
    picture_speed_widths_per_s,
    plan_to_be_seen,
    published_head,
    seconds_for_axis,
    watching_limit_widths_per_s,
)
from ptzd.motion.profile import course_at

from .conftest import PAN_STEPS, TILT_STEPS, ZOOM_RATIOS

FULL_FRAME = Sensor(36.0, 24.0)
LENS = lens_between(100.0, 400.0, ZOOM_RATIOS)
WIDE, TELE = 0, 0x4000
HEAD = published_head(PAN_STEPS, TILT_STEPS)

tilts = st.floats(-30.0, 90.0)
zooms = st.integers(WIDE, TELE)
poses = st.builds(Pose, st.floats(-170.0, 170.0), tilts, zooms, st.none())
pan_steps = st.integers(1, 24)
tilt_steps = st.integers(1, 18)
rates = st.sampled_from((24.0, 25.0, 30.0, 50.0, 60.0))


def pose(pan_deg: float = 0.0, tilt_deg: float = 0.0, zoom_counts: float = WIDE) -> Pose:
    return Pose(pan_deg, tilt_deg, zoom_counts, None)


def panning_at(deg_per_s: float) -> HeadModel:
    """A head of which pan and tilt know but one speed."""
    axis = AxisModel((deg_per_s,), 120.0)
    return replace(HEAD, pan=axis, tilt=axis)


@pytest.mark.parametrize(("zoom_counts", "published_deg_per_s", "rounding"), [(WIDE, 2.9, 0.05), (TELE, 0.74, 0.005)])
@pytest.mark.parametrize(("axis", "slower_corners"), [("pan_deg", 1.0), ("tilt_deg", 1.025)])
def test_the_published_limit_divides_what_can_be_watched_from_what_cannot(
    zoom_counts: int, published_deg_per_s: float, rounding: float, axis: str, slower_corners: float
) -> None:
    # RED 101, at 24 frames/s, rounded as printed. The picture is less high than wide: a tilt's corners are not as fast.
    from_, to = pose(zoom_counts=zoom_counts), replace(pose(zoom_counts=zoom_counts), **{axis: 20.0})
    slower, faster = (
        panning_at(published_deg_per_s - rounding),
        panning_at(slower_corners * (published_deg_per_s + rounding)),
    )
    assert judge_move(slower, FULL_FRAME, LENS, 24.0, from_, to, 1, 1).watchable
    assert not judge_move(faster, FULL_FRAME, LENS, 24.0, from_, to, 1, 1).watchable


def test_at_100_mm_step_6_can_be_watched_and_step_7_cannot(head: HeadModel) -> None:
    # RED 101: 2.9°/s; [D]: 2.8 and 3.0°/s.
    assert judge_move(head, FULL_FRAME, LENS, 24.0, pose(), pose(20.0), 6, 1).watchable
    assert not judge_move(head, FULL_FRAME, LENS, 24.0, pose(), pose(20.0), 7, 1).watchable


def test_what_crosses_the_picture_in_seven_seconds_travels_a_seventh_of_a_width_per_second() -> None:
    # RED 101. The wider the picture, the faster its corners are than the average of what crosses it.
    assert watching_limit_widths_per_s(FULL_FRAME, 2000.0, 24.0) == pytest.approx(1 / 7, rel=1e-3)
    assert watching_limit_widths_per_s(FULL_FRAME, 28.0, 24.0) > 1.2 / 7


@given(rates, st.floats(1.01, 5.0))
@settings(deadline=None)
def test_the_limit_scales_with_the_frame_rate(frame_rate: float, factor: float) -> None:
    # RED 101.
    slower, faster = (watching_limit_widths_per_s(FULL_FRAME, 50.0, rate) for rate in (frame_rate, frame_rate * factor))
    assert faster == pytest.approx(factor * slower)


def test_at_400_mm_even_the_slowest_step_is_too_fast_and_it_says_so(head: HeadModel) -> None:
    # RED 101: 0.74°/s; [D]: step 1 is 1°/s.
    verdict = judge_move(head, FULL_FRAME, LENS, 24.0, pose(zoom_counts=TELE), pose(20.0, zoom_counts=TELE), 1, 1)
    assert (verdict.watchable, verdict.seconds_needed) == (False, None)
    assert "even the slowest speeds (pan 1°/s) are too fast to watch at 400 mm" in verdict.sentence
    # 1°/s is the limit where the picture is 7° wide: 36 / (2·tan 3.5°) = 294.3 mm.
    assert verdict.sentence.endswith("or at 294 mm at most")


def test_at_twice_the_frame_rate_the_same_step_can_be_watched(head: HeadModel) -> None:
    # RED 101: the limit scales, 0.74 to 1.47°/s.
    verdict = judge_move(head, FULL_FRAME, LENS, 48.0, pose(zoom_counts=TELE), pose(20.0, zoom_counts=TELE), 1, 1)
    assert verdict.watchable


def test_a_pan_too_fast_names_the_seconds_that_the_limit_gives(head: HeadModel) -> None:
    # 20.41° / 7 s = 2.916°/s over 20°, by hand: 20 / 2.916 + 2.916 / 120 + 0.06 s of latency = 6.94 s.
    verdict = judge_move(head, FULL_FRAME, LENS, 24.0, pose(), pose(20.0), 24, 1)
    assert verdict.seconds_needed == pytest.approx(6.94, abs=0.005)
    assert verdict.sentence.endswith("it would need 7.0 s")


def through_a_pinhole(focal_mm: float, pan_deg: float, tilt_deg: float, far: np.ndarray) -> np.ndarray:
    """Where points far away (right, up, ahead; one a column) are seen, in mm to the right of the middle and up."""
    pan, tilt = radians(pan_deg), radians(tilt_deg)
    ahead = np.array([sin(pan) * cos(tilt), sin(tilt), cos(pan) * cos(tilt)])
    right = np.array([cos(pan), 0.0, -sin(pan)])
    up = np.cross(ahead, right)
    seen: np.ndarray = focal_mm * np.array([right @ far, up @ far]) / (ahead @ far)
    return seen


def fastest_through_a_pinhole(
    focal_mm: float, tilt_deg: float, speeds: tuple[float, float, float], points: int = 17
) -> float:
    """Widths a second of the fastest of some points of the picture, corners among them, for pan and tilt in °/s.

    The third speed is the growth of log f in a second.
    """
    x, y = (each.ravel() for each in np.meshgrid(np.linspace(-18.0, 18.0, points), np.linspace(-12.0, 12.0, points)))
    tilt, seconds = radians(tilt_deg), 1e-6
    forward, upward = np.array([0.0, sin(tilt), cos(tilt)]), np.array([0.0, cos(tilt), -sin(tilt)])
    far = np.outer([1.0, 0.0, 0.0], x) + np.outer(upward, y) + np.outer(forward, np.full_like(x, focal_mm))
    before = through_a_pinhole(focal_mm, 0.0, tilt_deg, far)
    pan, up, growth = (speed * seconds for speed in speeds)
    after = through_a_pinhole(focal_mm * exp(growth), pan, tilt_deg + up, far)
    return float(np.hypot(*(after - before)).max() / seconds / 36.0)


def test_a_pan_at_a_steep_tilt_turns_the_picture() -> None:
    # 28 mm on 36 × 24 mm, tilt 75°, 20°/s: centre 0.0703, worst corner 0.2590 widths a second (numpy, as above).
    lens = Lens(((0, 28.0), (1, 28.1)))
    turned = picture_speed_widths_per_s(FULL_FRAME, lens, 75.0, 0, AxisSpeeds(20.0, 0.0, 0.0))
    assert turned == pytest.approx(0.2590, abs=5e-5)


@given(st.floats(12.0, 400.0), tilts, st.floats(-60.0, 60.0), st.floats(-60.0, 60.0), st.sampled_from((0.0, 1.0, -1.0)))
@settings(deadline=None)
def test_the_fastest_corner_is_as_fast_as_a_pinhole_shows_any_point(
    focal_mm: float, tilt_deg: float, pan: float, tilt: float, zooming: float
) -> None:
    lens = Lens(((0, focal_mm), (1000, 2.0 * focal_mm)))
    speed = 100.0 * zooming  # counts a second
    growth = speed * log(lens.focal_length_mm(7.8125) / focal_mm) / 7.8125  # as the module has it: over a 128th
    shown = fastest_through_a_pinhole(focal_mm, tilt_deg, (pan, tilt, growth))
    said = picture_speed_widths_per_s(FULL_FRAME, lens, tilt_deg, 0, AxisSpeeds(pan, tilt, speed))
    assert said == pytest.approx(shown, rel=1e-3, abs=1e-4)


@pytest.mark.parametrize(
    ("from_deg", "to_deg", "fastest_deg"), [(10.0, 60.0, 10.0), (-20.0, 40.0, 0.0), (30.0, 30.0, 30.0)]
)
def test_each_moment_of_a_direct_move_counts_with_its_own_tilt(
    head: HeadModel, from_deg: float, to_deg: float, fastest_deg: float
) -> None:
    # At 100 mm a pan moves the picture most where it is nearest to the horizon; tilting takes longer than the pan.
    verdict = judge_move(head, FULL_FRAME, LENS, 24.0, pose(0.0, from_deg), pose(115.0, to_deg), 6, 1)
    tilt_deg_per_s = 1.0 if from_deg != to_deg else 0.0
    expected = fastest_through_a_pinhole(100.0, fastest_deg, (2.8, tilt_deg_per_s, 0.0))
    assert verdict.widths_per_s == pytest.approx(expected, rel=0.01)


def test_a_pan_that_is_over_before_the_lens_goes_in_is_judged_at_the_wide_end(head: HeadModel) -> None:
    # RED 101: 2.9°/s at 100 mm, 0.74°/s at 400 mm. The zoom needs far longer than these 2°.
    slow_zoom = replace(head, zoom=replace(head.zoom, direct_counts_per_s=200.0))
    assert judge_move(slow_zoom, FULL_FRAME, LENS, 24.0, pose(), pose(2.0, zoom_counts=TELE), 4, 1).watchable
    assert not judge_move(slow_zoom, FULL_FRAME, LENS, 24.0, pose(zoom_counts=TELE), pose(2.0), 4, 1).watchable


def test_a_zoom_is_seen_in_the_corners() -> None:
    # The focal length doubles within 1000 counts: at 100 counts/s its logarithm grows by 0.0693 in a second, and a
    # corner of 36 × 24 mm lies 0.601 widths from the middle.
    lens = lens_between(100.0, 200.0, ((1.0, 0), (2.0, 1000)))
    middle = next(counts for counts in range(1000) if lens.focal_length_mm(counts) > 141.4)
    at_once = log(lens.focal_length_mm(middle + 20) / lens.focal_length_mm(middle - 20)) / 40
    speed = picture_speed_widths_per_s(FULL_FRAME, lens, 0.0, middle, AxisSpeeds(0.0, 0.0, 100.0))
    assert speed == pytest.approx(0.601 * 100 * at_once, rel=0.02)


def test_a_zoom_over_the_whole_lens_in_three_seconds_is_too_fast_and_a_slower_drive_is_not(head: HeadModel) -> None:
    verdict = judge_move(head, FULL_FRAME, LENS, 24.0, pose(), pose(zoom_counts=TELE), 24, 18)
    assert not verdict.watchable
    # log(400/100) = 1.386 of growth, 0.601 widths to the corner: 0.833 widths in all, 5.8 s at 1/7 width/s.
    assert verdict.seconds_needed is not None
    assert verdict.seconds_needed > 5.8


@given(poses, poses, pan_steps, tilt_steps, rates)
@settings(deadline=None)
@example(Pose(0.0, 26.5, 0, None), Pose(0.0, 0.0, 15383, None), 1, 1, 24.0)  # the zoom is over long before the tilt
def test_the_verdict_is_never_slower_than_what_is_seen_at_any_moment(
    from_: Pose, to: Pose, pan_step: int, tilt_step: int, rate: float
) -> None:
    verdict = judge_move(HEAD, FULL_FRAME, LENS, rate, from_, to, pan_step, tilt_step)
    assert verdict.watchable == (verdict.widths_per_s <= verdict.limit_widths_per_s)
    axes = (
        (from_.pan_deg, to.pan_deg, PAN_STEPS[pan_step - 1], 120.0, 0.1),
        (from_.tilt_deg, to.tilt_deg, TILT_STEPS[tilt_step - 1], 120.0, 0.1),
        (from_.zoom_counts, to.zoom_counts, HEAD.zoom.direct_counts_per_s, 22000.0, 17),
    )
    seconds = max(seconds_for_axis(end - start, top, acc) for start, end, top, acc, _ in axes)
    for part in range(40):
        now, step = part * seconds / 40, 0.001
        at, speeds = [], []
        for start, end, top, acc, standing in axes:
            way = end - start if abs(end - start) >= standing else 0.0
            here, there = (course_at(way, top, acc, moment)[0] for moment in (now, now + step))
            at.append(start + here)
            speeds.append((there - here) / step)
        if speeds[2] and min(abs(at[2] - from_.zoom_counts), abs(at[2] - to.zoom_counts)) < TELE / 128:
            continue  # a lens that goes on beyond the move's end is none of its
        seen = picture_speed_widths_per_s(FULL_FRAME, LENS, at[1], at[2], AxisSpeeds(*speeds))
        limit = watching_limit_widths_per_s(FULL_FRAME, LENS.focal_length_mm(at[2]), rate)
        assert seen / limit <= verdict.widths_per_s / verdict.limit_widths_per_s * 1.1 + 1e-6


@given(poses, poses, pan_steps, tilt_steps, rates)
@settings(deadline=None)
def test_a_faster_step_is_never_easier_to_watch(from_: Pose, to: Pose, pan: int, tilt: int, rate: float) -> None:
    here = judge_move(HEAD, FULL_FRAME, LENS, rate, from_, to, pan, tilt)
    faster = judge_move(HEAD, FULL_FRAME, LENS, rate, from_, to, min(24, pan + 1), min(18, tilt + 1))
    assert faster.seconds_needed == here.seconds_needed or None in (faster.seconds_needed, here.seconds_needed)


@given(st.floats(0.2, 300.0), pan_steps, zooms)
@settings(deadline=None)
def test_a_pan_that_takes_the_seconds_needed_can_just_be_watched(way: float, step: int, zoom: int) -> None:
    from_, to = pose(zoom_counts=zoom), pose(way, zoom_counts=zoom)
    verdict = judge_move(HEAD, FULL_FRAME, LENS, 24.0, from_, to, step, 1)
    if verdict.seconds_needed is None:
        return
    seconds = HEAD.latency_seconds + seconds_for_axis(way, PAN_STEPS[step - 1], 120.0)
    assert verdict.watchable == (seconds >= verdict.seconds_needed - 1e-6)


@given(poses, poses, rates)
@settings(deadline=None)
def test_what_all_but_stands_is_no_move(from_: Pose, to: Pose, rate: float) -> None:
    near = replace(from_, pan_deg=from_.pan_deg + 0.05, zoom_counts=from_.zoom_counts + 3)
    verdict = judge_move(HEAD, FULL_FRAME, LENS, rate, from_, near, 24, 18)
    assert verdict.watchable
    assert verdict.widths_per_s == 0.0


@given(poses, st.floats(1.0, 60.0), st.floats(1.0, 60.0), st.floats(100.0, 5000.0), st.floats(1.1, 8.0), rates)
@settings(deadline=None)
def test_a_profile_stretched_by_what_it_needs_is_at_the_limit(
    at: Pose, pan: float, tilt: float, zoom: float, seconds: float, rate: float
) -> None:
    def judged(seconds: float, slower: float) -> MoveVerdict:
        speeds = AxisSpeeds(pan * slower, tilt * slower, zoom * slower)
        end = replace(at, pan_deg=at.pan_deg + 50.0)
        samples = [(at, speeds), (end, AxisSpeeds(0.0, 0.0, 0.0))]
        return judge_samples(HEAD, FULL_FRAME, LENS, rate, samples, seconds)

    verdict = judged(seconds, 1.0)
    if verdict.seconds_needed is None or verdict.watchable:
        return
    slower = (seconds - HEAD.latency_seconds) / (verdict.seconds_needed - HEAD.latency_seconds)
    again = judged(verdict.seconds_needed, slower)
    assert again.widths_per_s == pytest.approx(again.limit_widths_per_s)


def test_sampled_speeds_are_judged_each_at_its_own_zoom_and_tilt(head: HeadModel) -> None:
    # The pan is over before the lens goes in: RED 101's 2.9°/s at 100 mm counts, not 0.74°/s at 400 mm.
    samples = [
        (pose(0.0), AxisSpeeds(0.0, 0.0, 0.0)),
        (pose(10.0), AxisSpeeds(2.8, 0.0, 0.0)),
        (pose(20.0), AxisSpeeds(0.0, 0.0, 0.0)),
        (pose(20.0, zoom_counts=TELE), AxisSpeeds(0.0, 0.0, 0.0)),
    ]
    assert judge_samples(head, FULL_FRAME, LENS, 24.0, samples, 20.0).watchable
    samples[1] = (pose(10.0, zoom_counts=TELE), samples[1][1])
    assert not judge_samples(head, FULL_FRAME, LENS, 24.0, samples, 20.0).watchable


def test_a_move_without_samples_is_an_error(head: HeadModel) -> None:
    with pytest.raises(ValueError, match="two samples"):
        judge_samples(head, FULL_FRAME, LENS, 24.0, [], 4.0)


@pytest.mark.parametrize(("pan_step", "tilt_step"), [(0, 1), (25, 1), (1, 19)])
def test_a_step_that_the_head_has_not_is_an_error(head: HeadModel, pan_step: int, tilt_step: int) -> None:
    with pytest.raises(ValueError, match="does not exist"):
        judge_move(head, FULL_FRAME, LENS, 24.0, pose(), pose(20.0), pan_step, tilt_step)


def test_shaped_moves_are_judged_as_a_slow_reckoning_sees_them(head: HeadModel) -> None:
    """From one picture to the next, how far its corners have come by the plan, and the worst of it."""
    rng, pause = random.Random(11), 0.04
    lens = lens_between(28.0, 400.0, ((1.0, WIDE), (3.0, 8000), (14.3, TELE)))
    plans: list[ShapedPlan] = []
    while len(plans) < 12:
        from_ = Pose(0.0, rng.uniform(-20.0, 70.0), rng.randint(WIDE, TELE), None)
        to = Pose(rng.uniform(-40.0, 40.0), rng.uniform(-20.0, 70.0), rng.randint(WIDE, TELE), None)
        plan = plan_to_be_seen(head, from_, to, rng.uniform(3.0, 12.0), picture=Picture(lens, FULL_FRAME))
        plans += [plan] if isinstance(plan, ShapedPlan) else []
    for plan in plans:
        worst = 0.0
        for tick in range(round(plan.seconds / pause)):
            here, there = plan.pose_at(tick * pause), plan.pose_at((tick + 1) * pause)
            focal_mm = lens.focal_length_mm(here.zoom_counts)
            growth = log(lens.focal_length_mm(there.zoom_counts) / focal_mm) / pause
            turned = (there.pan_deg - here.pan_deg) / pause, (there.tilt_deg - here.tilt_deg) / pause
            seen = fastest_through_a_pinhole(focal_mm, here.tilt_deg, (*turned, growth), points=2)
            level = angle_of_view_deg(36.0, focal_mm) / 7.0
            worst = max(worst, seen / fastest_through_a_pinhole(focal_mm, 0.0, (level, 0.0, 0.0), points=2))
        verdict = judge_samples(head, FULL_FRAME, lens, 24.0, plan.samples(), plan.seconds)
        assert verdict.widths_per_s / verdict.limit_widths_per_s == pytest.approx(worst, rel=0.08)
