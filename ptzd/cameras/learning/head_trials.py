"""Trials of pan and tilt: short trips, a way at every step, stops. The head is sent to positions, never driven."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence
from dataclasses import replace

from ptzd.motion import AxisModel, Reading, ShapeFit, fit_speed, steady
from ptzd.refusal import Refusal

from .measurements import Measurements, ShortTrip, StepTrip, Stop, ramp_of, steady_part
from .probe import READING_EVERY_SECONDS, TRIES, Probe
from .progress import Stages
from .trials import (
    AXES,
    BETWEEN_TRIALS_SECONDS,
    LOOK_STOP_SHARE,
    SLOW_DEG_PER_S,
    SLOW_PROBE_DEG_PER_S,
    SLOW_PROBE_READINGS,
    SLOW_PROBE_SECONDS,
    STOP_SHARES,
    WATCHED_SECONDS,
    Axis,
    roomy,
    step_way,
)
from .watches import HeadWatch

ENOUGH_READINGS = 9  # of steady travel, for a speed
SLOWEST_SHARE = 0.05  # of the usual speed: no slow mode is taken to be slower
PROBE_ENDS_SHARE = 0.15  # of the first way in slow mode, on either side, that may be ramps
LEAST_ABOUT_DEG_PER_S2, MOST_ABOUT_DEG_PER_S2 = 20.0, 400.0  # no head is far beyond (common practice)
UNEVEN_SHARE = 0.3  # of the time that an answer takes, between two readings of a swing on the average
VISIBLE_COUNTS = 2  # a stop whose readings stay nearer than this shows no swing


class HeadTrials:
    """What is tried of pan and tilt; `measured` takes in what it brings."""

    def __init__(self, probe: Probe, measured: Measurements, stages: Stages, rng: random.Random) -> None:
        self._probe = probe
        self._measured = measured
        self._stages = stages
        self._rng = rng
        self._last: tuple[float, float, float] | None = None  # degrees, speed and seconds of the last stop's way
        self._trips = measured.step_trips  # of the mode that is being measured
        self._loop = asyncio.get_running_loop()

    async def usual(self, short_trips: Sequence[tuple[Axis, int]]) -> None:
        """Measure accelerations, and each step."""
        for axis, travel in short_trips:
            await self._stages.begin()
            await self._short_trip(axis, travel)
        self._use_ramps()
        await self._every_step()

    async def in_slow_mode(self) -> None:
        """Measure each step while slow mode is on."""
        usual = self._probe.head
        share = await self._slow_share()
        self._measured.slow_share = share
        # How far to go at each step, as if all were slower by as much.
        self._probe.head = replace(usual, pan=_slower(usual.pan, share), tilt=_slower(usual.tilt, share))
        self._trips = self._measured.slow_trips
        await self._every_step()
        self._probe.head, self._trips = usual, self._measured.step_trips

    async def _every_step(self) -> None:
        for step in range(1, self._probe.fastest_step() + 1):
            await self._stages.begin()
            await self._step(step)

    async def _short_trip(self, axis: Axis, travel: int) -> None:
        degrees = travel / self._probe.rooms.of(axis).scale.counts_per_degree
        for _ in range(TRIES):
            order = await self._probe.go({axis: await self._probe.make_room(axis, travel)}, self._probe.steps(24))
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
            if order.seconds is not None:
                self._measured.short_trips[axis].append(ShortTrip(degrees, order.seconds))
                return

    def _use_ramps(self) -> None:
        """Plan what follows with the accelerations that the short trips tell."""
        head, trips = self._probe.head, self._measured.short_trips
        pan, tilt = (ramp_of(trips[axis], self._probe.axis(axis).steps_deg_per_s[-1]) for axis in AXES)
        self._probe.head = replace(
            head,
            pan=replace(head.pan, acceleration_deg_per_s2=pan.acceleration.value),
            tilt=replace(head.tilt, acceleration_deg_per_s2=tilt.acceleration.value),
        )

    async def _slow_share(self) -> float:
        """Return roughly how fast a step is in slow mode, as a share of its usual speed: no document tells."""
        model, room = self._probe.head.pan, self._probe.rooms.pan
        step = sum(speed <= SLOW_PROBE_DEG_PER_S for speed in model.steps_deg_per_s) or 1
        speed = model.speed_deg_per_s(step)
        seconds = max(SLOW_PROBE_SECONDS, SLOW_PROBE_READINGS * self._probe.reply_seconds)
        travel = room.travel(min(seconds * speed, 0.4 * room.deg))  # one side has room
        for _ in range(TRIES):
            begin = self._probe.at["pan"]
            target = room.target(begin, travel)
            assert target is not None
            watch = HeadWatch(self._probe, {"pan": target})
            order = await self._probe.go({"pan": target}, self._probe.steps(step), watch.look, SLOWEST_SHARE)
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
            per_degree = room.scale.counts_per_degree
            readings = [Reading(at - order.sent_at, (counts["pan"] - begin) / per_degree) for at, counts in watch.seen]
            distance = abs(target - begin) / per_degree
            if not readings or abs(abs(readings[-1].position) - distance) > 0.5 * distance:
                break
            middle = steady(readings, distance, PROBE_ENDS_SHARE * distance)
            if len(middle) > ENOUGH_READINGS:
                return min(fit_speed(middle).value / speed, 1.0)
        raise Refusal("not-learned", "the camera hardly moved in its slow mode; look at it and try again")

    async def _step(self, step: int) -> None:
        """Travel at a step, both axes together where both have room, since slow steps take their time."""
        together: list[Axis] = []
        for axis in AXES:
            model = self._probe.axis(axis)
            if step > model.fastest_step:
                continue
            speed, acceleration = model.speed_deg_per_s(step), model.acceleration_deg_per_s2
            if roomy(self._probe.rooms.of(axis), speed, acceleration, self._probe.reply_seconds):
                together.append(axis)
            else:
                await self._travel([axis], step)
        if together:
            await self._travel(together, step)

    async def _travel(self, axes: Sequence[Axis], step: int) -> None:
        travels: dict[Axis, int] = {}
        for axis in axes:
            model = self._probe.axis(axis)
            travels[axis] = step_way(
                self._probe.rooms.of(axis),
                model.speed_deg_per_s(step),
                model.acceleration_deg_per_s2,
                self._probe.reply_seconds,
            )
        for _ in range(TRIES):
            targets = {axis: await self._probe.make_room(axis, travel) for axis, travel in travels.items()}
            if self._probe.head.pan.speed_deg_per_s(min(step, self._probe.head.pan.fastest_step)) < SLOW_DEG_PER_S:
                await self._probe.quiet()
            begins = dict(self._probe.at)
            watch = HeadWatch(self._probe, targets)
            order = await self._probe.go(targets, self._probe.steps(step), watch.look)
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
            for axis in axes:
                per_degree = self._probe.rooms.of(axis).scale.counts_per_degree
                readings = [
                    Reading(at - order.sent_at, (counts[axis] - begins[axis]) / per_degree) for at, counts in watch.seen
                ]
                distance = abs(targets[axis] - begins[axis]) / per_degree
                seconds = order.seconds if len(axes) == 1 else None
                trip = StepTrip(distance, seconds, readings)
                if self._steady_readings(axis, step, trip) >= self._steady_readings(axis, step):
                    self._trips[axis][step] = trip
            if all(self._told(axis, step) for axis in axes):
                break

    def _told(self, axis: Axis, step: int) -> bool:
        """Whether the way at a step was read often enough, or else timed."""
        timed = self._trips[axis][step].seconds is not None
        return timed or self._steady_readings(axis, step) > ENOUGH_READINGS

    def _steady_readings(self, axis: Axis, step: int, trip: StepTrip | None = None) -> int:
        """How many readings of steady travel there are in a way, or in the best one at this step so far."""
        trip = trip or self._trips[axis].get(step)
        if trip is None:
            return 0
        model, per_degree = self._probe.axis(axis), self._probe.rooms.of(axis).scale.counts_per_degree
        shape = ShapeFit(model.acceleration_deg_per_s2, None, 0.0)
        return len(steady_part(trip, model.speed_deg_per_s(step), shape, per_degree))

    async def stops(self) -> None:
        """Stop either axis from ever slower speeds, as long as the camera is seen to swing."""
        for axis in AXES:
            swinging = True
            for share in STOP_SHARES:
                seen = False
                for _ in range(2):
                    await self._stages.begin()
                    if swinging:
                        seen = await self._stop(axis, share) > 0.0 or seen
                swinging = seen

    async def look(self) -> dict[Axis, float]:
        """Stop either axis once from a moderate speed; return for how long it was seen to swing.

        What follows is planned with about the accelerations that this took.
        """
        swings: dict[Axis, float] = {}
        for axis in AXES:
            swings[axis] = await self._stop(axis, LOOK_STOP_SHARE)
            if self._last is not None and (acceleration := _about(*self._last)) is not None:
                head, model = self._probe.head, replace(self._probe.axis(axis), acceleration_deg_per_s2=acceleration)
                self._probe.head = replace(head, pan=model) if axis == "pan" else replace(head, tilt=model)
        return swings

    async def _stop(self, axis: Axis, share: float) -> float:
        """Return for how long a swing was to be seen after a stop from that share of the fastest speed."""
        model, room = self._probe.axis(axis), self._probe.rooms.of(axis)
        wanted = share * min(model.steps_deg_per_s[-1], (0.9 * room.deg * model.acceleration_deg_per_s2) ** 0.5)
        step = sum(speed <= 1.001 * wanted for speed in model.steps_deg_per_s) or 1
        speed = model.speed_deg_per_s(step)
        travel = room.travel(1.1 * speed * speed / model.acceleration_deg_per_s2 + 0.3 * speed)
        for _ in range(TRIES):
            target = await self._probe.make_room(axis, travel)
            order = await self._probe.go({axis: target}, self._probe.steps(step))
            if order.seconds is not None:
                break
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
        self._last = None
        if order.seconds is not None and order.acknowledged_seconds is not None:
            # It was heard late, and told late.
            seconds = order.seconds - 2.0 * order.acknowledged_seconds
            self._last = travel / room.scale.counts_per_degree, speed, seconds
        readings: list[Reading] = []
        began_at = self._loop.time()
        until = self._loop.time() + WATCHED_SECONDS
        while (now := self._loop.time()) < until:
            at, counts = await self._probe.read_head()
            readings.append(Reading(at - order.sent_at, counts[axis] - target))
            if now > until - 0.7 * WATCHED_SECONDS and not any(
                abs(each.position) >= VISIBLE_COUNTS for each in readings
            ):
                return 0.0
            # Readings that a late camera gives at even intervals could be those of a faster swing as well.
            uneven = self._rng.uniform(0.0, 2.0)
            await asyncio.sleep(uneven * max(0.6 * READING_EVERY_SECONDS, UNEVEN_SHARE * self._probe.reply_seconds))
        if order.seconds is not None and (heard := order.acknowledged_seconds) is not None:
            self._measured.stops.append(Stop(axis, travel / room.scale.counts_per_degree, step, heard, readings))
        swung = [each.seconds for each in readings if abs(each.position) >= VISIBLE_COUNTS]
        return max(swung) + order.sent_at - began_at if swung else 0.0


def _about(deg: float, speed: float, seconds: float) -> float | None:
    """Return roughly the acceleration with which a way took so long; None where that can't be told."""
    if seconds <= deg / speed:
        return None
    reached = speed / (seconds - deg / speed)
    acceleration = reached if speed * speed <= reached * deg else 4.0 * deg / seconds**2
    return min(max(acceleration, LEAST_ABOUT_DEG_PER_S2), MOST_ABOUT_DEG_PER_S2)


def _slower(axis: AxisModel, share: float) -> AxisModel:
    return replace(axis, steps_deg_per_s=tuple(share * speed for speed in axis.steps_deg_per_s))
