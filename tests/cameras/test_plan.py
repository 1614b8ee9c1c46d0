"""One planner: what it plans can be made, what it refuses can't, and cameras and rehearsal go by the same plan.

Travel is worked out by hand as t = d/v + v/a (any machine-design handbook), or by `ruckig`. The head's reach (170° to
either side, 20° down, 90° up at 51.2 counts a degree) is of the SRG-300H technical manual, "Execution command list
(4/4)"; a lens's zoom ends at 4000 hexadecimal (Ceiling DocCam II technical manual), its focus at 1000 and C000
(FCB-EX1010 technical manual).
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import ruckig
from evenings import EVENING, LATENCY, LENS, PLAIN, STILL, TABLED, camera
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ptzd.cameras import CameraSettings, MovePlan, MoveRefused, Pace, Window, plan_move, pose_standing, pose_wanted
from ptzd.cameras.orders import lens_orders, pan_tilt_order
from ptzd.files import read_show_text
from ptzd.line import Framing, landing
from ptzd.motion import AxisModel, SlowMode
from ptzd.positions import StoredPosition
from ptzd.rehearsal import RehearsedCamera, rehearse

LEFT: CameraSettings = camera("left").settings
DIALECT = LEFT.dialect
FOCUS = 0x2000


def framed(pan_deg: float, tilt_deg: float = 0.0, zoom: int = 0, focus: int | None = None) -> Framing:
    """A framing in the counts of the dialect; without a focus the camera focuses by itself."""
    counts = round(pan_deg * 51.2), round(tilt_deg * 51.2)
    return Framing(*counts, zoom, FOCUS if focus is None else focus, "auto" if focus is None else "manual")


HOME = pose_standing(DIALECT, framed(0.0))


def plan(wanted: Framing, pace: Pace = Pace(), *, seen: bool = False, of: CameraSettings = LEFT) -> MovePlan:  # noqa: B008
    made = plan_move(of, HOME, wanted, pace, seen=seen)
    assert isinstance(made, MovePlan), made
    return made


def refusal(wanted: Framing, pace: Pace = Pace(), *, seen: bool = False, of: CameraSettings = LEFT) -> MoveRefused:  # noqa: B008
    refused = plan_move(of, HOME, wanted, pace, seen=seen)
    assert isinstance(refused, MoveRefused), refused
    return refused


# What nobody sees


def test_off_air_a_camera_goes_straight_there_at_its_own_speed() -> None:
    # Step 3 is 60°/s at 120°/s²: 90° take 90/60 + 60/120 = 2 s. Step 1 is 5°/s: 18 s and 1/24 s.
    made = plan(framed(90.0))
    assert (made.way, made.pan_step, made.shaped, made.verdict, made.warning) == ("direct", 3, None, None, None)
    assert made.prediction.seconds_to_arrival == pytest.approx(LATENCY + 2.0)
    assert made.prediction.seconds_to_settled == pytest.approx(LATENCY + 2.0 + STILL)
    assert plan(framed(90.0), of=replace(LEFT, speed=1)).prediction.pan_seconds == pytest.approx(18.0 + 1.0 / 24.0)
    assert plan(framed(90.0), Pace(step=1)).prediction.pan_seconds == pytest.approx(18.0 + 1.0 / 24.0)


@given(st.floats(-170.0, 170.0), st.floats(-20.0, 90.0), st.sampled_from((1, 2, 3)))
def test_the_axis_that_takes_longer_travels_as_a_reference_library_says(
    pan_deg: float, tilt_deg: float, step: int
) -> None:
    wanted = framed(pan_deg, tilt_deg)
    speed = (5.0, 20.0, 60.0)[step - 1]
    travels = [_reference_seconds(counts / 51.2, speed) for counts in (wanted.pan_counts, wanted.tilt_counts)]
    # The other axis may be slowed so that both end together, and then end a video frame or so later.
    arrival = plan(wanted, Pace(step=step)).prediction.seconds_to_arrival
    assert max(travels) - 1e-3 <= arrival - LATENCY <= max(travels) + 0.051


def _reference_seconds(distance: float, top_speed: float) -> float:
    if not distance:
        return 0.0
    wanted = ruckig.InputParameter(1)
    wanted.current_position, wanted.target_position = [0.0], [distance]
    wanted.max_velocity, wanted.max_acceleration, wanted.max_jerk = [top_speed], [120.0], [1e9]
    trajectory = ruckig.Trajectory(1)
    assert ruckig.Ruckig(1).calculate(wanted, trajectory) >= 0
    return float(trajectory.duration)


def test_a_wished_time_is_met_by_the_step_nearest_to_it() -> None:
    # 60° at 20°/s take 3 s and 1/6 s, and 0.1 s until the order is obeyed; the other steps 1.5 and 12 s.
    made = plan(framed(60.0), Pace(seconds=4.0))
    assert made.pan_step == 2
    assert made.prediction.seconds_to_arrival == pytest.approx(0.1 + 3.0 + 1.0 / 6.0)
    assert made.warning == "these steps arrive after 3.27 s, the nearest to 4 s there is"
    assert plan(framed(60.0), Pace(seconds=3.2)).warning is None  # a fifteenth of a second, which nobody minds
    assert plan(framed(0.0), Pace(seconds=4.0)).warning is None  # it stands there


def test_a_time_that_cannot_be_had_is_refused_with_the_nearest_plan() -> None:
    # 90°: at the fastest 2 s, at the slowest 18.04 s, each and 0.1 s.
    short, long = refusal(framed(90.0), Pace(seconds=1.0)), refusal(framed(90.0), Pace(seconds=30.0))
    assert (short.code, short.of_framing, short.nearest.pan_step) == ("too-short", False, 3)
    assert "2.1 s at the fastest" in short.sentence
    assert (long.code, long.of_framing, long.nearest.pan_step) == ("too-long", False, 1)
    assert "18.1 s at the slowest" in long.sentence


def test_a_focus_takes_its_time_only_where_it_is_brought_back() -> None:
    # 20000 counts at 20000 counts/s, though the camera focuses by itself where it stands.
    focused = framed(1.0, focus=FOCUS + 20000)
    assert plan(focused).prediction.focus_seconds == pytest.approx(1.0)
    assert plan(replace(focused, focus_mode="auto")).prediction.focus_seconds == 0.0
    assert (pose_wanted(DIALECT, framed(1.0)).focus_counts, pose_standing(DIALECT, framed(1.0)).focus_counts) == (
        None,
        FOCUS,
    )


# What is seen


def test_on_air_a_camera_moves_along_a_curve_in_the_seconds_asked_for() -> None:
    made = plan(framed(30.0), Pace(seconds=4.0), seen=True)
    assert made.way == "shaped"
    assert made.shaped is not None and made.shaped.to == pose_wanted(DIALECT, framed(30.0))
    assert made.prediction.seconds_to_arrival == pytest.approx(4.0, abs=0.2)


def test_on_air_without_a_time_it_takes_as_long_as_the_direct_move_at_the_speed_on_air() -> None:
    # 30° at step 2, 20°/s: 1.5 s and 1/6 s and 0.1 s.
    made = plan(framed(30.0), seen=True, of=replace(LEFT, on_air_speed=2))
    assert made.way == "shaped"
    assert made.prediction.seconds_to_arrival == pytest.approx(1.767, abs=0.15)


def test_a_move_on_air_that_is_too_fast_to_watch_carries_a_warning_where_the_picture_is_known() -> None:
    # 60° in two seconds with a picture at most 66° wide (28 mm on 36 mm): it must not be crossed in under seven.
    fast = Pace(seconds=2.0)
    assert plan(framed(60.0), fast, seen=True).warning is None
    shown = replace(LEFT, optics=LENS)
    made = plan(framed(60.0), fast, seen=True, of=shown)
    assert made.verdict is not None and made.warning == made.verdict.sentence
    # 30° in 12 s, hardly above 2.5°/s: 28/36·0.0436 = 0.034 widths a second, and 1.4 times that at the edges.
    calm = plan(framed(30.0), Pace(seconds=12.0), seen=True, of=replace(shown, head=TABLED))
    assert calm.verdict is not None and calm.warning is None


def test_a_time_too_long_for_a_curve_is_refused_only_where_it_was_asked_for() -> None:
    # 7.5° at the slowest, 5°/s, take 1.5 s: 20 s can't be had.
    refused = refusal(framed(7.5), Pace(seconds=20.0), seen=True)
    assert refused.code == "too-long"
    assert refused.nearest.way == "shaped"
    assert refused.nearest.prediction.seconds_to_arrival == pytest.approx(1.6, abs=0.15)


def test_slow_mode_is_left_out_where_it_cannot_be_turned_on() -> None:
    axis = AxisModel((1.25, 5.0, 15.0), 120.0)
    slow = SlowMode(axis, axis, 0.01)
    learned = replace(LEFT, head=replace(PLAIN, slow=slow))
    # 7.5° in 5 s: 1.5°/s on the way, for which only the slow table has a step.
    made = plan(framed(7.5), Pace(seconds=5.0), seen=True, of=learned)
    assert made.shaped is not None and made.shaped.slow_mode
    refused = plan_move(learned, HOME, framed(7.5), Pace(seconds=5.0), seen=True, slow_mode=False)
    assert isinstance(refused, MoveRefused) and refused.code == "too-long"


# What can't be reached


@pytest.mark.parametrize("seen", [False, True])
@pytest.mark.parametrize(
    ("wanted", "nearest", "about"),
    [
        (framed(171.0), framed(170.0), "pan 171.0°"),
        (framed(0.0, -21.0), framed(0.0, -20.0), "tilt -21.0°"),
        (framed(10.0, zoom=0x4001), framed(10.0, zoom=0x4000), "digital zoom"),
        (framed(10.0, focus=0x0FFF), framed(10.0, focus=0x1000), "focus 4095"),
        (framed(10.0, focus=0xC001), framed(10.0, focus=0xC000), "focus 49153"),
        (framed(10.0, zoom=0x10000), framed(10.0, zoom=0x4000), "digital zoom"),  # more than four nibbles hold
    ],
)
def test_what_head_or_lens_cannot_reach_is_refused_with_the_plan_to_the_nearest_that_they_can(
    wanted: Framing, nearest: Framing, about: str, seen: bool
) -> None:
    refused = refusal(wanted, seen=seen)
    assert (refused.code, refused.of_framing) == ("out-of-reach", True)
    assert about in refused.sentence
    assert refused.nearest == plan(nearest, seen=seen)


def test_a_focus_out_of_range_is_no_matter_where_the_camera_focuses_by_itself() -> None:
    assert plan(Framing(100, 100, 0, 0x0FFF, "auto")).way == "direct"


@pytest.mark.parametrize("seen", [False, True])
def test_a_target_outside_the_window_is_refused_and_the_window_told(seen: bool) -> None:
    narrow = replace(LEFT, window=Window((-60.0, 60.0), (-10.0, 30.0)))
    refused = refusal(framed(75.0), seen=seen, of=narrow)
    assert (refused.code, refused.of_framing) == ("outside-window", True)
    assert "-60° to 60°" in refused.sentence
    assert refused.nearest == plan(framed(60.0), seen=seen)
    assert plan(framed(60.0, 30.0), seen=seen, of=narrow) == plan(framed(60.0, 30.0), seen=seen)


def test_a_camera_that_stands_outside_its_window_may_come_back() -> None:
    narrow = replace(LEFT, window=Window((-60.0, 60.0), (-10.0, 30.0)))
    outside = pose_standing(DIALECT, framed(80.0))
    assert isinstance(plan_move(narrow, outside, framed(50.0), Pace(), seen=False), MovePlan)


# Drawn cameras and framings


@st.composite
def drawn_framings(draw: st.DrawFn) -> Framing:
    """Most can be reached, some can't by a little, some are far from anything a lens has."""
    return Framing(
        draw(st.integers(-8704 - 200, 8704 + 200)),
        draw(st.integers(-1024 - 50, 4608 + 50)),
        draw(st.one_of(st.integers(0, 0x4000), st.integers(0x3FF0, 0x4010))),
        draw(st.one_of(st.integers(0x1000, 0xC000), st.integers(0x0FF0, 0x1010), st.integers(0xBFF0, 0xC010))),
        draw(st.sampled_from(("auto", "manual"))),
    )


@st.composite
def drawn_settings(draw: st.DrawFn) -> CameraSettings:
    window = None
    if draw(st.booleans()):
        left, down = draw(st.integers(-150, 0)), draw(st.integers(-20, 0))
        window = Window((left, left + draw(st.integers(1, 170))), (down, down + draw(st.integers(1, 60))))
    return replace(
        LEFT,
        head=draw(st.sampled_from((PLAIN, TABLED))),
        optics=draw(st.sampled_from((None, LENS))),
        speed=draw(st.integers(1, 24)),
        on_air_speed=draw(st.integers(1, 24)),
        window=window,
    )


PACES = st.one_of(
    st.just(Pace()),
    st.builds(Pace, step=st.integers(1, 24)),
    st.builds(Pace, seconds=st.sampled_from((0.2, 1.0, 3.0, 6.0, 20.0, 300.0))),
)


@given(drawn_settings(), drawn_framings(), PACES)
def test_whatever_is_planned_lies_within_reach_and_window_and_can_be_told_to_the_camera(
    camera_settings: CameraSettings, wanted: Framing, pace: Pace
) -> None:
    planned = plan_move(camera_settings, HOME, wanted, pace, seen=False)
    pan, tilt = wanted.pan_counts / 51.2, wanted.tilt_counts / 51.2
    reached = -170.0 <= pan <= 170.0 and -20.0 <= tilt <= 90.0 and wanted.zoom_counts <= 0x4000
    reached = reached and (wanted.focus_mode == "auto" or 0x1000 <= wanted.focus_counts <= 0xC000)
    window = camera_settings.window
    inside = window is None or (
        window.pan_deg[0] <= pan <= window.pan_deg[1] and window.tilt_deg[0] <= tilt <= window.tilt_deg[1]
    )
    if not reached or not inside:
        assert isinstance(planned, MoveRefused)
        assert planned.code == ("outside-window" if reached else "out-of-reach")
        return
    assert not (isinstance(planned, MoveRefused) and planned.of_framing)
    made = planned.nearest if isinstance(planned, MoveRefused) else planned
    for order in (pan_tilt_order(wanted, made.pan_step, made.tilt_step), *lens_orders(wanted, digital_zoom=None)):
        assert order.encode(DIALECT).endswith(b"\xff")


@settings(max_examples=60)
@given(drawn_settings(), drawn_framings(), drawn_framings(), PACES, st.booleans())
def test_a_rehearsal_promises_what_the_camera_would(
    camera_settings: CameraSettings, stands: Framing, wanted: Framing, pace: Pace, on_air: bool
) -> None:
    positions = {
        "here": StoredPosition("left", "here", stands, DIALECT.name, None, None, "", EVENING),
        "there": StoredPosition("left", "there", wanted, DIALECT.name, pace.step, pace.seconds, "", EVENING),
    }
    show = (
        '[show]\nname = "drawn"\nstart = { left = "here" }\n'
        f"{'on_air = ' + chr(34) + 'left' + chr(34) if on_air else ''}\n"
        f'[[cue]]\nnumber = 1\nafter = 900\n[[cue.move]]\ncamera = "left"\nposition = "there"\n'
        f"on_air = {str(on_air).lower()}\n"
    )
    assume(on_air or not camera_settings.tolerance.holds(landing(DIALECT, stands, wanted)))  # it stands there already
    rehearsal = rehearse(read_show_text(show), {"left": RehearsedCamera(camera_settings, positions)})
    (move,) = rehearsal.moves
    promised = plan_move(camera_settings, pose_standing(DIALECT, stands), wanted, pace, seen=on_air)
    refused = promised if isinstance(promised, MoveRefused) else None
    made = refused.nearest if refused is not None else promised
    assert isinstance(made, MovePlan)
    assert move.made is (refused is None or not refused.of_framing)
    assert (move.way, move.pan_step, move.tilt_step, move.why) == (made.way, made.pan_step, made.tilt_step, made.why)
    assert (move.needed_seconds, move.least_seconds, move.most_seconds) == (
        made.prediction.seconds_to_settled,
        made.prediction.least_seconds,
        made.prediction.most_seconds,
    )
    assert move.watch == (None if made.verdict is None else made.verdict.sentence)
    told = [conflict for conflict in rehearsal.conflicts if conflict.kind in ("out-of-reach", "impossible-pace")]
    if refused is None:
        assert told == []
    else:
        assert [each.kind for each in told] == ["out-of-reach" if refused.of_framing else "impossible-pace"]
        assert refused.sentence in told[0].sentence
