"""One axis of a head or lens, as a motor moves it: it speeds up, holds its top speed and slows down.

A motion is a handful of legs, laid out once when the axis is told where to go. Where it is at a given moment is
computed when somebody asks, so an axis that nobody asks about costs nothing. A motor may brake otherwise than it
starts, and its ramps may be S-shaped: then speed follows 3τ² − 2τ³ over a ramp, as long and as far as over a straight
one. Positions are in the axis's own unit (degrees or counts), times in seconds, speeds in units per second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class _Leg:
    """From `begins_at` on, until the next leg."""

    begins_at: float
    position: float
    velocity: float
    acceleration: float  # on the average of the leg
    s_seconds: float = 0.0  # how long it lasts, if it is an S-shaped ramp

    def after(self, seconds: float) -> tuple[float, float]:
        """Position and velocity so long after its beginning."""
        if not self.s_seconds:
            gained = self.acceleration * seconds
            return self.position + seconds * (self.velocity + gained / 2), self.velocity + gained
        share = min(seconds / self.s_seconds, 1.0)
        gains = self.acceleration * self.s_seconds
        way = gains * self.s_seconds * (share**3 - share**4 / 2)
        return (
            self.position + self.velocity * seconds + way,
            self.velocity + gains * (3 * share**2 - 2 * share**3),
        )


@dataclass(frozen=True, slots=True)
class Stop:
    """How an axis came to rest: the last thing it did was to slow down from `speed`, at `deceleration`."""

    at: float
    direction: int  # 1 or -1
    speed: float
    deceleration: float


class Axis:
    """A motor between two ends. Whatever it is told, it never passes an end and never jumps in speed."""

    def __init__(
        self,
        position: float,
        least: float,
        most: float,
        acceleration: float,
        *,
        braking: float = 1.0,
        s_ramps: bool = False,
    ) -> None:
        """`least` and `most` are the ends, `acceleration` is in units per second squared, above 0.

        All three may be set later. A new acceleration holds from the next rest on: a motor that was promised a
        quick stop must not find out before the end that it has become a slow one. `braking` is how much of the
        acceleration it slows down at.
        """
        self._braking = braking
        self._s_ramps = s_ramps
        self.least = least
        self.most = most
        self.acceleration = acceleration
        self._running_acceleration = acceleration
        self._legs: list[_Leg] = [_Leg(0.0, position, 0.0, 0.0)]
        self._stopping = False
        self._stop: Stop | None = None
        self._earlier_stop: Stop | None = None  # the last one that came to pass before the present motion

    @property
    def ends_at(self) -> float:
        """When the axis is at rest, if nobody tells it otherwise."""
        return self._legs[-1].begins_at

    def moving(self, now: float) -> bool:
        """Whether the motor turns."""
        return now < self.ends_at

    def position(self, now: float) -> float:
        """Where the axis is."""
        leg = self._leg(now)
        return leg.after(max(0.0, now - leg.begins_at))[0]

    def velocity(self, now: float) -> float:
        """How fast it goes, and which way: upwards is positive."""
        leg = self._leg(now)
        return leg.after(max(0.0, now - leg.begins_at))[1]

    def direction(self, now: float) -> int:
        """Which way it goes or, at rest, went last: 1 or -1."""
        velocity = self.velocity(now)
        if velocity:
            return 1 if velocity > 0 else -1
        stop = self.last_stop(now)
        return 1 if stop is None else stop.direction

    def last_stop(self, now: float) -> Stop | None:
        """The latest coming to rest that has come to pass; None if it never moved."""
        if self._stop is not None and self._stop.at <= now:
            return self._stop
        return self._earlier_stop

    def place(self, position: float) -> None:
        """Be at rest at `position`, as if it had always been there."""
        self._legs = [_Leg(0.0, position, 0.0, 0.0)]
        self._stop = self._earlier_stop = None

    def go(self, now: float, target: float, top_speed: float) -> None:
        """Go to `target` from whatever it does now; a target beyond an end means that end."""
        self.visit(now, [(target, top_speed)])

    def visit(self, now: float, stops: Sequence[tuple[float, float]]) -> None:
        """Go to each target in turn at its own top speed, coming to rest at each."""
        position, velocity, at = self._interrupt(now)
        legs: list[_Leg] = []
        for target, top_speed in stops:
            target = min(max(target, self.least), self.most)
            legs += self._laid_out(at, position, velocity, target, top_speed)
            position, velocity, at = target, 0.0, legs[-1].begins_at
        self._take(legs)

    def seconds_to_brake(self, now: float) -> float:
        """How long it takes to be at rest from what it does now."""
        return abs(self.velocity(now)) / self._running_deceleration

    def stop_and_go(self, now: float, rests_until: float, target: float, top_speed: float) -> None:
        """Slow down at once, stand until `rests_until` (loop time, no earlier than it can be at rest), then go."""
        self.stop(now)
        way_to_rest, rest = self._legs[:-1], self._legs[-1]
        target = min(max(target, self.least), self.most)
        onward = self._laid_out(max(rests_until, rest.begins_at), rest.position, 0.0, target, top_speed)
        self._take([*way_to_rest, rest, *onward])

    def stop(self, now: float) -> None:
        """Slow down at once, and be at rest as soon as the motor can; told once more meanwhile, go on with that."""
        if self._stopping and self.moving(now):
            return
        position, velocity, at = self._interrupt(now)
        deceleration = self._running_deceleration
        seconds = abs(velocity) / deceleration
        rest = _Leg(at + seconds, position + velocity * seconds / 2, 0.0, 0.0)
        slowing = self._ramp(at, position, velocity, -math.copysign(deceleration, velocity), seconds)
        self._take([slowing, rest] if velocity else [rest])
        self._stopping = True

    def _interrupt(self, now: float) -> tuple[float, float, float]:
        """Close the books on the motion so far; return where it was, how fast it went, and when."""
        if not self.moving(now):
            self._running_acceleration = self.acceleration
        self._earlier_stop = self.last_stop(now)
        return self.position(now), self.velocity(now), now

    def _take(self, legs: list[_Leg]) -> None:
        self._stopping = False
        self._legs = legs
        self._stop = None
        if len(legs) > 1:
            last = legs[-2]
            way = 1 if last.velocity > 0 else -1
            self._stop = Stop(legs[-1].begins_at, way, abs(last.velocity), self._running_deceleration)

    def _leg(self, now: float) -> _Leg:
        current = self._legs[0]
        for leg in self._legs[1:]:
            if leg.begins_at > now:
                break
            current = leg
        return current

    @property
    def _running_deceleration(self) -> float:
        return self._braking * self._running_acceleration

    def _ramp(self, at: float, position: float, velocity: float, acceleration: float, seconds: float) -> _Leg:
        return _Leg(at, position, velocity, acceleration, seconds if self._s_ramps and acceleration else 0.0)

    def _laid_out(self, at: float, position: float, velocity: float, target: float, top_speed: float) -> list[_Leg]:
        """The quickest way to rest at `target`: change speed, cruise, slow down; the last leg is the rest itself."""
        starting, braking = self._running_acceleration, self._running_deceleration
        distance = target - position
        # Seen in the direction in which it must cruise: backwards if it goes too fast to stop before the target.
        way = math.copysign(1.0, distance - velocity * abs(velocity) / (2 * braking))
        distance *= way
        speed = velocity * way
        backwards = max(0.0, -speed)  # such a one has to brake first; that is a ramp of its own
        distance += backwards * backwards / (2 * braking)
        speed = max(0.0, speed)
        mean = 2 * starting * braking / (starting + braking)
        peak = min(math.sqrt(max(0.0, mean * (distance + speed * speed / (2 * starting)))), top_speed)
        if speed > top_speed:  # told to go slower than it does
            cruise = distance - speed * speed / (2 * braking)
        else:
            cruise = distance - (peak * peak - speed * speed) / (2 * starting) - peak * peak / (2 * braking)
        change = starting if peak > speed else -braking
        phases = (
            (backwards / braking, -backwards, braking),
            (abs(peak - speed) / abs(change), speed, change),
            (max(0.0, cruise) / peak if peak else 0.0, peak, 0.0),
            (peak / braking, peak, -braking),
        )
        legs: list[_Leg] = []
        for seconds, begins_with, gains in phases:
            if seconds > 1e-12:
                legs.append(self._ramp(at, position, way * begins_with, way * gains, seconds))
                position += way * seconds * (begins_with + gains * seconds / 2)
                at += seconds
        legs.append(_Leg(at, target, 0.0, 0.0))
        return legs


def sweep_speed(distance: float, stops: int, seconds: float, acceleration: float) -> float:
    """The top speed at which `distance` with `stops` halts takes `seconds`; the quickest if that can't be done."""
    # From distance / v + stops · v / acceleration = seconds, each stretch being long enough to reach v.
    spare = seconds * seconds - 4 * stops * distance / acceleration
    if spare <= 0:
        return math.sqrt(acceleration * distance / stops)
    return acceleration / (2 * stops) * (seconds - math.sqrt(spare))
