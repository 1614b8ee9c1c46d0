"""A show reckoned slowly: in plain steps of 10 ms, with nothing of the rehearsal's or the planner's but what they read.

Heads are let run step by step; an evening is let pass tick by tick, and whatever is wrong is noted as it happens. What
a move needs is a range, as `ptzd.motion.prediction` says of it: each uncertain figure is off by a log-normal factor,
each is moved by 2.25 deviations by itself, and the differences are added in quadrature. What lies so near to an edge
that steps of 10 ms can't tell is `blurred`, and judged by nobody.

A shaped move is taken at its word: it arrives after the seconds asked for, give or take 0.15 s.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from math import exp, hypot, log, sqrt
from typing import Literal

from ptzd.cameras import CameraSettings
from ptzd.files import Cue, CueMove, ShowFile
from ptzd.motion import HeadModel
from ptzd.rehearsal import RehearsedCamera

TICK = 0.01
BLUR_SECONDS = 2 * TICK
BLUR_SHAPED_SECONDS = 0.2  # a shaped move keeps its time to 0.15 s, and may be made a little longer
DEVIATIONS = 2.25
SWEEP_TICKS = 3000
Told = tuple[str, str, float]  # what is wrong, with which camera, in which cue; -1.0 for what is told once
Pose = tuple[float, float, float]  # pan and tilt in degrees, zoom in counts


@lru_cache(maxsize=100_000)
def run(way: float, speed: float, acceleration: float) -> tuple[float, float]:
    """Let an axis run from rest to rest; return the seconds that it takes and its highest speed."""
    gone = now = seconds = highest = 0.0
    while (left := way - gone) > 1e-9:
        # The highest speed at the end of this step from which it can still come to rest in time.
        room = left - now * TICK / 2.0
        then = acceleration * (sqrt(TICK * TICK / 4.0 + 2.0 * room / acceleration) - TICK / 2.0) if room > 0.0 else 0.0
        then = min(then, now + acceleration * TICK, speed)
        if then <= 0.0:
            return seconds + 2.0 * left / now, highest
        gone += (now + then) / 2.0 * TICK
        seconds += TICK
        now, highest = then, max(highest, then)
    return seconds, highest


@lru_cache(maxsize=100_000)
def swing(head: HeadModel, peak: float) -> float:
    """Let the picture swing after a stop from some speed; return the seconds until it is still."""
    settle = head.settle
    amplitude = settle.swing_deg_per_deg_per_s * peak
    if settle.most_swing_deg is not None:
        amplitude = min(amplitude, settle.most_swing_deg)
    rate = settle.damping_ratio * settle.natural_rad_per_s
    seconds = 0.0
    while amplitude * exp(-rate * TICK) > settle.tolerance_deg:
        amplitude *= exp(-rate * TICK)
        seconds += TICK
    return seconds + (log(amplitude / settle.tolerance_deg) / rate if amplitude > settle.tolerance_deg else 0.0)


@dataclass(frozen=True)
class Ends:
    """When a move has settled after its order left, as a range."""

    least: float
    likely: float
    most: float
    blur: float = BLUR_SECONDS
    vague: bool = False  # nothing in between can be told either


@lru_cache(maxsize=100_000)
def direct(head: HeadModel, from_: Pose, to: Pose, step: int) -> Ends:
    """Send a head somewhere at a step, counted in those of pan."""
    ways = [abs(there - here) for here, there in zip(from_, to, strict=True)]
    latency, base, spread = head.latency_seconds, head.settle.base_seconds, head.spread
    ends = [_axis(head, axis, way, speed) for axis, way, speed in _speeds(head, ways, step)]
    if ways[2]:
        zoom = run(ways[2], head.zoom.direct_counts_per_s, head.zoom.acceleration_counts_per_s2)[0]
        least, most = _off(zoom, spread.lens)
        delay = head.lens_delay_seconds
        ends.append((delay + zoom - least, delay + zoom, delay + zoom + most))
    least, likely, most = (max((end[place] for end in ends), default=0.0) for place in range(3))
    return _with_the_rest(likely, likely - least, most - likely, (latency, spread.latency), (base, spread.settling))


def shaped(head: HeadModel, seconds: float) -> Ends:
    """Make a move that is seen, in so many seconds."""
    ends = _with_the_rest(seconds, 0.15, 0.15, (head.settle.base_seconds, head.spread.settling))
    return Ends(ends.least, ends.likely, ends.most, BLUR_SHAPED_SECONDS)


def in_seconds(head: HeadModel, from_: Pose, to: Pose, seconds: float) -> Ends:
    """Send a head somewhere unseen, at the step that arrives nearest to so many seconds."""
    speeds, way = head.pan.steps_deg_per_s, abs(to[0] - from_[0])
    if from_[1:] != to[1:]:  # pan and tilt are paired then, which only a planner does
        fastest = direct(head, from_, to, len(speeds))
        return Ends(fastest.least, seconds, max(seconds, fastest.likely) + 5.0, vague=True)
    arrivals = {
        step: head.latency_seconds + run(way, speed, head.pan.acceleration_deg_per_s2)[0]
        for step, speed in enumerate(speeds, 1)
        if way / speed <= 2.0 * seconds or step == len(speeds)
    }
    least = min(abs(arrival - seconds) for arrival in arrivals.values())
    return direct(head, from_, to, max(s for s, arrival in arrivals.items() if abs(arrival - seconds) <= least + 0.05))


def seen(head: HeadModel, from_: Pose, to: Pose, step: int) -> Ends:
    """Make a move that is seen in the time of one that is not: shaped, or straight where that can't be had."""
    straight = direct(head, from_, to, step)
    curved = shaped(head, straight.likely - head.settle.base_seconds)
    return Ends(curved.least - 2.0, curved.likely, max(straight.most, curved.most) + 1.0, vague=True)


def _with_the_rest(likely: float, less: float, more: float, *rest: tuple[float, float]) -> Ends:
    for seconds, deviation in rest:
        shorter, longer = _off(seconds, deviation)
        likely, less, more = likely + seconds, hypot(less, shorter), hypot(more, longer)
    return Ends(likely - less, likely, likely + more)


def _off(seconds: float, deviation: float) -> tuple[float, float]:
    factor = exp(DEVIATIONS * deviation)
    return seconds - seconds / factor, seconds * factor - seconds


def _axis(head: HeadModel, axis: str, way: float, speed: float) -> tuple[float, float, float]:
    acceleration = (head.pan if axis == "pan" else head.tilt).acceleration_deg_per_s2
    seconds, peak = run(way, speed, acceleration)
    still = swing(head, peak)
    by_speed = exp(DEVIATIONS * head.spread.speed)
    by_acceleration = exp(DEVIATIONS * head.spread.acceleration)
    shorter, longer = _off(still, head.spread.settling)
    less = hypot(
        seconds - run(way, speed * by_speed, acceleration)[0],
        seconds - run(way, speed, acceleration * by_acceleration)[0],
        shorter,
    )
    more = hypot(
        run(way, speed / by_speed, acceleration)[0] - seconds,
        run(way, speed, acceleration / by_acceleration)[0] - seconds,
        longer,
    )
    return seconds + still - less, seconds + still, seconds + still + more


def _speeds(head: HeadModel, ways: list[float], step: int) -> list[tuple[str, float, float]]:
    """The axes that move and how fast: the one that takes longer at the speed asked for, the other to end with it."""
    pan, tilt = head.pan, head.tilt
    pans = pan.steps_deg_per_s[: min(step, len(pan.steps_deg_per_s))]
    tilts = [speed for speed in tilt.steps_deg_per_s if speed <= pans[-1]] or list(tilt.steps_deg_per_s[:1])
    if not ways[0] or not ways[1]:
        return [each for each in (("pan", ways[0], pans[-1]), ("tilt", ways[1], tilts[-1])) if each[1]]
    pan_seconds = run(ways[0], pans[-1], pan.acceleration_deg_per_s2)[0]
    tilt_seconds = run(ways[1], tilts[-1], tilt.acceleration_deg_per_s2)[0]
    if pan_seconds > tilt_seconds:
        together = _together(ways[1], tilts, tilt.acceleration_deg_per_s2, pan_seconds)
        return [("pan", ways[0], pans[-1]), ("tilt", ways[1], together)]
    together = _together(ways[0], list(pans), pan.acceleration_deg_per_s2, tilt_seconds)
    return [("pan", ways[0], together), ("tilt", ways[1], tilts[-1])]


def _together(way: float, speeds: list[float], acceleration: float, wanted: float) -> float:
    # One that has not even run the way by then is not the one.
    fast = [speed for speed in speeds if way / speed <= wanted + 0.1 or speed == speeds[-1]]
    ends = [(run(way, speed, acceleration)[0], speed) for speed in fast]
    slower = [(abs(seconds - wanted), -speed) for seconds, speed in ends[:-1] if seconds <= wanted + 0.05]
    return -min([*slower, (abs(ends[-1][0] - wanted), -ends[-1][1])])[1]


@dataclass
class Order:
    """A move that was sent, or would have been."""

    camera: str
    cue: int
    move: CueMove
    at: int  # the tick at which it leaves
    ends: Ends
    pose: Pose
    known: bool  # where it comes from
    made: bool = True
    instead: str | None = None  # what is told of it, and nothing else
    leaving: str | None = None  # what is wrong as it leaves
    due: str | None = None  # what is wrong when it must stand still
    overdue: bool = False
    unsure: bool = False  # whether that is so
    was_seen: bool = False

    @property
    def told(self) -> list[str]:
        """All that is told of it."""
        return [told for told in ((self.instead,) if self.instead else (self.leaving, self.due)) if told]

    def under_way(self, tick: int) -> Literal["no", "perhaps", "yes"]:
        """Whether it has settled by a tick, late as it may be, or early."""
        if self.ends.most <= (tick - self.at) * TICK + 1e-6:
            return "no"
        return "perhaps" if self.ends.least <= (tick - self.at) * TICK + 1e-6 else "yes"

    def blurred(self, tick: int) -> bool:
        """Whether steps of this length can't tell that."""
        gone = (tick - self.at) * TICK
        ends = self.ends
        if ends.vague:
            return ends.least - ends.blur <= gone <= ends.most + ends.blur
        return any(abs(end - gone) <= ends.blur for end in (ends.least, ends.most) if end > 0.0)


@dataclass
class Standing:
    """A camera, as it stands."""

    position: str | None
    pose: Pose | None  # None: nobody knows
    orders: list[Order] = field(default_factory=list)
    swept_until: int = -1
    swept_in: int = -1


class Reckoning:
    """One evening, let pass tick by tick.

    `told` is what is wrong, `blurred` the cameras and cues in which that can't be told.
    """

    def __init__(self, show: ShowFile, cameras: Mapping[str, RehearsedCamera]) -> None:
        self.show = show
        self.cameras = cameras
        self.on_air = show.show.on_air
        self.orders: list[Order] = []
        self.blurred: set[tuple[str, float]] = set()
        self._told: list[Told] = []
        starts = show.show.start
        names = {move.camera for cue in show.cue for move in cue.move} | {n for c in show.cue for n in c.switch_on}
        self.stands = {
            name: Standing(starts.get(name), self.pose(name, starts[name]) if name in starts else None)
            for name in names | starts.keys()
        }
        self._ticks = _cue_ticks(show)
        self._waiting: dict[int, list[tuple[int, CueMove]]] = {}  # by the tick at which they leave
        self._deadlines: dict[int, list[Order]] = {}
        self._pass()

    @property
    def told(self) -> Counter[Told]:
        """What is wrong, and how often: a cue may move a camera twice, and each may be wrong."""
        cues = self.show.cue
        orders = [(kind, order.camera, cues[order.cue].number) for order in self.orders for kind in order.told]
        locked = {("locked", order.camera, -1.0) for order in self.orders if self.cameras[order.camera].locks}
        return Counter([*self._told, *orders, *locked])

    def _pass(self) -> None:
        self._standby(0, 0)
        coming = 0
        for tick in range(self._ticks[-1] + 10_000):
            self._latest(tick)
            while coming < len(self._ticks) and self._ticks[coming] == tick:
                self._cue(coming, tick)
                coming += 1
            self._leave_now(tick)

    def _cue(self, index: int, tick: int) -> None:
        cue = self.show.cue[index]
        taken = None
        if cue.take is not None and cue.take != self.on_air:
            taken = self.on_air = cue.take
            standing = self.stands.get(taken)
            if standing is not None and standing.swept_in < index and tick < standing.swept_until:
                self._told.append(("start-up-sweep", taken, cue.number))
        for order in self.orders:
            mine = not order.move.on_air and order.cue == index
            last = order is self.stands[order.camera].orders[-1]
            if order.camera == taken and (mine or (order.move.on_air and last and order.cue < index)):
                self._must_stand(order, tick, "taken-unsettled")
            elif mine:
                self._must_stand(order, tick, "late")
            if mine and order.instead == "still-on-air":
                order.made = self.on_air != order.camera
                if order.made:
                    self._arrive(order)
            if order.camera == self.on_air and index >= order.cue:
                order.was_seen = True
        for camera in cue.switch_on:
            self._switch_on(camera, index, tick)
        for move in cue.move:
            if move.on_air:
                self._waiting.setdefault(tick + round((move.earliest or 0.0) / TICK), []).append((index, move))
        self._leave_now(tick)
        if index + 1 < len(self.show.cue):
            self._standby(index + 1, tick)

    def _standby(self, index: int, tick: int) -> None:
        gap = self._ticks[index] - tick
        for move in self.show.cue[index].move:
            if not move.on_air:
                delay = 0 if move.earliest is None else max(0, gap + round(move.earliest / TICK))
                self._waiting.setdefault(tick + delay, []).append((index, move))
        self._leave_now(tick)

    def _leave_now(self, tick: int) -> None:
        for index, move in self._waiting.pop(tick, ()):
            self._leave(tick, index, move)

    def _leave(self, tick: int, index: int, move: CueMove) -> None:
        camera, standing = move.camera, self.stands[move.camera]
        settings = self.cameras[camera].settings
        to = self.pose(camera, move.position)
        is_seen = self.on_air == camera
        last = standing.orders[-1] if standing.orders else None
        here = standing.pose or _farthest(settings, to)
        known = standing.pose is not None
        out = not settings.dialect.pan.least_counts <= to[0] * 51.2 <= settings.dialect.pan.most_counts
        there = not move.on_air and standing.position == move.position
        if there and last is not None and last.made:
            if last.blurred(tick):
                self._blur(camera, index, since=True)
            there = last.under_way(tick) == "no"
        if there:
            ends = Ends(0.0, 0.0, 0.0)
        elif is_seen and move.on_air and move.seconds is not None:
            ends = shaped(settings.head, move.seconds)
        elif is_seen and move.on_air:
            ends = seen(settings.head, here, to, move.speed or settings.on_air_speed)
        elif move.seconds is not None:
            ends = in_seconds(settings.head, here, to, move.seconds)
        else:
            usual = settings.on_air_speed if is_seen else settings.speed
            ends = direct(settings.head, here, to, move.speed or usual)
        if not known:
            ends = Ends(0.0, ends.likely, ends.most, ends.blur, ends.vague)
        order = Order(camera, index, move, tick, ends, to, known)
        before = next((each for each in reversed(standing.orders) if each.made), None)
        standing.orders.append(order)
        if move.latest:
            self._deadlines.setdefault(self._ticks[index] + round(move.latest / TICK), []).append(order)
        self.orders.append(order)
        if out:
            self._not_made(order, "out-of-reach")
        elif tick < standing.swept_until:
            self._not_made(order, "start-up-sweep")
        elif there:
            self._arrive(order)
        elif is_seen and not move.on_air:
            order.instead = "still-on-air"  # it leaves when the camera is off air, unless its own cue's picture is its
        elif is_seen and settings.on_air_moves == "refuse":
            self._not_made(order, "refused-on-air")
        else:
            if before is not None:
                self._follow(before, order, tick)
            self._arrive(order)
        order.was_seen = is_seen and move.on_air

    def _follow(self, before: Order, order: Order, tick: int) -> None:
        """One order after another of the same camera."""
        if before.unsure or (not before.overdue and before.blurred(tick)):
            self._blur(order.camera, order.cue)
        under_way = before.under_way(tick)
        if under_way != "no" and not before.overdue:
            order.leaving = "overlap" if under_way == "yes" else "tight"
        elif before.move.position != order.move.position and not before.move.spare and not before.was_seen:
            order.leaving = "wanted-twice"

    def _latest(self, tick: int) -> None:
        for order in self._deadlines.get(tick, ()):
            last = order is self.stands[order.camera].orders[-1]
            if last or not order.move.on_air:
                self._must_stand(order, tick, "late")

    def _must_stand(self, order: Order, tick: int, kind: str) -> None:
        if order.blurred(tick):
            self._blur(order.camera, order.cue)
            order.unsure = True
        under_way = order.under_way(tick)
        if under_way == "no":
            return
        if not order.overdue or kind == "taken-unsettled":
            order.due = kind if under_way == "yes" else "tight"
        order.overdue = True

    def _switch_on(self, camera: str, index: int, tick: int) -> None:
        self._told.append(("start-up-sweep", camera, self.show.cue[index].number))
        standing = self.stands[camera]
        for order, after in zip(standing.orders, [*standing.orders[1:], None], strict=False):
            if order.instead == "out-of-reach" or not order.ends.most:
                continue
            if after is not None and after.instead is None:
                continue  # it was sent on
            if after is not None and after.instead != "still-on-air" and order.under_way(tick) != "no":
                self._blur(camera, order.cue, since=True)
            if order.blurred(tick):
                self._blur(camera, order.cue, since=True)
            if order.under_way(tick) != "no":
                self._not_made(order, "start-up-sweep")
        standing.swept_until, standing.swept_in = tick + SWEEP_TICKS, index
        standing.position, standing.pose = None, (0.0, 0.0, 0.0)

    def _not_made(self, order: Order, kind: str) -> None:
        order.made, order.instead = False, kind

    def _arrive(self, order: Order) -> None:
        standing = self.stands[order.camera]
        standing.position, standing.pose = order.move.position, order.pose

    def _blur(self, camera: str, index: int, *, since: bool = False) -> None:
        """Nobody can tell what is wrong with a camera in a cue, nor, `since` what follows hangs on it, ever after."""
        for cue in self.show.cue[index:] if since else self.show.cue[index : index + 1]:
            self.blurred.add((camera, cue.number))

    def pose(self, camera: str, position: str) -> Pose:
        """Return where a position points."""
        framing = self.cameras[camera].positions[position].framing
        return framing.pan_counts / 51.2, framing.tilt_counts / 51.2, float(framing.zoom_counts)


def _farthest(settings: CameraSettings, to: Pose) -> Pose:
    dialect = settings.dialect
    corners = (
        (dialect.pan.least_counts / 51.2, dialect.pan.most_counts / 51.2),
        (dialect.tilt.least_counts / 51.2, dialect.tilt.most_counts / 51.2),
        (float(dialect.zoom.wide_counts), float(dialect.zoom.tele_counts)),
    )
    pan, tilt, zoom = (max(ends, key=lambda end: abs(end - there)) for ends, there in zip(corners, to, strict=True))
    return pan, tilt, zoom


def _cue_ticks(show: ShowFile) -> list[int]:
    ticks: list[int] = []
    for cue in show.cue:
        ticks.append(_tick(cue, ticks[-1] if ticks else 0))
    return ticks


def _tick(cue: Cue, before: int) -> int:
    if cue.at is not None:
        hours, minutes, seconds = cue.at.split(":")
        return round((int(hours) * 3600 + int(minutes) * 60 + float(seconds)) / TICK)
    return before + round((cue.after or cue.expected or 0.0) / TICK)
