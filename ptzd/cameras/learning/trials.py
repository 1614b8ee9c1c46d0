"""Which trials tell how a head moves, within a range that the operator gives, and how long they will take.

Pan and tilt are only ever sent to positions inside the range, never driven: an order that is lost, or a stop that is,
then leaves the head in the range all the same.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import fmean
from typing import Literal

from ptzd.line import Framing
from ptzd.motion import AxisModel, HeadModel, seconds_for_axis
from ptzd.motion.head import ASSUMED_PAN_ACCELERATION_DEG_PER_S2
from ptzd.refusal import Refusal
from ptzd.visca import AxisScale, Dialect

FROM_THE_ENDS_DEG = 5.0
LEAST_PAN_RANGE_DEG, LEAST_TILT_RANGE_DEG = 10.0, 5.0
BETWEEN_TRIALS_SECONDS = 0.15
POWER_SECONDS = 3.0  # after which the next trial begins with a question whether the camera is on
POWER_QUESTIONS = 2  # that this takes

SHORT_TRIPS = 18  # of each axis, for its acceleration
SHORTEST_TRIP_DEG = 1.0
STEADY_SECONDS = 2.0  # of steady travel at each step, and more where a count is coarse or the camera answers late
STEADY_READINGS = 16
STEADY_COUNTS = 100
LONGEST_STEADY_SECONDS = 4.0
BRIEF_STEADY_SECONDS = 0.4  # enough for a fast step that has little room
BRIEF_STEADY_READINGS = 12
STOP_SHARES = (1.0, 0.5, 0.25, 0.12, 0.06, 0.03)  # of the fastest speed, from which to stop and watch the swing
WATCHED_SECONDS = 3.0
LOOK_STOP_SHARE = 0.2  # of the fastest speed, from which the first look stops: fast enough to show a swing
LOOK_ZOOM_SHARE = 0.08  # of the zoom's range, that the first look travels
LOOK_REPLIES = 8
ZOOM_SHARES = (0.15, 0.25, 0.4, 0.6, 0.8, 1.0)  # of the way that the zoom is sent at most
LONGEST_ZOOM_WAY_SECONDS = 8.0  # a motor on the lens may need half a minute from end to end
SLOW_GUESS_SHARE = 0.5  # of a usual step's speed in slow mode, only to tell how long the trials take; assumed
SLOW_PROBE_DEG_PER_S = 8.0  # about the usual speed at which slow mode is tried first
SLOW_PROBE_SECONDS = 0.5  # in which that step would usually come there
SLOW_PROBE_READINGS = 8  # or for as many, on a camera that answers late
RENEWALS = 2  # trials of orders in mid-move, of each kind, for each axis
RENEWED_EVERY_SECONDS = 0.25  # about as often as a move that is steered renews its order
UNDER_WAY_SECONDS = 0.4  # from the first order until the head is surely at its speed
AHEAD_SECONDS = 0.6  # of way that a renewed order lies ahead, as in a drive by hand
MOST_RENEWED, LEAST_RENEWED = 6, 3  # orders in one trial: fewer where the range is small
RENEWED_SPEED_SECONDS = 0.1  # of acceleration: a stop from there, and the way up again, fit between two orders
RENEWED_SLOWLY_SHARE = 0.65  # of that speed, at every other order
FOCUS_SHARES = (0.2, 0.4, 0.7, 1.0)
DRIVEN_SECONDS = 1.3  # at least
DRIVEN_READINGS = 16  # more are not needed, and fewer wait for a longer drive
LENS_START_SECONDS = 0.3  # in which a driven lens is surely at its speed
QUIET_SECONDS = 0.3  # in which readings agree, before a slow way begins
REST_SECONDS = 0.5  # a head that stands as long has come to its end, and not to a pause
SLOW_DEG_PER_S = 20.0  # steps below are seen to swing beside their way, so that they begin only when that is over
LEAST_WHOLE_SHARE = 0.5  # of the fastest step; faster ones tell more of starts and stops
WHOLE_WAY_SHARE = 0.4  # of the range, that they are long on the average
STOPS_SEEN = 5  # of these speeds, at which a head that swings is seen to, as a rule
WHOLE_MOVES = 12  # of head and lens, ordered as a recall orders them
STILL_SECONDS = 0.3  # in which readings agree, until somebody who reads them knows that it is still

Axis = Literal["pan", "tilt"]
AXES: tuple[Axis, ...] = ("pan", "tilt")


@dataclass(frozen=True, slots=True)
class LearnLimits:
    """Between which angles the head may move while it is learned, least first.

    `near_ends` allows angles nearer than 5° to the ends of the head's reach.
    """

    pan_deg: tuple[float, float]
    tilt_deg: tuple[float, float]
    near_ends: bool = False


@dataclass(frozen=True, slots=True)
class Room:
    """The range of one axis, in counts."""

    scale: AxisScale
    least_counts: int
    most_counts: int

    @property
    def counts(self) -> int:
        """How far it is from one end to the other."""
        return self.most_counts - self.least_counts

    @property
    def deg(self) -> float:
        """How far it is from one end to the other."""
        return self.counts / self.scale.counts_per_degree

    def travel(self, deg: float) -> int:
        """Return a distance in whole counts: at least one, at most what there is room for."""
        return min(max(1, self.scale.counts(deg)), self.counts)

    def target(self, here: int, travel: int) -> int | None:
        """Return where to go so as to travel `travel`; None where there is no room on either side."""
        if here + travel <= self.most_counts and (here - travel < self.least_counts or self._more_above(here)):
            return here + travel
        return here - travel if here - travel >= self.least_counts else None

    def nearer_end(self, here: int) -> int:
        """Return the end that is nearer, from which the whole range lies ahead."""
        return self.most_counts if not self._more_above(here) else self.least_counts

    def _more_above(self, here: int) -> bool:
        return self.most_counts - here >= here - self.least_counts


@dataclass(frozen=True, slots=True)
class Rooms:
    """The range of a head."""

    pan: Room
    tilt: Room

    def of(self, axis: Axis) -> Room:
        """Return one axis's."""
        return self.pan if axis == "pan" else self.tilt


def rooms_within(dialect: Dialect, limits: LearnLimits, start: Framing) -> Rooms:
    """Return the range in counts. Raises Refusal for one that is impossible, too small, or not around `start`."""
    pan = _room("pan", dialect.pan, limits.pan_deg, LEAST_PAN_RANGE_DEG, limits)
    tilt = _room("tilt", dialect.tilt, limits.tilt_deg, LEAST_TILT_RANGE_DEG, limits)
    for axis, room, here, (least, most) in (
        ("pan", pan, start.pan_counts, limits.pan_deg),
        ("tilt", tilt, start.tilt_counts, limits.tilt_deg),
    ):
        if not room.least_counts <= here <= room.most_counts:
            raise Refusal(
                "out-of-range",
                f"the camera stands at {axis} {room.scale.degrees(here):.1f}°, outside {least:g}° to {most:g}°; "
                "move it into the range first, or give a range that it stands in",
            )
    return Rooms(pan, tilt)


def _room(axis: Axis, scale: AxisScale, wanted: tuple[float, float], smallest: float, limits: LearnLimits) -> Room:
    least, most = wanted
    if not most - least >= smallest:
        raise Refusal(
            "too-small", f"a range of {axis} must be {smallest:g}° wide at least, not {least:g}° to {most:g}°"
        )
    margin = 0.0 if limits.near_ends else FROM_THE_ENDS_DEG
    lowest, highest = scale.degrees(scale.least_counts) + margin, scale.degrees(scale.most_counts) - margin
    if least < lowest - 0.01 or most > highest + 0.01:
        why = "beyond the head's reach" if limits.near_ends else f"nearer than {FROM_THE_ENDS_DEG:g}° to its ends"
        raise Refusal(
            "out-of-reach",
            f"{axis} {least:g}° to {most:g}° goes {why}; the widest range is {lowest:.0f}° to {highest:.0f}°",
        )
    return Room(scale, max(scale.counts(least), scale.least_counts), min(scale.counts(most), scale.most_counts))


@dataclass(frozen=True, slots=True)
class Plan:
    """The trials in their order; each is (what it is for, about how many seconds it takes)."""

    short_trips: tuple[tuple[Axis, int], ...]  # counts, shuffled: delays wander slowly, and must not follow the length
    renewals: tuple[tuple[Axis, bool], ...]  # of orders in mid-move: whether each is to a place a little farther on
    stages: tuple[tuple[str, float], ...]

    @property
    def seconds(self) -> float:
        """All of them."""
        return sum(seconds for _, seconds in self.stages)


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What a first look tells of how long the trials will take. The defaults are what is reckoned with before it."""

    reply_seconds: float = 0.02  # from a question to its answer, and to the next question
    swing_seconds: Mapping[Axis, float] = field(default_factory=lambda: dict.fromkeys(AXES, 0.5))  # seen after a stop

    def swings(self, axis: Axis) -> bool:
        """Whether a swing was seen."""
        return self.swing_seconds[axis] > 0.0

    @property
    def quiet_seconds(self) -> float:
        """About how long it takes until a head is quiet that has stopped."""
        return QUIET_SECONDS + self.reply_seconds + 0.5 * max(self.swing_seconds.values())


def steady_seconds(scale: AxisScale, speed: float, reply_seconds: float) -> float:
    """Return how long a step is to be travelled steadily so that its speed is known to much better than 1 %."""
    wanted = max(STEADY_SECONDS, STEADY_COUNTS / (scale.counts_per_degree * speed), STEADY_READINGS * reply_seconds)
    return min(wanted, LONGEST_STEADY_SECONDS)


def step_way(room: Room, speed: float, acceleration: float, reply_seconds: float) -> int:
    """Return the counts to travel at a step, ramps included."""
    return room.travel(speed * steady_seconds(room.scale, speed, reply_seconds) + 1.2 * speed * speed / acceleration)


def driven_seconds(reply_seconds: float) -> float:
    """Return for how long the zoom is driven so that it is read often enough."""
    return max(DRIVEN_SECONDS, LENS_START_SECONDS + 2.0 * reply_seconds + DRIVEN_READINGS * (reply_seconds + 0.015))


def longest_zoom_way(head: HeadModel, dialect: Dialect) -> int:
    """Return how far the zoom is sent at most, in counts."""
    whole = dialect.zoom.tele_counts - dialect.zoom.wide_counts
    return min(whole, round(LONGEST_ZOOM_WAY_SECONDS * head.zoom.direct_counts_per_s))


def roomy(room: Room, speed: float, acceleration: float, reply_seconds: float) -> bool:
    """Whether a step can be travelled steadily for a moment at least, in which it is read often enough."""
    seconds = max(BRIEF_STEADY_SECONDS, BRIEF_STEADY_READINGS * reply_seconds)
    return room.deg >= speed * seconds + 1.2 * speed * speed / acceleration


@dataclass(frozen=True, slots=True)
class RenewalPace:
    """How the order is given anew in one trial."""

    fast_step: int
    slow_step: int
    orders: int  # after the first one
    travel: int  # counts from the start to the last target

    @property
    def seconds(self) -> float:
        """About how long it takes until the last order has been watched."""
        return UNDER_WAY_SECONDS + self.orders * RENEWED_EVERY_SECONDS


def renewal_pace(room: Room, model: AxisModel) -> RenewalPace:
    """Return the most telling pace that there is room for; in a room too small for any, the slowest."""
    wanted = RENEWED_SPEED_SECONDS * model.acceleration_deg_per_s2
    fast = sum(speed <= wanted for speed in model.steps_deg_per_s) or 1
    while True:
        speed = model.speed_deg_per_s(fast)
        for orders in range(MOST_RENEWED, LEAST_RENEWED - 1, -1):
            seconds = UNDER_WAY_SECONDS + (orders - 1) * RENEWED_EVERY_SECONDS + AHEAD_SECONDS
            travel = room.scale.counts(speed * seconds + speed * speed / model.acceleration_deg_per_s2)
            if travel <= room.counts or (fast == 1 and orders == LEAST_RENEWED):
                slow = sum(each <= RENEWED_SLOWLY_SHARE * speed for each in model.steps_deg_per_s) or 1
                return RenewalPace(fast, slow, orders, min(travel, room.counts))
        fast -= 1


def plan_trials(head: HeadModel, dialect: Dialect, rooms: Rooms, rng: random.Random, look: FirstLook) -> Plan:
    """Return the trials, timed by what is published of the head and what a first look told."""
    reply = look.reply_seconds
    stages: list[tuple[str, float]] = []
    short: list[tuple[Axis, int]] = []
    for axis in AXES:
        model, room = (head.pan, rooms.pan) if axis == "pan" else (head.tilt, rooms.tilt)
        longest = min(0.3 * model.steps_deg_per_s[-1] ** 2 / ASSUMED_PAN_ACCELERATION_DEG_PER_S2, 0.45 * room.deg)
        shortest = min(SHORTEST_TRIP_DEG, 0.2 * longest)
        travels = [room.travel(shortest * (longest / shortest) ** (index % 6 / 5)) for index in range(SHORT_TRIPS)]
        rng.shuffle(travels)
        for travel in travels:
            short.append((axis, travel))
            deg = travel / room.scale.counts_per_degree
            seconds = seconds_for_axis(deg, model.steps_deg_per_s[-1], model.acceleration_deg_per_s2)
            stages.append((f"acceleration of {axis}", seconds + 2.0 * reply + BETWEEN_TRIALS_SECONDS))
    stages += _steps(head, rooms, 1.0, "", look)
    if dialect.slow_mode:
        stages.append(("slow mode", SLOW_PROBE_SECONDS / SLOW_GUESS_SHARE + 0.5))
        stages += _steps(head, rooms, SLOW_GUESS_SHARE, " in slow mode", look)
    for axis in AXES:
        watched = 1.0 + 2.0 * reply + WATCHED_SECONDS
        for number in range(2 * len(STOP_SHARES)):
            # Where the fastest stops show no swing, none of the others are tried.
            shown = look.swings(axis) and number < 2 * STOPS_SEEN
            stages.append(("settling", watched if shown else 1.0 + 0.3 * WATCHED_SECONDS if number < 2 else 0.0))
    renewals: list[tuple[Axis, bool]] = []
    for axis in AXES if dialect.absolute == "two-speed" else AXES[:1]:
        model, room = (head.pan, rooms.pan) if axis == "pan" else (head.tilt, rooms.tilt)
        for farther_on in (False, True) * RENEWALS:
            renewals.append((axis, farther_on))
            seconds = renewal_pace(room, model).seconds + look.quiet_seconds + 0.5 + REST_SECONDS + 2.0 * reply
            stages.append(("orders in mid-move", seconds))
    # An answer at either end, and looking: two questions for the head around three for the lens.
    seen_still = 2.0 * reply + max(5.0 * reply, 2.0 * reply + STILL_SECONDS)
    zoom_way = longest_zoom_way(head, dialect) / head.zoom.direct_counts_per_s
    for share in (*ZOOM_SHARES, *ZOOM_SHARES):
        stages.append(("zoom", share * zoom_way + seen_still))
    stages += [("zoom by hand", driven_seconds(reply) + LENS_START_SECONDS + 3.0 * reply)] * len(
        head.zoom.drive_counts_per_s
    )
    reach = dialect.focus.most_counts - dialect.focus.least_counts
    for share in (*FOCUS_SHARES, *FOCUS_SHARES):
        stages.append(("focus", 1.3 * share * reach / head.focus_counts_per_s + seen_still))
    steps = range(round(LEAST_WHOLE_SHARE * head.pan.fastest_step), head.pan.fastest_step + 1)
    whole = fmean(
        max(
            seconds_for_axis(
                WHOLE_WAY_SHARE * room.deg,
                model.steps_deg_per_s[min(step, model.fastest_step) - 1],
                model.acceleration_deg_per_s2,
            )
            for model, room in ((head.pan, rooms.pan), (head.tilt, rooms.tilt))
        )
        for step in steps
    )
    swing = max(look.swing_seconds.values())
    stages += [("whole moves", whole + seen_still + 0.5 * swing + look.quiet_seconds)] * WHOLE_MOVES
    stages.append(("the way back", 2.0 + 0.4 * (dialect.zoom.tele_counts / head.zoom.direct_counts_per_s)))
    trial = fmean(seconds for _, seconds in stages)
    held_up = 1.0 + POWER_QUESTIONS * reply / (POWER_SECONDS + 0.5 * trial)  # it has to wait for the next one
    return Plan(tuple(short), tuple(renewals), tuple((what, held_up * seconds) for what, seconds in stages))


def _steps(head: HeadModel, rooms: Rooms, share: float, when: str, look: FirstLook) -> list[tuple[str, float]]:
    """The trials of all steps, each at a share of its published speed."""
    stages: list[tuple[str, float]] = []
    for step in range(1, max(head.pan.fastest_step, head.tilt.fastest_step) + 1):
        longest = 0.0
        for model, room in ((head.pan, rooms.pan), (head.tilt, rooms.tilt)):
            speed = share * model.steps_deg_per_s[min(step, model.fastest_step) - 1]
            way = step_way(room, speed, model.acceleration_deg_per_s2, look.reply_seconds)
            deg = way / room.scale.counts_per_degree
            longest = max(longest, seconds_for_axis(deg, speed, model.acceleration_deg_per_s2))
        slow = head.pan.steps_deg_per_s[min(step, head.pan.fastest_step) - 1] < SLOW_DEG_PER_S
        # A fast way needs the whole range ahead of it, so that the head goes to an end first.
        before = look.quiet_seconds if slow else 0.8
        stages.append(
            (f"speed of step {step}{when}", longest + 4.0 * look.reply_seconds + BETWEEN_TRIALS_SECONDS + before)
        )
    return stages
