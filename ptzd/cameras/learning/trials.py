"""Which trials tell how a head moves, within a range that the operator gives, and how long they will take.

Pan and tilt are only ever sent to positions inside the range, never driven: an order that is lost, or a stop that is,
then leaves the head in the range all the same.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Literal

from ptzd.cameras.reports import Framing
from ptzd.motion import AxisModel, HeadModel, seconds_for_axis
from ptzd.refusal import Refusal
from ptzd.visca import AxisScale, Dialect

FROM_THE_ENDS_DEG = 5.0
LEAST_PAN_RANGE_DEG, LEAST_TILT_RANGE_DEG = 10.0, 5.0
BETWEEN_TRIALS_SECONDS = 0.15

SHORT_TRIPS = 18  # of each axis, for its acceleration
SHORTEST_TRIP_DEG = 1.0
STEADY_SECONDS = 2.0  # of steady travel at each step, and more where a count is coarse
STEADY_COUNTS = 100
LONGEST_STEADY_SECONDS = 4.0
BRIEF_STEADY_SECONDS = 0.4  # enough for a fast step that has little room
STOP_SHARES = (1.0, 0.5, 0.25, 0.12, 0.06, 0.03)  # of the fastest speed, from which to stop and watch the swing
WATCHED_SECONDS = 3.0
ZOOM_SHARES = (0.15, 0.25, 0.4, 0.6, 0.8, 1.0)  # of the zoom's range
SLOW_GUESS_SHARE = 0.5  # of a usual step's speed in slow mode, only to tell how long the trials take; assumed
SLOW_PROBE_DEG_PER_S = 8.0  # about the usual speed at which slow mode is tried first
SLOW_PROBE_SECONDS = 0.5  # in which that step would usually come there
RENEWALS = 2  # trials of orders in mid-move, of each kind, for each axis
RENEWED_EVERY_SECONDS = 0.25  # about as often as a move that is steered renews its order
UNDER_WAY_SECONDS = 0.4  # from the first order until the head is surely at its speed
AHEAD_SECONDS = 0.6  # of way that a renewed order lies ahead, as in a drive by hand
MOST_RENEWED, LEAST_RENEWED = 6, 3  # orders in one trial: fewer where the range is small
RENEWED_SPEED_SECONDS = 0.1  # of acceleration: a stop from there, and the way up again, fit between two orders
RENEWED_SLOWLY_SHARE = 0.65  # of that speed, at every other order
FOCUS_SHARES = (0.2, 0.4, 0.7, 1.0)
DRIVEN_SECONDS = 1.3
WHOLE_MOVES = 12  # of head and lens, ordered as a recall orders them
SEEN_STILL_SECONDS = 0.35  # until somebody who reads the position knows that it is still

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


def steady_seconds(scale: AxisScale, speed: float) -> float:
    """Return how long a step is to be travelled steadily so that its speed is known to much better than 1 %."""
    return min(max(STEADY_SECONDS, STEADY_COUNTS / (scale.counts_per_degree * speed)), LONGEST_STEADY_SECONDS)


def step_way(room: Room, speed: float, acceleration: float) -> int:
    """Return the counts to travel at a step, ramps included."""
    return room.travel(speed * steady_seconds(room.scale, speed) + 1.2 * speed * speed / acceleration)


def roomy(room: Room, speed: float, acceleration: float) -> bool:
    """Whether a step can be travelled steadily for a moment at least."""
    return room.deg >= speed * BRIEF_STEADY_SECONDS + 1.2 * speed * speed / acceleration


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


def plan_trials(head: HeadModel, dialect: Dialect, rooms: Rooms, rng: random.Random) -> Plan:
    """Return the trials, timed by what is published of the head."""
    stages: list[tuple[str, float]] = []
    short: list[tuple[Axis, int]] = []
    for axis in AXES:
        model, room = (head.pan, rooms.pan) if axis == "pan" else (head.tilt, rooms.tilt)
        longest = min(0.3 * model.steps_deg_per_s[-1] ** 2 / model.acceleration_deg_per_s2, 0.45 * room.deg)
        shortest = min(SHORTEST_TRIP_DEG, 0.2 * longest)
        travels = [room.travel(shortest * (longest / shortest) ** (index % 6 / 5)) for index in range(SHORT_TRIPS)]
        rng.shuffle(travels)
        for travel in travels:
            short.append((axis, travel))
            deg = travel / room.scale.counts_per_degree
            seconds = seconds_for_axis(deg, model.steps_deg_per_s[-1], model.acceleration_deg_per_s2)
            stages.append((f"acceleration of {axis}", seconds + 0.05 + BETWEEN_TRIALS_SECONDS))
    stages += _steps(head, rooms, 1.0, "")
    if dialect.slow_mode:
        stages.append(("slow mode", SLOW_PROBE_SECONDS / SLOW_GUESS_SHARE + 0.5))
        stages += _steps(head, rooms, SLOW_GUESS_SHARE, " in slow mode")
    stages += [("settling", 1.5 + WATCHED_SECONDS)] * (2 * len(STOP_SHARES) * len(AXES))
    renewals: list[tuple[Axis, bool]] = []
    for axis in AXES if dialect.absolute == "two-speed" else AXES[:1]:
        model, room = (head.pan, rooms.pan) if axis == "pan" else (head.tilt, rooms.tilt)
        for farther_on in (False, True) * RENEWALS:
            renewals.append((axis, farther_on))
            stages.append(("orders in mid-move", renewal_pace(room, model).seconds + 2.5))
    tele = dialect.zoom.tele_counts - dialect.zoom.wide_counts
    for share in (*ZOOM_SHARES, *ZOOM_SHARES):
        stages.append(("zoom", share * tele / head.zoom.direct_counts_per_s + 0.3 + SEEN_STILL_SECONDS))
    stages += [("zoom by hand", DRIVEN_SECONDS + 1.5)] * len(head.zoom.drive_counts_per_s)
    reach = dialect.focus.most_counts - dialect.focus.least_counts
    for share in (*FOCUS_SHARES, *FOCUS_SHARES):
        stages.append(("focus", share * reach / head.focus_counts_per_s + 0.3 + SEEN_STILL_SECONDS))
    stages += [("whole moves", 4.0)] * WHOLE_MOVES
    stages.append(("the way back", 4.0))
    return Plan(tuple(short), tuple(renewals), tuple(stages))


def _steps(head: HeadModel, rooms: Rooms, share: float, when: str) -> list[tuple[str, float]]:
    """The trials of all steps, each at a share of its published speed."""
    stages: list[tuple[str, float]] = []
    for step in range(1, max(head.pan.fastest_step, head.tilt.fastest_step) + 1):
        longest = 0.0
        for model, room in ((head.pan, rooms.pan), (head.tilt, rooms.tilt)):
            speed = share * model.steps_deg_per_s[min(step, model.fastest_step) - 1]
            deg = step_way(room, speed, model.acceleration_deg_per_s2) / room.scale.counts_per_degree
            longest = max(longest, seconds_for_axis(deg, speed, model.acceleration_deg_per_s2))
        stages.append((f"speed of step {step}{when}", longest + 0.3 + BETWEEN_TRIALS_SECONDS))
    return stages
