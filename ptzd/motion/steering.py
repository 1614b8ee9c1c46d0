"""Steering a shaped move: what to order now, given when orders took effect and where the camera says it is.

Theory of operation. A plan is made from a model, and the unit differs from it by some per cent, which over a long move
would be degrees. So each axis keeps three things. Its *motor* knows which step has been in force since when, works out
from that where the axis is, and corrects this by every position that is reported; from the same reports it learns how
fast this unit really is at its steps. Its *guide* holds the plan's staircase and solves, at every turn, for the
dwell that brings the rest of the way and the rest of the time to an end together: when the unit is quick it leaves
for the next rung down earlier, when it is slow later. Corrections so consist in nothing but the moment at which a
change happens that was to happen anyway; they add no jolt. Changes of step keep the window's distance from each other,
across both axes of the head where their sum would be larger than the plan's largest.

The last rung is the first one of the way up. There an order to go to the target itself takes over, at that step, and
the head lands exactly. The zoom knows no slow way to a position, so that it is sent there within a few counts of it.

A drive has no end of its own. So an axis of the head that is driven and stands still is *held*, by an end, an obstacle
or somebody: whoever steers must stop it. And what is not landed long after the move was to end, for orders that were
refused or a zoom that does not move, is sent to its target all the same, which is an order that ends by itself.

No clock and no I/O: times are handed in, in seconds of any clock that only runs forward.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign, hypot, inf

from .course import Course
from .shaped_plan import ShapedPlan
from .staircase import DWELL_SECONDS, Staircase

REPEAT_SECONDS = 0.5  # after which an order that nobody has heard of, repeats and all, is given anew
MOST_REPEATS = 3  # then it is left to the line to find out whether the camera is there at all
ORDER_SECONDS = 0.04  # between two orders to one motor; about a frame, common practice
TOGETHER_SECONDS = 0.06  # a change that the other axis wants so soon is made with this one
WAIT_SECONDS = 0.06  # that an axis waits at most for the other one which may not change yet
SPACING_SECONDS = 0.2  # between two changes of an axis
LANDING_SECONDS = 0.2  # before its end at the latest, the head is sent to its target
WAITING_SECONDS = 0.1  # before its target an axis waits for the other one, so that both are sent there together
ZOOM_LANDING_COUNTS = 5.0
ZOOM_LANDING_SECONDS = 0.08  # before its end, a zoom is sent to its target that has hardly any way to go
HEAD_GRAIN_DEG = 0.03  # how exact a reported position is, one standard deviation
ZOOM_GRAIN_COUNTS = 3.0
REPORT_SECONDS = 0.004  # how exactly the moment is known to which a report belongs
HASTE = 1.5  # how much longer than needed a faster step could be held when it is taken
HASTE_SECONDS = 1.5
LEAST_HASTE = 0.6  # of what a faster step gains at least
SQUEEZE = 1.2  # on the way down, a jolt that much larger is better than to come down too late
SAME = 1.06  # a unit that is quicker than its table makes its gaps larger by as much
FASTER_SHARE = 1.5  # of the plan's fastest speed, or a step more: a head that is late for whatever reason does not race
LATE_SECONDS = 0.1  # from which on a rung that was not planned is taken
TRUST = 0.6  # of the difference between a report and what was expected
UNLIKE_STEPS = 0.5  # of a model's spread is from step to step, the rest is common to all of an axis
TURN_SECONDS = 0.005  # between two turns of steering
HELD_SECONDS = 1.0  # within which a head that is driven is seen to move
HELD_SHARE = 0.1  # of the way at the slowest step: a head that moves less than that stands still
HELD_READINGS = 5  # a head that turns back comes by the same place twice
HELD_GRAINS = 10.0  # the way at the slowest step from which on that can be told
OVERDUE_SECONDS = 2.0  # and this share of the move, by which it may be late
OVERDUE_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class DriveHead:
    """Drive pan and tilt at steps from 1; the ways are 1 right or up, -1 left or down, 0 not at all."""

    pan_step: int
    tilt_step: int
    pan_way: int
    tilt_way: int


@dataclass(frozen=True, slots=True)
class DriveZoom:
    """Drive the zoom at speed 0 to 7; the way is 1 for tele, -1 for wide."""

    speed: int
    way: int


@dataclass(frozen=True, slots=True)
class LandHead:
    """Send the head to the target, at these steps."""

    pan_step: int
    tilt_step: int


@dataclass(frozen=True, slots=True)
class LandZoom:
    """Send the zoom to the target."""


@dataclass(frozen=True, slots=True)
class StartFocus:
    """Send the focus to the target."""


Order = DriveHead | DriveZoom | LandHead | LandZoom | StartFocus


@dataclass(slots=True)
class _Force:
    """A step and since when it is in force; `at` is a guess until the order is known to have been performed."""

    at: float
    step: int
    known: bool


class _Motor:
    """Where one axis is, in its own direction from its start, and how fast it is at each step."""

    def __init__(self, speeds: tuple[float, ...], acceleration: float, spread: float, grain: float, now: float) -> None:
        self._model = (0.0, *speeds)
        self.speeds = list(self._model)  # by step; 0 is standing still
        self._acceleration = acceleration
        self._spread = max(spread, 1e-3)
        self._grain = grain
        self._forces = [_Force(now, 0, True)]
        self._at, self._here = now, 0.0  # the last moment for which its place was settled
        self._modelled = 0.0  # the way that it would have come at the model's speeds
        self._stretch: tuple[float, float, int] | None = None  # began at, there, at this step
        self._measured: dict[int, tuple[float, float]] = {}  # by step: sum of weights, of weighted speeds
        self._looked: tuple[float, float, float, int] | None = None  # since when, from where to where, how often
        self.held = False  # it was driven, and stood still

    @property
    def step(self) -> int:
        """What was ordered last."""
        return self._forces[-1].step

    def changed_at(self, now: float) -> float:
        """When the last change took effect; not before `now` while that is not known."""
        last = self._forces[-1]
        return last.at if last.known else max(last.at, now)

    def ordered(self, at: float, step: int) -> None:
        self._forces.append(_Force(at, step, False))

    def expected(self, at: float) -> None:
        """Take note that what is not known to be in force was ordered anew."""
        for force in self._forces:
            if not force.known:
                force.at = at

    def performed(self, at: float) -> None:
        last = self._forces[-1]
        if not last.known:
            last.at, last.known = at, True
            # What was ordered before and never heard of was never in force.
            self._forces = [force for force in self._forces if force.known]

    def place(self, at: float) -> float:
        """Return how far it has come."""
        return self._here + self._way(self._at, at, self.speeds)

    def reported(self, at: float, way: float) -> None:
        """Take in how far it has come, as the camera says."""
        if at <= self._at:
            return
        self._look_whether_held(at, way)
        expected = self.place(at)
        self._modelled += self._way(self._at, at, self._model)
        quiet_since = self._quiet_since(at)
        while len(self._forces) > 1 and self._forces[1].known and self._forces[1].at + 0.3 < at:
            del self._forces[0]
        self._at, self._here = at, expected + TRUST * (way - expected)
        self._learn(at, way, quiet_since)

    def _look_whether_held(self, at: float, way: float) -> None:
        if not self.step or not any(force.known and force.step for force in self._forces):
            self._looked = None
            return
        since, least, most, times = self._looked or (at, way, way, 0)
        least, most, times = min(least, way), max(most, way), times + 1
        slowest_way = self._model[1] * (at - since)
        if at - since < HELD_SECONDS or slowest_way < HELD_GRAINS * self._grain or times < HELD_READINGS:
            self._looked = since, least, most, times
        else:
            self.held = self.held or most - least < HELD_SHARE * slowest_way
            self._looked = None

    def _way(self, begin: float, end: float, speeds: tuple[float, ...] | list[float]) -> float:
        way, speed, since = 0.0, speeds[self._forces[0].step], begin
        for force in self._forces[1:]:
            to = speeds[force.step]
            effective = self.changed_at(end) if force is self._forces[-1] else force.at
            effective += abs(to - speed) / (2.0 * self._acceleration)
            effective = min(max(effective, since), end)
            way += speed * (effective - since)
            speed, since = to, effective
        return way + speed * (end - since)

    def _quiet_since(self, at: float) -> float:
        last = self._forces[-1]
        if not last.known:
            return at
        before = self._forces[-2].step if len(self._forces) > 1 else last.step
        return last.at + abs(self.speeds[last.step] - self.speeds[before]) / self._acceleration

    def _learn(self, at: float, way: float, quiet_since: float) -> None:
        # How fast the unit is as a whole, from all the way that it has come.
        doubt = self._grain + REPORT_SECONDS * self.speeds[self.step]
        share = 1.0
        if self._modelled > 0.0:
            weight = self._modelled**2 / (self._modelled**2 + (doubt / self._spread) ** 2)
            share = 1.0 + weight * (way / self._modelled - 1.0)
        # How fast it is at this step, from the way between two reports without a change.
        stretch = self._stretch
        if stretch is not None and (stretch[0] < quiet_since or stretch[2] != self.step):
            self._stretch = stretch = None
        if stretch is None and quiet_since < at and self.step:
            self._stretch = (at, way, self.step)
        elif stretch is not None:
            seconds = at - stretch[0]
            weight = (seconds / (1.5 * doubt)) ** 2
            old = self._measured.get(self.step, (0.0, 0.0))
            if weight > old[0]:  # a longer stretch, or the same one grown
                self._measured[self.step] = (weight, weight * (way - stretch[1]) / seconds)
        for step in range(1, len(self._model)):
            likely = self._model[step] * share
            weight, weighted = self._measured.get(step, (0.0, 0.0))
            trust = 1.0 / (UNLIKE_STEPS * self._spread * likely) ** 2
            self.speeds[step] = (likely * trust + weighted) / (trust + weight)


class _Guide:
    """Which rung one axis is to be on."""

    def __init__(self, course: Course, motor: _Motor, starts_at: float, ends_at: float) -> None:
        way = course.staircase
        self.motor = motor
        self.distance = abs(course.distance)
        self.way = 0 if way is None else int(copysign(1, course.distance))
        self._steps = [] if way is None else list(way.steps)
        self._begins = [] if way is None else list(way.begins)
        self._widest = 0.0 if way is None else SAME * way.largest_gap
        self._tight = course.tight
        if course.spare_top:
            del self._steps[-1], self._begins[-1]
        self._acceleration = course.acceleration
        self._fastest_step = 0 if way is None else _fastest_step_from(way, motor.speeds)
        self._starts_at = starts_at
        self._ends_at = ends_at
        self.rung = 0
        self._waits = False  # just before its target, for the other axis
        self._top = len(self._steps)
        self.climbing = True

    @property
    def step(self) -> int:
        """The step of its rung; 0 while it stands."""
        return self._steps[self.rung - 1] if self.rung else 0

    def to_go(self, at: float) -> float:
        """Return how much of the way is left."""
        return self.distance - self.motor.place(at)

    def lands(self, at: float) -> bool:
        """Whether it may be sent to its target: it stands there, or is on its last rung, or about to set out to it."""
        if not self.way or self._waits:
            return True
        if self.rung == 0:
            return self._top == 1 and at >= self._starts_at
        return self.rung == 1 and (not self.climbing or self._top == 1)

    def landing_step(self, at: float) -> int:
        """The slowest step from its first rung on at which it is not late, be it past its target; 1 where it stands."""
        if not self._steps:
            return 1
        seconds, to_go = max(self._ends_at - at, LANDING_SECONDS) + LATE_SECONDS, abs(self.to_go(at))
        steps = range(self._steps[0], self._steps[-1])
        return next((step for step in steps if to_go <= self.motor.speeds[step] * seconds), self._steps[-1])

    def step_of(self, rung: int) -> int:
        """The step of a rung; 0 for the ground."""
        return self._steps[rung - 1] if rung else 0

    def wanted(self, at: float, spacing: float = SPACING_SECONDS) -> int:
        """Return the rung that it is to be on at a moment to come, this one or a neighbour.

        `spacing` is the least time from one change to the next.
        """
        if not self.way:
            return 0
        if self.rung == 0:
            return 1 if at >= self._starts_at and not self._waits else 0
        if (lower := self._overdue(at)) < self.rung:
            return lower
        since = at - self.motor.changed_at(at)
        if since < spacing:
            return self.rung
        if self.climbing and self.rung < self._top:
            return self._wanted_climbing(at, since)
        self.climbing = False
        return self._wanted_descending(at)

    def waits_for_another(self, at: float) -> bool:
        """Whether it has all but come to its target, so that it stops there until both are sent there together."""
        if self.rung == 0:
            return False
        speed = self._speed(self.rung)
        nearest = self._speed(1) * WAITING_SECONDS
        if self.rung > 1:  # it was to come down before
            nearest = speed * (speed / (2.0 * self._acceleration) + TURN_SECONDS)
        return self.to_go(at) <= nearest

    def took(self, rung: int) -> None:
        """Take note that the rung was ordered."""
        if rung > self._top:
            self._top = rung
        self._waits = self._waits or rung < 1
        self.rung = rung

    def _speed(self, rung: int) -> float:
        return self.motor.speeds[self._steps[rung - 1]] if rung else 0.0

    def _gap(self, rung: int) -> float:
        return self._speed(rung) - self._speed(rung - 1)

    def _rest(self, at: float) -> float:
        """What is left to go, less what the ramps down to the last rung add to it and the last one takes away."""
        ramps = self._speed(1) ** 2 - sum(self._gap(rung) ** 2 for rung in range(2, self.rung + 1))
        return self.to_go(at) + ramps / (2.0 * self._acceleration)

    def _overdue(self, at: float) -> int:
        """The rung that it should be on already to stop in time; some are skipped if that is no larger a jolt."""
        to_go = self.to_go(at)
        lower = self.rung
        while lower > 1 and to_go < self._stopping_way(lower - 1):
            if self._speed(self.rung) - self._speed(lower - 1) > self._widest:
                break
            lower -= 1
        if lower < self.rung:
            self.climbing = False
        return lower

    def _stopping_way(self, rung: int) -> float:
        """How far it goes from the moment at which it begins to come down to a rung from this one."""
        ramp = (self._speed(self.rung) ** 2 - self._speed(rung) ** 2) / (2.0 * self._acceleration)
        dwells = sum(
            self._speed(each) * (self._begins[each - 1] - self._begins[each - 2]) for each in range(2, rung + 1)
        )
        return ramp + DWELL_SECONDS * dwells + self._speed(1) * LANDING_SECONDS

    def _wanted_climbing(self, at: float, since: float) -> int:
        seconds, rest = self._ends_at - at, self._rest(at)
        here = self._begins[self.rung - 1]
        while True:
            top = self._speed(self._top)
            lag = sum(self._gap(rung) * self._begins[rung - 1] for rung in range(2, self.rung + 1))
            lag += sum(
                self._gap(rung) * (2.0 * self._begins[rung - 1] - here) for rung in range(self.rung + 1, self._top + 1)
            )
            spare = top * seconds + (top - self._speed(self.rung)) * since - rest
            dwell = max(DWELL_SECONDS, spare / lag)
            cruise = seconds + since - dwell * (2.0 * self._begins[self._top - 1] - here)
            if cruise >= 0.0:
                break
            self._top -= 1  # no time to get there
            if self._top == self.rung:
                self.climbing = False
                return self._wanted_descending(at)
        short = DWELL_SECONDS * lag - spare
        if (
            not self._tight
            and short > LATE_SECONDS * top
            and cruise > 3.0 * DWELL_SECONDS
            and self._extend_to(self._top + 1)
        ):
            self._top += 1
        if self._tight:
            dwell = DWELL_SECONDS
        return self.rung + 1 if since >= dwell * (self._begins[self.rung] - here) else self.rung

    def _wanted_descending(self, at: float) -> int:
        seconds, rest = self._ends_at - at, self._rest(at)
        here = self._speed(self.rung)
        lag = sum(self._gap(rung) * self._begins[rung - 1] for rung in range(2, self.rung + 1))
        needed = (rest + DWELL_SECONDS * lag) / here
        late = needed - seconds
        if late > LATE_SECONDS and self._is_time_for_more(seconds, rest - here * seconds + DWELL_SECONDS * lag):
            return self.rung + 1
        if self.rung == 1:
            return 1
        if late >= 0.0:
            return self.rung - 1 if needed <= DWELL_SECONDS * self._begins[self.rung - 1] else self.rung
        dwell = (here * seconds - rest) / lag
        return self.rung - 1 if seconds <= dwell * self._begins[self.rung - 1] else self.rung

    def _is_time_for_more(self, seconds: float, short: float) -> bool:
        """Whether to take a faster step now, to go farther by `short`: not before it is known how quick the unit is.

        The later, the better it is known; but the step must be left again in time.
        """
        cruise = seconds - self._begins[self.rung - 1] * DWELL_SECONDS
        if cruise < 3.0 * DWELL_SECONDS or not self._extend_to(self.rung + 1):
            return False
        gap = max(self._gap(self.rung + 1), 1e-6)
        if short < LEAST_HASTE * SPACING_SECONDS * gap:  # it would gain more than it lacks
            return False
        return cruise <= HASTE * short / gap + HASTE_SECONDS

    def _extend_to(self, rung: int) -> bool:
        """Make sure that there is such a rung; return whether there is a step for it."""
        while len(self._steps) < rung:
            if self._steps[-1] >= self._fastest_step:
                return False
            self._steps.append(self._steps[-1] + 1)
            self._begins.append(self._begins[-1] + 1.0)
        return True


def _fastest_step_from(way: Staircase, speeds: list[float]) -> int:
    """The fastest step that may be taken to make up for lost time; `speeds` are those of the table, 0 first."""
    least = min(way.steps[-1] + 1, len(speeds) - 1)
    return max(least, *(step for step, speed in enumerate(speeds) if speed <= FASTER_SHARE * way.top))


class Steering:
    """One shaped move under way. Ask `orders` every `TURN_SECONDS` or so, and tell what has come of them."""

    def __init__(self, plan: ShapedPlan, started_at: float) -> None:
        """`started_at` is when the first order leaves."""
        head = plan.head
        self._plan = plan
        self._ends_at = started_at + plan.seconds
        self._overdue_at = self._ends_at + OVERDUE_SECONDS + OVERDUE_SHARE * plan.seconds
        self._lag = self._least_lag = head.latency_seconds
        self._pan = self._guide(plan.pan, head.pan.steps_deg_per_s, head.spread.speed, HEAD_GRAIN_DEG, started_at)
        self._tilt = self._guide(plan.tilt, head.tilt.steps_deg_per_s, head.spread.speed, HEAD_GRAIN_DEG, started_at)
        self._zoom = self._guide(
            plan.zoom, head.zoom.drive_counts_per_s, head.spread.lens, ZOOM_GRAIN_COUNTS, started_at
        )
        self._budget = SAME * plan.budget_deg_per_s
        self._recent: list[tuple[float, float, float]] = []  # changes of pan and tilt speed, and when
        self._head_ordered_at = self._zoom_ordered_at = -1.0
        self._head_repeats = self._zoom_repeats = 0  # in a row, without a word that one was performed
        self._head_waits = self._zoom_waits = False  # for word that the last order was performed
        self.head_landed = self.zoom_landed = False
        self._focus_at = None if plan.focus_starts_at is None else started_at + plan.focus_starts_at

    @property
    def done(self) -> bool:
        """Whether all was sent to its target."""
        return self.head_landed and self.zoom_landed

    @property
    def held(self) -> bool:
        """Whether the head was driven and stood still: it must be stopped, and nothing more be ordered."""
        return not self.head_landed and (self._pan.motor.held or self._tilt.motor.held)

    @property
    def zooms(self) -> bool:
        """Whether the zoom has a way to go that is steered."""
        return bool(self._zoom.way) and not self.zoom_landed

    def orders(self, now: float) -> list[Order]:
        """Return what is to be ordered now: often nothing."""
        orders: list[Order] = []
        if self._focus_at is not None and now >= self._focus_at:
            self._focus_at = None
            orders.append(StartFocus())
        if not self.head_landed and (head := self._head_order(now)) is not None:
            orders.append(head)
        if not self.zoom_landed and (zoom := self._zoom_order(now)) is not None:
            orders.append(zoom)
        return orders

    def head_performed(self, at: float) -> None:
        """Take note that the last order to the head took effect."""
        if self._head_waits:
            self._head_waits = False
            self._heard_of(at - self._head_ordered_at)
            if self._recent and self._recent[-1][0] > self._head_ordered_at:  # it was made by this order
                self._recent[-1] = (at, *self._recent[-1][1:])
            for guide in (self._pan, self._tilt):
                guide.motor.performed(at)

    def zoom_performed(self, at: float) -> None:
        """Take note that the last order to the zoom took effect."""
        if self._zoom_waits:
            self._zoom_waits = False
            self._zoom.motor.performed(at)

    def head_reported(self, at: float, pan_deg: float, tilt_deg: float) -> None:
        """Take in where the head was at a moment."""
        start = self._plan.from_
        for guide, moved in ((self._pan, pan_deg - start.pan_deg), (self._tilt, tilt_deg - start.tilt_deg)):
            if guide.way:
                guide.motor.reported(at, guide.way * moved)

    def zoom_reported(self, at: float, zoom_counts: float) -> None:
        """Take in where the zoom was at a moment."""
        if self._zoom.way:
            self._zoom.motor.reported(at, self._zoom.way * (zoom_counts - self._plan.from_.zoom_counts))

    def seconds_to_target(self, at: float) -> float:
        """Return when the first axis of the head that is driven would be at its target; infinite where none is."""
        driven = [guide for guide in (self._pan, self._tilt) if guide.rung and guide.motor.step]
        return min((guide.to_go(at) / guide.motor.speeds[guide.motor.step] for guide in driven), default=inf)

    def _guide(
        self, course: Course, speeds: tuple[float, ...], spread: float, grain: float, started_at: float
    ) -> _Guide:
        motor = _Motor(speeds, course.acceleration, spread, grain, started_at)
        starts_at = self._ends_at - (course.ends_at - course.starts_at) if course.starts_at else started_at
        return _Guide(course, motor, starts_at, self._ends_at)

    @property
    def _spacing(self) -> float:
        """From when a change took effect until the next one is expected to: it may take effect sooner than expected."""
        return SPACING_SECONDS + self._lag - self._least_lag

    def _heard_of(self, lag: float) -> None:
        if lag < 2.0 * self._lag + TURN_SECONDS:  # otherwise it was lost and repeated, which says nothing of the usual
            self._lag += 0.3 * (lag - self._lag)
            self._least_lag = min(self._least_lag, lag)

    def _head_order(self, now: float) -> DriveHead | LandHead | None:
        if now - self._head_ordered_at < ORDER_SECONDS:
            return None
        at = now + self._lag
        pan, tilt = self._pan, self._tilt
        moving = [guide for guide in (pan, tilt) if guide.way]
        if not moving:
            return self._land(now, at) if self._ends_at - at <= LANDING_SECONDS else None
        if all(guide.lands(at) or guide.waits_for_another(at) for guide in moving) or now >= self._overdue_at:
            return self._land(now, at)
        if self._head_waits and (now - self._head_ordered_at < REPEAT_SECONDS or self._head_repeats == MOST_REPEATS):
            return None
        pan_rung, tilt_rung = self._within_budget(at, *self._wanted(at))
        pan_rung = 0 if pan.waits_for_another(at) else pan_rung
        tilt_rung = 0 if tilt.waits_for_another(at) else tilt_rung
        if (pan_rung, tilt_rung) == (pan.rung, tilt.rung) and not self._head_waits:
            return None
        for guide, rung in ((pan, pan_rung), (tilt, tilt_rung)):
            if rung != guide.rung:
                guide.took(rung)
                guide.motor.ordered(at, guide.step)
            guide.motor.expected(at)
        self._head_repeats = self._head_repeats + 1 if self._head_waits else 0
        self._head_ordered_at, self._head_waits = now, True
        return DriveHead(max(1, pan.step), max(1, tilt.step), pan.way if pan.rung else 0, tilt.way if tilt.rung else 0)

    def _wanted(self, at: float) -> tuple[int, int]:
        """The rungs that pan and tilt are to be on: one that is to change a little later changes with the other."""
        pan, tilt = self._pan, self._tilt
        pan_rung, tilt_rung = pan.wanted(at, self._spacing), tilt.wanted(at, self._spacing)
        if pan_rung != pan.rung and tilt_rung == tilt.rung:
            return self._with_the_other(at, pan, pan_rung, tilt)
        if tilt_rung != tilt.rung and pan_rung == pan.rung:
            tilt_rung, pan_rung = self._with_the_other(at, tilt, tilt_rung, pan)
        return pan_rung, tilt_rung

    def _with_the_other(self, at: float, one: _Guide, rung: int, other: _Guide) -> tuple[int, int]:
        """Let an axis that is to change a little later change with this one, or this one wait until that one may."""
        soon = other.wanted(at + TOGETHER_SECONDS, self._spacing)
        if soon == other.rung:
            return rung, other.rung
        since = at - other.motor.changed_at(at)
        if since >= self._spacing:
            return rung, soon
        if since >= self._spacing - WAIT_SECONDS:
            return one.rung, other.rung
        return rung, other.rung

    def _within_budget(self, at: float, pan_rung: int, tilt_rung: int) -> tuple[int, int]:
        """Hold back the smaller of two changes that together would be a larger jolt than the plan's."""
        pan, tilt = self._pan, self._tilt
        pan_gap = self._change(pan, pan_rung)
        tilt_gap = self._change(tilt, tilt_rung)
        if not pan_gap and not tilt_gap:
            return pan_rung, tilt_rung
        self._recent = [change for change in self._recent if at - change[0] < self._spacing]
        pan_before = sum(change[1] for change in self._recent)
        tilt_before = sum(change[2] for change in self._recent)
        budget = self._budget * (1.0 if pan.climbing or tilt.climbing else SQUEEZE)
        if hypot(pan_before + pan_gap, tilt_before + tilt_gap) > budget:
            if pan_before or tilt_before:
                if hypot(pan_before + pan_gap, tilt_before) > budget:
                    pan_rung, pan_gap = pan.rung, 0.0
                if hypot(pan_before + pan_gap, tilt_before + tilt_gap) > budget:
                    tilt_rung, tilt_gap = tilt.rung, 0.0
            elif abs(pan_gap) >= abs(tilt_gap):
                tilt_rung, tilt_gap = tilt.rung, 0.0
            else:
                pan_rung, pan_gap = pan.rung, 0.0
        if pan_gap or tilt_gap:
            self._recent.append((at, pan_gap, tilt_gap))
        return pan_rung, tilt_rung

    def _change(self, guide: _Guide, rung: int) -> float:
        return guide.motor.speeds[guide.step_of(rung)] - guide.motor.speeds[guide.step] if rung != guide.rung else 0.0

    def _land(self, now: float, at: float) -> LandHead:
        self.head_landed = True
        self._head_ordered_at = now
        return LandHead(self._pan.landing_step(at), self._tilt.landing_step(at))

    def _zoom_order(self, now: float) -> DriveZoom | LandZoom | None:
        at = now + self._lag
        zoom = self._zoom
        if not zoom.way:
            return self._land_zoom() if self._ends_at - at <= ZOOM_LANDING_SECONDS else None
        near = zoom.rung and zoom.to_go(at + TURN_SECONDS / 2) <= ZOOM_LANDING_COUNTS
        if near or now >= self._overdue_at:
            return self._land_zoom()
        if now - self._zoom_ordered_at < (REPEAT_SECONDS if self._zoom_waits else ORDER_SECONDS):
            return None
        if self._zoom_waits and self._zoom_repeats == MOST_REPEATS:
            return None
        rung = zoom.wanted(at)
        if rung != zoom.rung:
            zoom.took(rung)
            zoom.motor.ordered(at, zoom.step)
        elif not self._zoom_waits:
            return None
        zoom.motor.expected(at)
        self._zoom_repeats = self._zoom_repeats + 1 if self._zoom_waits else 0
        self._zoom_ordered_at, self._zoom_waits = now, True
        return DriveZoom(zoom.step - 1, zoom.way)

    def _land_zoom(self) -> LandZoom:
        self.zoom_landed = True
        return LandZoom()
