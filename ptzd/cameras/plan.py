"""How a move is made, or why it can't be: the one planner, for the daemon, running cues and the rehearsal alike. Pure.

Nothing is planned to a framing that head or lens can't reach or that lies outside the camera's window. What nobody sees
goes straight there, as fast as it is asked to. What is seen is shaped, in the seconds asked for, or in those that the
direct move at this speed would take; where no shaped move can be had and nobody asked for a time, it goes straight.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from ptzd.line import Framing, out_of_reach
from ptzd.motion import (
    DirectPlan,
    MoveVerdict,
    Picture,
    Pose,
    Prediction,
    ShapedPlan,
    judge_move,
    judge_samples,
    plan_at_speed,
    plan_in_seconds,
    plan_to_be_seen,
)
from ptzd.visca import Dialect

from .reports import Way
from .settings import CameraSettings
from .window import open_to

TOLD_SECONDS = 0.2  # by which a time is met by the nearest steps, and nothing is said of it
TOLD_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Pace:
    """A pan step from 1, or a time of travel, which counts where both are given; neither: the camera's own step."""

    step: int | None = None
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class MovePlan:
    """A move that can be made. `shaped` is there for a shaped one; its steps are those that land it.

    `verdict` is whether it can be watched: None where it is not seen, or nobody knows the picture's size.
    """

    way: Way
    pan_step: int
    tilt_step: int
    prediction: Prediction
    why: str
    shaped: ShapedPlan | None = None
    verdict: MoveVerdict | None = None
    instead: str | None = None  # why it does not take the time that was stored or rehearsed

    @property
    def warning(self) -> str | None:
        """Why it takes another time than it was meant to, and what a viewer would see where it is too fast to watch."""
        watched = None if self.verdict is None or self.verdict.watchable else self.verdict.sentence
        return "; ".join(each for each in (self.instead, watched) if each is not None) or None


@dataclass(frozen=True, slots=True)
class MoveRefused:
    """A move that can't be made as it was asked for; the sentence says why, and `nearest` is what could be made.

    Codes: `out-of-reach` (of head or lens), `outside-window`, and for a time that can't be had `too-short`, `too-long`.
    """

    code: Literal["out-of-reach", "outside-window", "too-short", "too-long"]
    sentence: str
    nearest: MovePlan

    def nearest_instead(self) -> MovePlan:
        """The move in the nearest time that can be had, which says so."""
        seconds = self.nearest.prediction.seconds_to_arrival
        return replace(self.nearest, instead=f"{self.sentence}; it is made in {seconds:.1f} s instead")

    @property
    def of_framing(self) -> bool:
        """Whether no pace would help, since it is the framing that the camera can't be brought to."""
        return self.code in ("out-of-reach", "outside-window")


def pose_standing(dialect: Dialect, framing: Framing) -> Pose:
    """Return where a camera stands. Its focus is known even where the camera sees to it by itself."""
    return Pose(
        dialect.pan.degrees(framing.pan_counts),
        dialect.tilt.degrees(framing.tilt_counts),
        framing.zoom_counts,
        framing.focus_counts,
    )


def pose_wanted(dialect: Dialect, framing: Framing) -> Pose:
    """Return where a camera is to go. Where it focuses by itself, nobody knows to which counts."""
    pose = pose_standing(dialect, framing)
    return pose if framing.focus_mode == "manual" else replace(pose, focus_counts=None)


def plan_move(
    settings: CameraSettings, here: Pose, wanted: Framing, pace: Pace, *, seen: bool, slow_mode: bool = True
) -> MovePlan | MoveRefused:
    """Plan a move from rest at `here` to a framing in the counts of the camera's own dialect.

    `seen` is a move that is made to be watched, on air. Without `slow_mode`, the head's slow mode is not made use of:
    for a head that moves, in which it can't be turned on now. Raises ValueError for a step below 1 and for seconds
    that are not above zero.
    """
    dialect, window = settings.dialect, settings.window
    beyond = out_of_reach(dialect, wanted) or _beyond_the_lens(dialect, wanted)
    outside = None if window is None else window.leaves_out(dialect, wanted)
    if sentence := beyond or outside:
        there = pose_wanted(dialect, within_reach(settings, wanted))
        plan = _at_pace(settings, here, there, pace, seen=seen, slow_mode=slow_mode)
        nearest = plan.nearest if isinstance(plan, MoveRefused) else plan
        return MoveRefused("out-of-reach" if beyond else "outside-window", sentence, nearest)
    return _at_pace(settings, here, pose_wanted(dialect, wanted), pace, seen=seen, slow_mode=slow_mode)


def _at_pace(
    settings: CameraSettings, here: Pose, there: Pose, pace: Pace, *, seen: bool, slow_mode: bool
) -> MovePlan | MoveRefused:
    if seen:
        return _to_be_seen(settings, here, there, pace, slow_mode=slow_mode)
    head = settings.head
    if pace.seconds is None:
        step = settings.speed if pace.step is None else pace.step
        return _direct(plan_at_speed(head, here, there, step))
    plan = plan_in_seconds(head, here, there, pace.seconds)
    if isinstance(plan, DirectPlan):
        moves = plan.prediction.slowest_axis is not None
        off = abs(plan.prediction.seconds_to_arrival - pace.seconds)
        told = moves and off > max(TOLD_SECONDS, TOLD_SHARE * pace.seconds)
        return replace(_direct(plan), instead=plan.why if told else None)
    step = head.pan.fastest_step if plan.code == "too-short" else 1
    return MoveRefused(plan.code, plan.sentence, _direct(plan_at_speed(head, here, there, step)))


def _to_be_seen(
    settings: CameraSettings, here: Pose, there: Pose, pace: Pace, *, slow_mode: bool
) -> MovePlan | MoveRefused:
    head, optics = settings.head, settings.optics
    step = settings.on_air_speed if pace.step is None else pace.step
    direct = plan_at_speed(head, here, there, step)
    seconds = direct.prediction.seconds_to_arrival if pace.seconds is None else pace.seconds
    picture = None if optics is None else Picture(optics.lens, optics.sensor)
    shaping = head if slow_mode else replace(head, slow=None)
    plan = plan_to_be_seen(shaping, here, there, seconds, picture=picture)
    if isinstance(plan, ShapedPlan):
        return _shaped(settings, plan, direct)
    verdict = None
    if optics is not None:
        steps = direct.pan_step, direct.tilt_step
        verdict = settings.hinted(judge_move(head, optics.sensor, optics.lens, optics.frame_rate, here, there, *steps))
    straight = _direct(direct, verdict)
    if pace.seconds is None:
        return straight
    nearest = plan_to_be_seen(shaping, here, there, plan.nearest_seconds, picture=picture)
    return MoveRefused(
        plan.code,
        settings.refusal_hinted(plan).sentence,
        _shaped(settings, nearest, direct) if isinstance(nearest, ShapedPlan) else straight,
    )


def _shaped(settings: CameraSettings, plan: ShapedPlan, landing: DirectPlan) -> MovePlan:
    verdict = _verdict_on(settings, plan)
    return MovePlan("shaped", landing.pan_step, landing.tilt_step, plan.prediction, plan.why, plan, verdict)


def _direct(plan: DirectPlan, verdict: MoveVerdict | None = None) -> MovePlan:
    return MovePlan("direct", plan.pan_step, plan.tilt_step, plan.prediction, plan.why, verdict=verdict)


def _verdict_on(settings: CameraSettings, plan: ShapedPlan) -> MoveVerdict | None:
    optics = settings.optics
    if optics is None:
        return None
    verdict = judge_samples(settings.head, optics.sensor, optics.lens, optics.frame_rate, plan.samples(), plan.seconds)
    return settings.hinted(verdict)


def _beyond_the_lens(dialect: Dialect, framing: Framing) -> str | None:
    zoom, focus = dialect.zoom, dialect.focus
    if framing.zoom_counts > zoom.tele_counts:
        return f"zoom {framing.zoom_counts} is beyond the lens's long end at {zoom.tele_counts}: that is digital zoom"
    if framing.zoom_counts < zoom.wide_counts:
        return f"zoom {framing.zoom_counts} is beyond the lens's wide end at {zoom.wide_counts}"
    if framing.focus_mode == "manual" and not focus.least_counts <= framing.focus_counts <= focus.most_counts:
        return f"focus {framing.focus_counts} is outside this lens's {focus.least_counts} to {focus.most_counts}"
    return None


def within_reach(settings: CameraSettings, framing: Framing) -> Framing:
    """Return the framing nearest to one that can't be reached."""
    dialect = settings.dialect
    zoom, focus = dialect.zoom, dialect.focus
    (left, right), (down, up) = (open_to(dialect, settings.window).counts(dialect, axis) for axis in ("pan", "tilt"))
    return replace(
        framing,
        pan_counts=min(max(framing.pan_counts, left), right),
        tilt_counts=min(max(framing.tilt_counts, down), up),
        zoom_counts=min(max(framing.zoom_counts, zoom.wide_counts), zoom.tele_counts),
        focus_counts=min(max(framing.focus_counts, focus.least_counts), focus.most_counts),
    )
