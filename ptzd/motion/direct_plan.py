"""The steps for a direct move: at a wished speed, or within a wished time.

A head takes speed in uneven steps, one for pan and one for tilt, so that both rarely end together by themselves.
What is chosen here is always a pair of steps: first by when the move arrives, then, among the pairs that arrive
within `TOGETHER_SECONDS` of the best, by how close together the axes end.

A head that takes one step for both axes leaves no such choice; its plans have the same step twice.

An axis that has no way to go (less than `STANDING_DEG`) gets a step of much the same speed as the other one, not
the slowest: where the head turns out not to stand quite where it was thought to, nobody waits for it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from math import ceil, floor, inf
from typing import Literal

from .head import AxisModel, HeadModel
from .pose import Pose
from .prediction import Prediction, focus_seconds, predict, zoom_seconds
from .profile import seconds_for_axis

TOGETHER_SECONDS = 0.05  # about one video frame: nobody sees two axes end closer together than that
STANDING_DEG = 0.1
STANDING_COUNTS = 16  # of zoom and focus
ASKED_SECONDS = 0.1  # people ask for times in tenths of a second
ASKED_RELATIVE = 0.02


@dataclass(frozen=True, slots=True)
class DirectPlan:
    """Steps for one absolute order, what will come of them, and in one sentence why these."""

    pan_step: int
    tilt_step: int
    prediction: Prediction
    why: str


@dataclass(frozen=True, slots=True)
class PlanRefused:
    """A time this head cannot make; the sentence names the nearest it can."""

    code: Literal["too-short", "too-long"]
    sentence: str
    nearest_seconds: float  # that the head can make, or that is likely to be it


def plan_at_speed(head: HeadModel, from_: Pose, to: Pose, step: int) -> DirectPlan:
    """Plan a move at speed `step`, counted in the pan axis's steps from 1; a higher one than its last is its last.

    The same speed is meant for both axes, in degrees per second. The axis that takes longer runs at it; the other
    at that slower step which makes it end closest to the first, and hardly later. Raises ValueError below 1.
    """
    if step < 1:
        raise ValueError(f"speed {step} does not exist; the slowest is 1")
    if head.shared_speed:
        return _shared_at_speed(head, from_, to, step)
    pan_step = min(step, head.pan.fastest_step)
    tilt_step = _companion_step(head.tilt, head.pan.steps_deg_per_s[pan_step - 1])
    pan_deg = abs(to.pan_deg - from_.pan_deg)
    tilt_deg = abs(to.tilt_deg - from_.tilt_deg)
    why = f"speed {step}"
    if pan_deg >= STANDING_DEG and tilt_deg >= STANDING_DEG:
        pan = _seconds(head.pan, pan_step, pan_deg)
        tilt = _seconds(head.tilt, tilt_step, tilt_deg)
        if pan > tilt:
            tilt_step = _step_ending_with(head.tilt, tilt_step, tilt_deg, pan)
            why = f"pan, which takes longer, runs at speed {step}; tilt at the step that ends closest to it"
        else:
            pan_step = _step_ending_with(head.pan, pan_step, pan_deg, tilt)
            why = f"tilt, which takes longer, runs at speed {step}; pan at the step that ends closest to it"
    return DirectPlan(pan_step, tilt_step, predict(head, from_, to, pan_step, tilt_step), why)


def plan_in_seconds(head: HeadModel, from_: Pose, to: Pose, seconds: float) -> DirectPlan | PlanRefused:
    """Plan a move that arrives `seconds` after the order leaves, as nearly as the steps allow.

    Refused where even the fastest steps arrive later or the slowest arrive sooner, by more than 0.1 s and 2 %.
    Where head and lens stand at their target already, any time will do.
    """
    if not 0.0 < seconds < inf:
        raise ValueError(f"a move takes a time above zero, not {seconds} s")
    if _stands(from_, to):
        fastest = plan_at_speed(head, from_, to, head.pan.fastest_step)
        return DirectPlan(fastest.pan_step, fastest.tilt_step, fastest.prediction, "the camera stands there already")
    if head.shared_speed:
        return _shared_in_seconds(head, from_, to, seconds)
    pan_deg = abs(to.pan_deg - from_.pan_deg)
    tilt_deg = abs(to.tilt_deg - from_.tilt_deg)
    pan_moves, tilt_moves = pan_deg >= STANDING_DEG, tilt_deg >= STANDING_DEG
    lens, after = _lens(head, from_, to)
    # An axis that stands ends whenever the other one does.
    pan = _ascending_seconds(head.pan, pan_deg) if pan_moves else []
    tilt = _ascending_seconds(head.tilt, tilt_deg) if tilt_moves else pan or [lens]
    pan = pan or tilt
    if refused := _refused(head, seconds, after + max(pan[0], tilt[0], lens), after + max(pan[-1], tilt[-1], lens)):
        return refused
    pan_index, tilt_index = _nearest_pair(pan, tilt, lens, seconds - head.latency_seconds - after)
    pan_step = head.pan.fastest_step - pan_index
    tilt_step = head.tilt.fastest_step - tilt_index
    if not tilt_moves:
        tilt_step = _companion_step(head.tilt, head.pan.steps_deg_per_s[pan_step - 1])
    elif not pan_moves:
        pan_step = _companion_step(head.pan, head.tilt.steps_deg_per_s[tilt_step - 1])
    return _timed(head, from_, to, pan_step, tilt_step, seconds)


def _shared_at_speed(head: HeadModel, from_: Pose, to: Pose, step: int) -> DirectPlan:
    pan_step, tilt_step = _shared_steps(head, step)
    why = f"speed {step}; this head takes one speed for both axes"
    return DirectPlan(pan_step, tilt_step, predict(head, from_, to, pan_step, tilt_step), why)


def _shared_in_seconds(head: HeadModel, from_: Pose, to: Pose, seconds: float) -> DirectPlan | PlanRefused:
    pan_deg = abs(to.pan_deg - from_.pan_deg)
    tilt_deg = abs(to.tilt_deg - from_.tilt_deg)
    lens, after = _lens(head, from_, to)
    fastest = max(head.pan.fastest_step, head.tilt.fastest_step)
    steps = [_shared_steps(head, step) for step in range(fastest, 0, -1)]
    travels = [
        after + max(_seconds(head.pan, pan_step, pan_deg), _seconds(head.tilt, tilt_step, tilt_deg), lens)
        for pan_step, tilt_step in steps
    ]
    if refused := _refused(head, seconds, travels[0], travels[-1]):
        return refused
    return _timed(head, from_, to, *steps[_nearest(travels, seconds - head.latency_seconds)], seconds)


def _lens(head: HeadModel, from_: Pose, to: Pose) -> tuple[float, float]:
    """When the lens ends beside the head, and what it takes after it where it waits for its end."""
    travel = max(zoom_seconds(head, from_, to), focus_seconds(head, from_, to))
    seconds = travel + head.lens_delay_seconds if travel else 0.0
    return (0.0, head.lens_delay_seconds + travel) if head.lens_waits else (seconds, 0.0)


def _shared_steps(head: HeadModel, step: int) -> tuple[int, int]:
    """Each axis turns at the step of the same number, or at its fastest (SRG-X400 command list, "Pan tilt")."""
    return min(step, head.pan.fastest_step), min(step, head.tilt.fastest_step)


def _timed(head: HeadModel, from_: Pose, to: Pose, pan_step: int, tilt_step: int, seconds: float) -> DirectPlan:
    prediction = predict(head, from_, to, pan_step, tilt_step)
    why = f"these steps arrive after {prediction.seconds_to_arrival:.2f} s, the nearest to {seconds:g} s there is"
    return DirectPlan(pan_step, tilt_step, prediction, why)


def _refused(head: HeadModel, seconds: float, shortest: float, longest: float) -> PlanRefused | None:
    """Judge a time against the shortest and the longest travel."""
    shortest += head.latency_seconds
    longest += head.latency_seconds
    slack = max(ASKED_SECONDS, ASKED_RELATIVE * seconds)
    if seconds < shortest - slack:
        nearest = ceil(shortest * 10) / 10
        return PlanRefused(
            "too-short", f"this move can't be made in {seconds:g} s; it takes {nearest:.1f} s at the fastest", nearest
        )
    if seconds > longest + slack:
        nearest = floor(longest * 10) / 10
        return PlanRefused(
            "too-long", f"this move can't take {seconds:g} s; it takes {nearest:.1f} s at the slowest", nearest
        )
    return None


def _stands(from_: Pose, to: Pose) -> bool:
    return (
        abs(to.pan_deg - from_.pan_deg) < STANDING_DEG
        and abs(to.tilt_deg - from_.tilt_deg) < STANDING_DEG
        and abs(to.zoom_counts - from_.zoom_counts) <= STANDING_COUNTS
        and (
            from_.focus_counts is None
            or to.focus_counts is None
            or abs(to.focus_counts - from_.focus_counts) <= STANDING_COUNTS
        )
    )


def _seconds(axis: AxisModel, step: int, distance_deg: float) -> float:
    return seconds_for_axis(distance_deg, axis.steps_deg_per_s[step - 1], axis.mean_acceleration_deg_per_s2)


def _ascending_seconds(axis: AxisModel, distance_deg: float) -> list[float]:
    acceleration = axis.mean_acceleration_deg_per_s2
    return [seconds_for_axis(distance_deg, speed, acceleration) for speed in reversed(axis.steps_deg_per_s)]


def _companion_step(axis: AxisModel, speed_deg_per_s: float) -> int:
    """The fastest step that is no faster than a speed; step 1 where all are."""
    return max(1, bisect_right(axis.steps_deg_per_s, speed_deg_per_s))


def _step_ending_with(axis: AxisModel, fastest: int, distance_deg: float, travel: float) -> int:
    """The step up to `fastest` that ends closest to `travel`, and hardly later; of equals the fastest."""
    best = fastest
    least_gap = abs(_seconds(axis, fastest, distance_deg) - travel)
    for step in range(fastest - 1, 0, -1):
        seconds = _seconds(axis, step, distance_deg)
        if seconds > travel + TOGETHER_SECONDS:
            break
        if abs(seconds - travel) < least_gap:
            best, least_gap = step, abs(seconds - travel)
    return best


def _nearest(ascending: list[float], wanted: float) -> int:
    """The index of the figure nearest to the wanted one; of equals the last, which is the slowest step."""
    above = bisect_left(ascending, wanted)
    if above == len(ascending) or (above > 0 and wanted - ascending[above - 1] <= ascending[above] - wanted):
        return above - 1
    return bisect_right(ascending, ascending[above]) - 1


def _nearest_pair(pan: list[float], tilt: list[float], lens: float, wanted: float) -> tuple[int, int]:
    """The pair of indices into ascending times that arrives nearest to `wanted`, with the axes closest together.

    Every arrival there is, is some pan time, some tilt time or the lens's, so that the least miss is found without
    trying all pairs. For a given pan time, the axes end closest together with one of the two tilt times around it,
    or, where pan and lens both end before the window of good arrivals, with the first tilt time inside it.
    """
    least_miss = min(
        min(abs(max(seconds, tilt[0], lens) - wanted) for seconds in pan),
        min(abs(max(seconds, pan[0], lens) - wanted) for seconds in tilt),
    )
    widest_miss = least_miss + TOGETHER_SECONDS
    earliest, latest = wanted - widest_miss, wanted + widest_miss
    best = (0, 0)
    least: tuple[float, float, float] = (inf, inf, inf)
    for pan_index, pan_seconds in enumerate(pan):
        if pan_seconds > latest:
            break
        around = bisect_left(tilt, pan_seconds)
        for tilt_index in {around - 1, around, bisect_left(tilt, earliest)}:
            if not 0 <= tilt_index < len(tilt):
                continue
            tilt_seconds = tilt[tilt_index]
            last = max(pan_seconds, tilt_seconds, lens)
            miss = abs(last - wanted)
            if miss > widest_miss:
                continue
            # A lens that does not move has nothing to end together with.
            first = min(pan_seconds, tilt_seconds, lens or pan_seconds)
            merit = (last - first, miss, abs(pan_seconds - tilt_seconds))
            if merit < least:
                least, best = merit, (pan_index, tilt_index)
    return best
