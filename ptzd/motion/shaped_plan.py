"""The plan of a shaped move: one that is fit to be seen.

A direct move goes from standing still to its speed and back as sharply as the head can. A shaped one follows a smooth
curve through the head's table of speeds: pan, tilt and zoom are driven, step by step, so that they set out together
and arrive together. How smooth that can be is a matter of the table: the largest gap that has to be crossed is the
least jolt there can be, see `staircase`. An axis that would be there too soon even at its slowest step sets out late.

*Jolt* is the largest change of picture speed within any 0.2 s: in picture widths per second, pan, tilt and zoom taken
as one vector (see `picture`), or in degrees per second of pan and tilt alone where nobody knows the lens.
"""

from __future__ import annotations

from bisect import insort
from dataclasses import dataclass
from math import exp, hypot, inf

from .course import AxisWay, Course, course, quickest_seconds, slowest_seconds, standing
from .direct_plan import PlanRefused
from .head import HeadModel
from .picture import Picture
from .pose import AxisSpeeds, Pose
from .prediction import DEVIATIONS, Axis, Prediction, focus_seconds
from .staircase import WINDOW_SECONDS
from .together import budget_of, head_courses
from .watching import SAMPLES, ZOOM_SAMPLES

ARRIVAL_SLACK_SECONDS = 0.15  # how far from what was asked a shaped move may arrive
STANDING_ZOOM_COUNTS = 4.0
LANDING_GRAIN_COUNTS = 5.0  # as near as it comes to its target before it is sent there
WIDEST_RESERVE = 0.05  # of the way, kept for a unit that is slower or quicker than its table
LONGER_SECONDS = 0.1  # what may be added without being late, less what a unit's spread takes of it
LONGER_FOR_SPREAD_SECONDS = 0.6
WORTH_SHARE = 0.9  # of the jolt
WIDEST_LENS_RESERVE = 0.15
SMOOTH_SHARE = 1.05  # of the gaps that have to be: no sense in looking for less
ROUNDING_SECONDS = 1e-6
STRETCHES = (1.0, 1.03, 1.07, 1.15, 1.3, 1.5, 2.0, 3.0)  # of the shortest time, that are tried in turn


@dataclass(frozen=True, slots=True)
class ShapedPlan:
    """A shaped move, known in advance. Seconds count from the moment the first order leaves.

    `smooth_seconds` is the length from which on no change of step is larger than the first one has to be anyway; it
    is no longer than `seconds` where the move is that smooth already. `focus_starts_at` is None where the focus has
    no way to go. With `slow_mode` the steps are those of the head's slow mode, which has to be on for the whole move.
    """

    head: HeadModel
    from_: Pose
    to: Pose
    seconds: float
    pan: Course
    tilt: Course
    zoom: Course
    focus_starts_at: float | None
    prediction: Prediction
    budget_deg_per_s: float  # what pan and tilt may change together within the window
    jolt_deg_per_s: float
    jolt_widths_per_s: float | None
    fastest_widths_per_s: float | None
    smooth_seconds: float
    why: str
    slow_mode: bool = False

    def pose_at(self, seconds: float) -> Pose:
        """Return where the camera is expected to point, the focus as it will be in the end."""
        travel = seconds - self.head.latency_seconds
        return Pose(
            self.from_.pan_deg + self.pan.way_at(travel),
            self.from_.tilt_deg + self.tilt.way_at(travel),
            self.from_.zoom_counts + self.zoom.way_at(travel),
            self.to.focus_counts,
        )

    def samples(self) -> list[tuple[Pose, AxisSpeeds]]:
        """Return where it is and how fast at moments of the move, those at which an axis has changed its speed too."""
        axes = (self.pan, self.tilt, self.zoom)
        latency, from_ = self.head.latency_seconds, self.from_
        moments = [0.0, self.seconds]
        for axis, count in zip(axes, (SAMPLES, SAMPLES, ZOOM_SAMPLES), strict=True):
            way = axis.ends_at - axis.starts_at if axis.distance else 0.0
            moments += [latency + axis.starts_at + way * part / count for part in range(count if way else 0)]
            speed = 0.0
            for change in axis.changes:
                moments.append(latency + change.at + abs(change.speed - speed) / axis.acceleration)
                speed = change.speed
        samples = []
        for at in sorted(moments):
            (pan, pan_speed), (tilt, tilt_speed), (zoom, zoom_speed) = (axis.at(at - latency) for axis in axes)
            pose = Pose(from_.pan_deg + pan, from_.tilt_deg + tilt, from_.zoom_counts + zoom, self.to.focus_counts)
            samples.append((pose, AxisSpeeds(pan_speed, tilt_speed, zoom_speed)))
        return samples


def plan_shaped(
    head: HeadModel, from_: Pose, to: Pose, seconds: float, *, picture: Picture | None = None
) -> ShapedPlan | PlanRefused:
    """Plan a move that is fit to be seen and arrives after `seconds`, within 0.15 s.

    Refused where the head can't make it in that time, or would be there too soon even at its slowest steps; the
    sentence names the nearest time. Raises ValueError for a time that is not above zero. With a `picture`, the plan
    knows its jolt and its fastest travel in picture widths.
    """
    if not 0.0 < seconds < inf:
        raise ValueError(f"a move takes a time above zero, not {seconds} s")
    travel = seconds - head.latency_seconds
    zoom_way = to.zoom_counts - from_.zoom_counts
    axes = (
        *_head_ways(head, to.pan_deg - from_.pan_deg, to.tilt_deg - from_.tilt_deg),
        _zoom_way(head, zoom_way if abs(zoom_way) >= STANDING_ZOOM_COUNTS else 0.0),
    )
    focus = focus_seconds(head, from_, to)
    longest = max(focus, *(slowest_seconds(axis) for axis in axes))
    if 0.0 < longest < travel:
        if longest < travel - ARRIVAL_SLACK_SECONDS:
            return PlanRefused(
                "too-long",
                f"even at its slowest steps this head is there after {longest + head.latency_seconds:.1f} s, "
                f"not {seconds:g} s",
                longest + head.latency_seconds,
            )
        travel = longest
    found = _courses(axes, travel) if travel >= focus else None
    if found is not None and travel < longest and found[3] > SMOOTH_SHARE * hypot(*_first_gaps(axes)):
        # A little longer is as good, if that spares a gap in the table.
        added = LONGER_SECONDS - LONGER_FOR_SPREAD_SECONDS * min(head.spread.speed, WIDEST_RESERVE)
        longer = _courses(axes, min(travel + added, longest))
        if longer is not None and longer[3] < WORTH_SHARE * found[3]:
            found, travel = longer, min(travel + added, longest)
    if found is None:
        shortest = max(focus, travel, *(quickest_seconds(axis) for axis in axes)) + ROUNDING_SECONDS
        # What each axis can do by itself in that time, they can't always do together.
        lengths = (min(shortest * stretch, max(shortest, longest)) for stretch in STRETCHES)
        nearest, found = next(
            ((length, courses) for length in lengths if (courses := _courses(axes, length)) is not None),
            (shortest, None),
        )
        if found is None or travel < nearest - ARRIVAL_SLACK_SECONDS:
            return PlanRefused(
                "too-short",
                f"a smooth move there takes {nearest + head.latency_seconds:.1f} s or longer, not {seconds:g} s",
                nearest + head.latency_seconds,
            )
        travel = nearest
    pan, tilt, zoom, budget = found
    smooth = head.latency_seconds + max(focus, *(quickest_seconds(axis, axis.speeds[0]) for axis in axes))
    jolt_deg, jolt_widths, fastest = _figures(from_, pan, tilt, zoom, budget, picture)
    return ShapedPlan(
        head=head,
        from_=from_,
        to=to,
        seconds=travel + head.latency_seconds,
        pan=pan,
        tilt=tilt,
        zoom=zoom,
        focus_starts_at=head.latency_seconds + (travel - focus) / 2.0 if focus else None,
        prediction=_prediction(head, travel, pan, tilt, zoom, focus),
        budget_deg_per_s=budget,
        jolt_deg_per_s=jolt_deg,
        jolt_widths_per_s=jolt_widths,
        fastest_widths_per_s=fastest,
        smooth_seconds=smooth,
        why=_why(axes_with=(("pan", pan), ("tilt", tilt), ("zoom", zoom)), seconds=seconds, smooth=smooth),
    )


def _first_gaps(axes: tuple[AxisWay, AxisWay, AxisWay]) -> list[float]:
    """The gaps of pan and tilt that no course can do without."""
    return [axis.speeds[0] for axis in axes[:2] if axis.distance]


def _head_ways(head: HeadModel, pan_deg: float, tilt_deg: float) -> tuple[AxisWay, AxisWay]:
    reserve = min(head.spread.speed, WIDEST_RESERVE)
    # A head that is sent to its target with one step for both axes must not speed one of them up at the end.
    one_step = head.shared_speed and bool(pan_deg and tilt_deg)
    pan, tilt = (
        AxisWay(axis.steps_deg_per_s, axis.mean_acceleration_deg_per_s2, way, reserve, one_step)
        for axis, way in ((head.pan, pan_deg), (head.tilt, tilt_deg))
    )
    return pan, tilt


def _zoom_way(head: HeadModel, way: float) -> AxisWay:
    reserve = min(head.spread.lens, WIDEST_LENS_RESERVE)
    return AxisWay(
        head.zoom.drive_counts_per_s, head.zoom.acceleration_counts_per_s2, way, reserve, grain=LANDING_GRAIN_COUNTS
    )


def _courses(axes: tuple[AxisWay, AxisWay, AxisWay], travel: float) -> tuple[Course, Course, Course, float] | None:
    """The courses of pan, tilt and zoom, and the budget of the head; None where one of them is too slow."""
    pan_way, tilt_way, zoom_way = axes
    zoom = course(zoom_way, travel) if zoom_way.distance else standing(travel)
    if zoom is None:
        return None
    if pan_way.distance and tilt_way.distance:
        both = head_courses(pan_way, tilt_way, travel)
        return None if both is None else (both[0], both[1], zoom, both[2])
    pan, tilt = (course(axis, travel) if axis.distance else standing(travel) for axis in (pan_way, tilt_way))
    return None if pan is None or tilt is None else (pan, tilt, zoom, budget_of(pan, tilt))


def _prediction(head: HeadModel, travel: float, pan: Course, tilt: Course, zoom: Course, focus: float) -> Prediction:
    """It arrives when it is to, since its way is corrected as it goes; only the swing after it is left to the mount."""
    settle = head.settle
    landing = max((axis.staircase.speeds[0] for axis in (pan, tilt) if axis.staircase is not None), default=0.0)
    still = settle.base_seconds + settle.swing_seconds(landing)
    factor = exp(DEVIATIONS * head.spread.settling)
    arrival = travel + head.latency_seconds
    moving: list[tuple[Axis, Course]] = [("pan", pan), ("tilt", tilt), ("zoom", zoom)]
    ways = {name: axis.ends_at - axis.starts_at if axis.staircase else 0.0 for name, axis in moving}
    longest = max(moving, key=lambda each: ways[each[0]])[0]
    slowest: Axis | None = longest if ways[longest] else "focus" if focus else None
    return Prediction(
        seconds_to_arrival=arrival,
        seconds_to_settled=arrival + still,
        least_seconds=arrival + still - hypot(ARRIVAL_SLACK_SECONDS, still - still / factor),
        most_seconds=arrival + still + hypot(ARRIVAL_SLACK_SECONDS, still * factor - still),
        pan_seconds=ways["pan"],
        tilt_seconds=ways["tilt"],
        zoom_seconds=ways["zoom"],
        focus_seconds=focus,
        slowest_axis=slowest,
    )


def _figures(
    from_: Pose, pan: Course, tilt: Course, zoom: Course, budget: float, picture: Picture | None
) -> tuple[float, float | None, float | None]:
    """The jolt in degrees and in widths per second, and the fastest travel in widths per second."""
    events = _apart(pan, tilt, budget)
    events += [(change.at, 2, change.speed) for change in zoom.changes]
    events.sort()
    speeds = [0.0, 0.0, 0.0]
    jumps: list[tuple[float, int, float, float]] = []  # when, of which axis, in its unit, and in widths per second
    fastest = 0.0
    per_degree = per_count = 0.0
    for at, axis, speed in events:
        if picture is not None:
            zoom_counts = from_.zoom_counts + (zoom.way_at(at) if zoom.staircase else 0.0)
            if zoom.staircase or not per_degree:
                per_degree = picture.widths_per_degree(zoom_counts)
                per_count = picture.widths_per_count(zoom_counts) if zoom.staircase else 0.0
            # Before the change as well as after it: a zoom makes the same speed look faster meanwhile.
            before = hypot(speeds[0] * per_degree, speeds[1] * per_degree, speeds[2] * per_count)
            fastest = max(fastest, before)
        jump = speed - speeds[axis]
        speeds[axis] = speed
        fastest = max(fastest, hypot(speeds[0] * per_degree, speeds[1] * per_degree, speeds[2] * per_count))
        jumps.append((at, axis, jump, jump * (per_count if axis == 2 else per_degree)))
    jolt_deg = jolt_widths = 0.0
    for index, (begin, *_) in enumerate(jumps):
        together, widths = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]
        for at, axis, jump, seen in jumps[index:]:
            if at - begin >= WINDOW_SECONDS:
                break
            together[axis] += jump
            widths[axis] += seen
            jolt_deg = max(jolt_deg, hypot(together[0], together[1]))
            jolt_widths = max(jolt_widths, hypot(*widths))
    if picture is None:
        return jolt_deg, None, None
    return jolt_deg, jolt_widths, fastest


def _apart(pan: Course, tilt: Course, budget: float) -> list[tuple[float, int, float]]:
    """The changes of pan and tilt, in order, the later of two put off that together would be a larger jolt."""
    waiting = [(change.at, 0, change.speed) for change in pan.changes]
    waiting += [(change.at, 1, change.speed) for change in tilt.changes]
    if pan.staircase is None or tilt.staircase is None:
        return waiting
    budget *= 1.001
    waiting.sort()
    placed: list[tuple[float, int, float]] = []
    speeds = [0.0, 0.0]
    jumps: list[tuple[float, float, float]] = []
    while waiting:
        at, axis, speed = waiting.pop(0)
        jump = speed - speeds[axis]
        jumps = [each for each in jumps if at - each[0] < WINDOW_SECONDS]
        pan_jump = sum(each[1] for each in jumps) + (0.0 if axis else jump)
        tilt_jump = sum(each[2] for each in jumps) + (jump if axis else 0.0)
        if jumps and speed and hypot(pan_jump, tilt_jump) > budget:
            later = jumps[0][0] + WINDOW_SECONDS + ROUNDING_SECONDS
            waiting = [(max(each[0], later) if each[1] == axis else each[0], *each[1:]) for each in waiting]
            insort(waiting, (later, axis, speed))
            continue
        placed.append((at, axis, speed))
        jumps.append((at, 0.0 if axis else jump, jump if axis else 0.0))
        speeds[axis] = speed
    return placed


def _why(*, axes_with: tuple[tuple[Axis, Course], ...], seconds: float, smooth: float) -> str:
    sentences: list[str] = []
    for name, axis in axes_with:
        way = axis.staircase
        if way is None or way.largest_gap <= way.speeds[0] * 1.0001:
            continue
        gaps = zip((0.0, *way.speeds), way.speeds, strict=False)
        below, above = max(gaps, key=lambda gap: gap[1] - gap[0])
        unit = " counts/s" if name == "zoom" else "°/s"
        sentences.append(f"{name} has to go from {below:g} to {above:g}{unit} at once")
    if sentences:
        gaps_told = ", and ".join(sentences)
        why = f"{gaps_told} to be there in {seconds:.1f} s; from {smooth:.1f} s on the move would be smooth"
    else:
        why = "no change of speed is larger than that from standing still to the slowest step"
    late = [
        f"{name} sets out {axis.starts_at:.1f} s later, since its slowest step is too fast for the whole time"
        for name, axis in axes_with
        if axis.staircase is not None and axis.starts_at > ARRIVAL_SLACK_SECONDS
    ]
    return "; ".join((why, *late))
