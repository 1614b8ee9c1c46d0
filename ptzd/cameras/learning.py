"""Learning a head: measuring, over the protocol alone, how it moves.

Theory of operation. A series of trials, each one order with its report of the end or with positions read on the way:
short trips tell acceleration and delay, longer ones at each step its speed, stops from several speeds the swing of the
mount, then zoom and focus the same. Where the head has a slow mode, its steps are measured in that, too. What a loss on
the network spoiled is tried again. The figures are fitted when all trials are over, and every one comes with its
spread.

Pan and tilt are sent to positions inside the given range, never driven. However learning ends but well (cancelled, the
link lost, readings that make no sense), the head is told to halt, unless somebody else has taken the camera over: then
it does what that one says. Where learning ends well, the camera is brought back to where it stood. Slow mode is turned
off before anything else is measured; where learning breaks off, it is left to the owner of the switch to turn it off.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeVar

from ptzd.motion import (
    AxisModel,
    FitError,
    HeadModel,
    LearnedHead,
    Reading,
    fit_speed,
    published_head,
    seconds_for_axis,
    steady,
)
from ptzd.visca import (
    Command,
    Completed,
    Dialect,
    DigitalZoomOff,
    ErrorCode,
    FocusAuto,
    FocusDirect,
    FocusInquiry,
    FocusManual,
    FocusStop,
    Inquiry,
    Interrupted,
    PanTiltAbsolute,
    PanTiltPositionInquiry,
    PanTiltStop,
    Refused,
    Unanswered,
    ZoomDirect,
    ZoomInquiry,
    ZoomStop,
    ZoomTele,
    ZoomWide,
)

from .framing import landing
from .line import Ending, Exchange, InquiryRefused, Line, LineDown, PushedAside
from .measurements import Measurements, PanStop, Seeing, ShortTrip, StepTrip, learned_head, ramp_of, steady_part
from .reading import read_framing, read_settling
from .reports import Framing
from .slowmode import SlowModeRefused, SlowModeSwitch
from .trials import (
    AXES,
    BETWEEN_TRIALS_SECONDS,
    DRIVEN_SECONDS,
    FOCUS_SHARES,
    NUDGE_SHARE,
    NUDGES,
    SLOW_PROBE_DEG_PER_S,
    SLOW_PROBE_SECONDS,
    STOP_SHARES,
    WATCHED_SECONDS,
    ZOOM_SHARES,
    Axis,
    LearnLimits,
    LearnRefusal,
    Plan,
    Rooms,
    plan_trials,
    rooms_within,
    roomy,
    step_way,
)

T = TypeVar("T")
Look = Callable[[], Awaitable[bool]]  # read something while an order is carried out; True when no more is to be seen

HALT: tuple[Command, ...] = (PanTiltStop(), ZoomStop(), FocusStop())
HALT_SECONDS = 2.0
TAKEN_OVER = "interrupted", "somebody else gave this camera orders; learn it when nobody does"
READING_EVERY_SECONDS = 0.025  # where it is slow or at rest: about one a video frame
BETWEEN_READINGS_SECONDS = 0.007  # while it moves: a fast step is at its speed for a moment only
LOST_AFTER_SECONDS = 0.09  # an order acknowledged later than this was lost once, and nobody knows when it was heard
TRIES = 4
ASKS = 20  # how often a question that was pushed aside is asked again
LONGEST_LOOK_SECONDS = 3.0
RESTING_READINGS = 20  # where the head was sent, before a lost report of its end is waited for no longer
LENS_START_SECONDS = 0.3  # in which a driven lens is surely at its speed
SLOW_DEG_PER_S = 20.0
QUIET_SECONDS = 0.3
LONGEST_SWING_SECONDS = 8.0
ENOUGH_READINGS = 12  # of steady travel, for a speed
SLOWEST_SHARE = 0.05  # of the usual speed: no slow mode is taken to be slower
PROBE_ENDS_SHARE = 0.15  # of the first way in slow mode, on either side, that may be ramps
VISIBLE_COUNTS = 2  # a stop whose readings stay nearer than this shows no swing
BACK_SHARE = 0.3  # of the fastest speed, on the way back


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the learning has come."""

    done: int
    of: int
    doing: str
    seconds_left: float


@dataclass(slots=True)
class _Order:
    """One order and what came of it, in loop time."""

    sent_at: float
    begun_at: float | None = None
    ended_at: float | None = None  # None where the report of the end was lost

    @property
    def acknowledged_seconds(self) -> float | None:
        """From the order to its ACK, where both came through at once."""
        if self.begun_at is None or self.begun_at - self.sent_at > LOST_AFTER_SECONDS:
            return None
        return self.begun_at - self.sent_at

    @property
    def seconds(self) -> float | None:
        """From the order to the report of its end; None where something was lost on the way."""
        if self.ended_at is None or self.acknowledged_seconds is None:
            return None
        return self.ended_at - self.sent_at


def _nobody_listens(framing: Framing) -> None:
    pass


def estimate_seconds(dialect: Dialect, start: Framing, limits: LearnLimits) -> float:
    """Return about how long `learn` will take. Raises LearnRefusal as it would."""
    rooms = rooms_within(dialect, limits, start)
    return plan_trials(_published(dialect), dialect, rooms, random.Random(0)).seconds


async def learn(
    line: Line,
    dialect: Dialect,
    start: Framing,
    limits: LearnLimits,
    *,
    slow: SlowModeSwitch,
    seeing: Seeing,
    progress: Callable[[Progress], None],
    rng: random.Random,
    calendar: Callable[[], datetime],
    heard: Callable[[Framing], None] = _nobody_listens,
) -> LearnedHead:
    """Measure a head that stands at `start`, on a line that is up, and bring it back there.

    Nobody else may ask or order anything on the line meanwhile. `slow` is what is known of the slow mode; whatever way
    learning ends, it knows afterwards whether that may still be on. `progress` is told before each trial, `heard` of
    every position; both must return at once. Raises LearnRefusal before anything moves for a range that won't do; later
    where the camera refuses, falls silent or is moved by somebody else. Cancel the task to stop: the orders to halt
    leave in that very moment.
    """
    rooms = rooms_within(dialect, limits, start)
    published = _published(dialect)
    plan = plan_trials(published, dialect, rooms, rng)
    run = _Run(line, dialect, start, rooms, published, plan, slow, seeing, progress, heard)
    try:
        await run.all()
        return await learned_head(run.measured, dialect, published, seeing, calendar())
    except FitError as error:
        run.halt()
        raise LearnRefusal(
            "not-learned", f"the readings did not agree ({error}); let nobody else move the camera and try again"
        ) from None
    except BaseException:
        run.halt()
        raise


def _published(dialect: Dialect) -> HeadModel:
    return published_head(
        dialect.pan.steps_deg_per_s,
        dialect.tilt.steps_deg_per_s,
        shared_speed=dialect.absolute == "shared-speed",
    )


class _Run:
    """The trials of one learning."""

    def __init__(
        self,
        line: Line,
        dialect: Dialect,
        start: Framing,
        rooms: Rooms,
        published: HeadModel,
        plan: Plan,
        slow: SlowModeSwitch,
        seeing: Seeing,
        progress: Callable[[Progress], None],
        heard: Callable[[Framing], None],
    ) -> None:
        self.measured = Measurements()
        self._line = line
        self._dialect = dialect
        self._start = start
        self._rooms = rooms
        self._head = published
        self._plan = plan
        self._slow = slow
        self._trips = self.measured.step_trips  # of the mode that is being measured
        self._seeing = seeing
        self._progress = progress
        self._heard = heard
        self._interruptions = line.interruptions  # as long as there are no more, nobody has taken over
        self._loop = asyncio.get_running_loop()
        self._began_at = self._loop.time()
        self._done = 0
        # Where everything was last sent.
        self._at: dict[Axis, int] = {"pan": start.pan_counts, "tilt": start.tilt_counts}
        self._zoom_at = start.zoom_counts
        self._focus_at = start.focus_counts

    def halt(self) -> None:
        """Stop everything, unless the camera obeys somebody else by now."""
        if self._line.interruptions == self._interruptions:
            self._line.interrupt(HALT, HALT_SECONDS)

    async def all(self) -> None:
        """Do every trial, then go back."""
        await self._switch(self._slow.off)
        for axis, way in self._plan.short_trips:
            self._say()
            await self._short_trip(axis, way)
        self._use_ramps()
        for step in range(1, self._fastest_step() + 1):
            self._say()
            await self._step(step)
        await self._slow_steps()
        await self._stops()
        await self._lens()
        self._say()
        await self._go_back()
        self._say()

    def _say(self) -> None:
        """Tell that the next trial begins."""
        stages = self._plan.stages
        planned = sum(seconds for _, seconds in stages[: self._done])
        left = sum(seconds for _, seconds in stages[self._done :])
        if planned > 10.0:
            left *= min(3.0, max(0.3, (self._loop.time() - self._began_at) / planned))
        doing = stages[self._done][0] if self._done < len(stages) else "done"
        self._progress(Progress(self._done, len(stages), doing, round(left, 1)))
        self._done = min(self._done + 1, len(stages))

    # Slow mode

    async def _switch(self, turn: Callable[[], Awaitable[None]]) -> None:
        """Turn slow mode on or off, and know that it is."""
        try:
            await turn()
        except SlowModeRefused as refusal:
            raise LearnRefusal("refused", f"{refusal}; is the camera ready?") from None
        except LineDown:
            raise LearnRefusal("unreachable", "the camera stopped answering; it was told to halt") from None
        except PushedAside:
            raise LearnRefusal(*TAKEN_OVER) from None

    async def _slow_steps(self) -> None:
        """Measure the steps in slow mode, on a head that has one."""
        if not self._dialect.slow_mode:
            return
        if not self._slow.exists:  # its family has one, but it said that it knows none
            self._done += 1 + self._fastest_step()
            return
        self._say()
        await self._switch(self._slow.on)
        usual = self._head
        share = await self._slow_share()
        self.measured.slow_share = share
        # How far to go at each step, as if all were slower by as much.
        self._head = replace(usual, pan=_slower(usual.pan, share), tilt=_slower(usual.tilt, share))
        self._trips = self.measured.slow_trips
        for step in range(1, self._fastest_step() + 1):
            self._say()
            await self._step(step)
        self._head, self._trips = usual, self.measured.step_trips
        await self._switch(self._slow.off)

    async def _slow_share(self) -> float:
        """Return roughly how fast a step is in slow mode, as a share of its usual speed: no document tells."""
        model, room = self._head.pan, self._rooms.pan
        step = sum(speed <= SLOW_PROBE_DEG_PER_S for speed in model.steps_deg_per_s) or 1
        speed = model.speed_deg_per_s(step)
        way = room.way(min(SLOW_PROBE_SECONDS * speed, 0.4 * room.deg))  # there is room for it on one side at least
        for _ in range(TRIES):
            begin = self._at["pan"]
            target = room.target(begin, way)
            assert target is not None
            watch = _HeadWatch(self, {"pan": target})
            order = await self._go({"pan": target}, self._steps(step), watch.look, SLOWEST_SHARE)
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
            per_degree = room.scale.counts_per_degree
            readings = [Reading(at - order.sent_at, (counts["pan"] - begin) / per_degree) for at, counts in watch.seen]
            distance = abs(target - begin) / per_degree
            if not readings or abs(abs(readings[-1].position) - distance) > 0.5 * distance:
                break
            middle = steady(readings, distance, PROBE_ENDS_SHARE * distance)
            if len(middle) > ENOUGH_READINGS:
                return min(fit_speed(middle).value / speed, 1.0)
        raise LearnRefusal("not-learned", "the camera hardly moved in its slow mode; look at it and try again")

    def _fastest_step(self) -> int:
        return max(self._head.pan.fastest_step, self._head.tilt.fastest_step)

    # Asking and ordering

    async def _ask(self, inquiry: Inquiry[T]) -> T:
        return await self._patiently(lambda: self._line.ask(inquiry))

    async def _patiently(self, ask: Callable[[], Awaitable[T]]) -> T:
        for _ in range(ASKS):
            try:
                return await ask()
            except PushedAside:
                await asyncio.sleep(READING_EVERY_SECONDS)
            except LineDown:
                raise LearnRefusal("unreachable", "the camera stopped answering; it was told to halt") from None
            except InquiryRefused as refusal:
                raise LearnRefusal("not-understood", f"{refusal}; it can't be measured") from None
        raise LearnRefusal(*TAKEN_OVER)

    async def _order(self, command: Command, expected_seconds: float, look: Look | None = None) -> _Order:
        """Give an order now and wait for its end; `look` is called again and again until then, or until it is True."""
        order = _Order(self._loop.time())
        exchange = self._interrupt(command, 1.0 + 1.5 * expected_seconds)
        self._follow(exchange, order)
        while not exchange.ended.done():
            if look is None:
                await asyncio.wait([exchange.ended])
            elif await look():
                break
            else:
                await asyncio.wait([exchange.ended], timeout=BETWEEN_READINGS_SECONDS)
        await asyncio.sleep(0)  # those who follow have their turn
        if exchange.ended.done():
            _require_performed(exchange.ended.result())
        if order.acknowledged_seconds is not None:
            self.measured.acknowledged.append(order.acknowledged_seconds)
        return order

    def _interrupt(self, command: Command, completion_seconds: float) -> Exchange:
        if self._line.interruptions != self._interruptions:
            raise LearnRefusal(*TAKEN_OVER)
        (exchange,) = self._line.interrupt([command], completion_seconds)
        self._interruptions = self._line.interruptions
        return exchange

    def _follow(self, exchange: Exchange, order: _Order) -> None:
        def begun(future: asyncio.Future[None]) -> None:
            order.begun_at = self._loop.time()

        def ended(future: asyncio.Future[Ending]) -> None:
            if not future.cancelled() and isinstance(future.result(), Completed):
                order.ended_at = self._loop.time()

        exchange.begun.add_done_callback(begun)
        exchange.ended.add_done_callback(ended)

    # Pan and tilt

    async def _go(
        self, targets: dict[Axis, int], steps: dict[Axis, int], look: Look | None = None, slowest_share: float = 1.0
    ) -> _Order:
        """Go to targets; the head may be slower than its model by that share."""
        there: dict[Axis, int] = {**self._at, **targets}
        expected = max(self._seconds(axis, there[axis] - self._at[axis], steps[axis]) for axis in AXES)
        command = PanTiltAbsolute(there["pan"], there["tilt"], steps["pan"], steps["tilt"])
        self._at = there
        return await self._order(command, expected / slowest_share, look)

    def _axis(self, axis: Axis) -> AxisModel:
        return self._head.pan if axis == "pan" else self._head.tilt

    def _seconds(self, axis: Axis, counts: int, step: int) -> float:
        model, scale = self._axis(axis), self._rooms.of(axis).scale
        speed = model.speed_deg_per_s(step)
        return seconds_for_axis(counts / scale.counts_per_degree, speed, model.acceleration_deg_per_s2)

    def _steps(self, step: int) -> dict[Axis, int]:
        return {axis: min(step, self._axis(axis).fastest_step) for axis in AXES}

    async def _make_room(self, axis: Axis, way: int) -> int:
        """Return a target `way` counts from here; go to an end of the range first where there is none."""
        room = self._rooms.of(axis)
        target = room.target(self._at[axis], way)
        if target is None:
            await self._go({axis: room.nearer_end(self._at[axis])}, self._steps(24))
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
            target = room.target(self._at[axis], way)
        assert target is not None
        return target

    async def _short_trip(self, axis: Axis, way: int) -> None:
        degrees = way / self._rooms.of(axis).scale.counts_per_degree
        for _ in range(TRIES):
            order = await self._go({axis: await self._make_room(axis, way)}, self._steps(24))
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
            if order.seconds is not None:
                self.measured.short_trips[axis].append(ShortTrip(degrees, order.seconds))
                return

    def _use_ramps(self) -> None:
        """Plan what follows with the accelerations that the short trips tell."""
        pan, tilt = (ramp_of(self.measured.short_trips[axis], self._axis(axis).steps_deg_per_s[-1]) for axis in AXES)
        self._head = replace(
            self._head,
            pan=replace(self._head.pan, acceleration_deg_per_s2=pan.acceleration.value),
            tilt=replace(self._head.tilt, acceleration_deg_per_s2=tilt.acceleration.value),
        )

    async def _step(self, step: int) -> None:
        """Travel at a step, both axes together where both have room, since slow steps take their time."""
        together: list[Axis] = []
        for axis in AXES:
            model = self._axis(axis)
            if step > model.fastest_step:
                continue
            if roomy(self._rooms.of(axis), model.speed_deg_per_s(step), model.acceleration_deg_per_s2):
                together.append(axis)
            else:
                await self._travel([axis], step)
        if together:
            await self._travel(together, step)

    async def _travel(self, axes: Sequence[Axis], step: int) -> None:
        ways: dict[Axis, int] = {}
        for axis in axes:
            model = self._axis(axis)
            ways[axis] = step_way(self._rooms.of(axis), model.speed_deg_per_s(step), model.acceleration_deg_per_s2)
        for _ in range(TRIES):
            targets = {axis: await self._make_room(axis, way) for axis, way in ways.items()}
            if self._head.pan.speed_deg_per_s(min(step, self._head.pan.fastest_step)) < SLOW_DEG_PER_S:
                await self._quiet()
            begins = dict(self._at)
            watch = _HeadWatch(self, targets)
            order = await self._go(targets, self._steps(step), watch.look)
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
            for axis in axes:
                per_degree = self._rooms.of(axis).scale.counts_per_degree
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
        model, per_degree = self._axis(axis), self._rooms.of(axis).scale.counts_per_degree
        return len(steady_part(trip, model.speed_deg_per_s(step), model.acceleration_deg_per_s2, per_degree))

    async def _quiet(self) -> None:
        """Wait until the swing of the stop before is over: beside a slow way it would be seen as speed."""
        patience = self._loop.time() + LONGEST_SWING_SECONDS
        since = self._loop.time()
        while (now := self._loop.time()) < patience and now - since < QUIET_SECONDS:
            _, counts = await self.read_head()
            if any(abs(counts[axis] - self._at[axis]) > 1 for axis in AXES):
                since = self._loop.time()
            await asyncio.sleep(READING_EVERY_SECONDS)

    async def read_head(self) -> tuple[float, dict[Axis, int]]:
        """Return where the head is, and the loop time at which it was heard."""
        position = await self._ask(PanTiltPositionInquiry())
        mode = self._start.focus_mode
        self._heard(Framing(position.pan_counts, position.tilt_counts, self._zoom_at, self._focus_at, mode))
        return self._loop.time(), {"pan": position.pan_counts, "tilt": position.tilt_counts}

    async def _stops(self) -> None:
        """Stop from ever slower speeds, as long as the camera is seen to swing."""
        swinging = True
        for share in STOP_SHARES:
            seen = False
            for _ in range(2):
                self._say()
                if swinging:
                    seen = await self._stop(share) or seen
            swinging = seen

    async def _stop(self, share: float) -> bool:
        """Return whether a swing was to be seen after a stop from that share of the fastest speed."""
        model, room = self._head.pan, self._rooms.pan
        wanted = share * min(model.steps_deg_per_s[-1], (0.9 * room.deg * model.acceleration_deg_per_s2) ** 0.5)
        step = sum(speed <= 1.001 * wanted for speed in model.steps_deg_per_s) or 1
        speed = model.speed_deg_per_s(step)
        way = room.way(1.1 * speed * speed / model.acceleration_deg_per_s2 + 0.3 * speed)
        for _ in range(TRIES):
            target = await self._make_room("pan", way)
            order = await self._go({"pan": target}, self._steps(step))
            if order.seconds is not None:
                break
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
        readings: list[Reading] = []
        until = self._loop.time() + WATCHED_SECONDS
        while (now := self._loop.time()) < until:
            at, counts = await self.read_head()
            readings.append(Reading(at - order.sent_at, counts["pan"] - target))
            if now > until - 0.7 * WATCHED_SECONDS and not any(
                abs(each.position) >= VISIBLE_COUNTS for each in readings
            ):
                return False
            await asyncio.sleep(0.6 * READING_EVERY_SECONDS)
        if order.seconds is not None:
            self.measured.pan_stops.append(PanStop(way / room.scale.counts_per_degree, step, readings))
        return any(abs(each.position) >= VISIBLE_COUNTS for each in readings)

    # Zoom and focus

    async def _lens(self) -> None:
        for command in (DigitalZoomOff(), FocusManual()):
            exchange = self._line.perform(command, HALT_SECONDS)
            await exchange.ended
        self._focus_at = await self._ask(FocusInquiry())
        await self._quiet()
        zoom, focus = self._dialect.zoom, self._dialect.focus
        for share in (*ZOOM_SHARES, *ZOOM_SHARES):
            self._say()
            await self._zoom_trip(round(share * (zoom.tele_counts - zoom.wide_counts)))
        for _ in range(NUDGES):
            self._say()
            await self._nudge(round(NUDGE_SHARE * (zoom.tele_counts - zoom.wide_counts)))
        for speed in range(len(self._head.zoom.drive_counts_per_s)):
            self._say()
            await self._zoom_drive(speed)
        for share in (*FOCUS_SHARES, *FOCUS_SHARES):
            self._say()
            await self._focus_trip(round(share * (focus.most_counts - focus.least_counts)))

    async def _zoom_trip(self, way: int) -> None:
        least, most = self._dialect.zoom.wide_counts, self._dialect.zoom.tele_counts
        for _ in range(TRIES):
            target, farther = _ahead(self._zoom_at, way, least, most)
            if farther is not None:
                await self._zoom_to(farther)
            begin = self._zoom_at
            order = await self._observe(self._zoom_to(target))
            if order.seconds is not None:
                self.measured.zoom_trips.append((abs(target - begin), order.seconds))
                return

    async def _nudge(self, way: int) -> None:
        """Move the zoom a little, since a camera that moved a moment ago is read more often than one at rest."""
        target, _ = _ahead(self._zoom_at, way, self._dialect.zoom.wide_counts, self._dialect.zoom.tele_counts)
        await self._observe(self._zoom_to(target))

    async def _zoom_to(self, counts: int) -> _Order:
        seconds = abs(counts - self._zoom_at) / self._head.zoom.direct_counts_per_s
        order = await self._order(ZoomDirect(counts), 1.0 + 2.0 * seconds)
        self._zoom_at = counts
        return order

    async def _zoom_drive(self, speed: int) -> None:
        for _ in range(TRIES):
            self.measured.zoom_drives[speed] = readings = await self._driven_readings(speed)
            if len(readings) > ENOUGH_READINGS:
                return

    async def _driven_readings(self, speed: int) -> list[Reading]:
        """Drive the zoom for a moment, where there is more room; its ends are no danger to anybody."""
        zoom, begin = self._dialect.zoom, self._zoom_at
        to_tele = begin < 0.5 * (zoom.wide_counts + zoom.tele_counts)
        self._interrupt(ZoomTele(speed) if to_tele else ZoomWide(speed), HALT_SECONDS)
        until = self._loop.time() + DRIVEN_SECONDS
        moving_since: float | None = None
        readings: list[Reading] = []
        while self._loop.time() < until:
            counts = await self._ask(ZoomInquiry())
            now = self._loop.time()
            if moving_since is None and counts != begin:
                moving_since = now
            within = zoom.wide_counts < counts < zoom.tele_counts
            if moving_since is not None and now > moving_since + LENS_START_SECONDS and within:
                readings.append(Reading(now, counts))
            await asyncio.sleep(0.6 * READING_EVERY_SECONDS)
        await self._order(ZoomStop(), 0.5)
        await asyncio.sleep(LENS_START_SECONDS)
        self._zoom_at = await self._ask(ZoomInquiry())
        return readings

    async def _focus_trip(self, way: int) -> None:
        least, most = self._dialect.focus.least_counts, self._dialect.focus.most_counts
        for _ in range(TRIES):
            target, farther = _ahead(self._focus_at, way, least, most)
            if farther is not None:
                await self._focus_to(farther)
            begin = self._focus_at
            order = await self._observe(self._focus_to(target))
            if order.seconds is not None:
                self.measured.focus_trips.append((abs(target - begin), order.seconds))
                return

    async def _focus_to(self, counts: int) -> _Order:
        seconds = abs(counts - self._focus_at) / self._head.focus_counts_per_s
        order = await self._order(FocusDirect(counts), 1.0 + 2.0 * seconds)
        self._focus_at = counts
        return order

    async def _observe(self, order: Awaitable[_Order]) -> _Order:
        """Carry out an order of the lens and see that the camera is still, just as its moves are seen to have settled.

        There, too, the camera is read by two: by the move that wants to end, and by the watch that never does.
        """
        watch = _LensWatch(self._line, self._dialect, self._seeing)
        watching = asyncio.create_task(watch.run())
        try:
            done = await order
            wanted = Framing(self._at["pan"], self._at["tilt"], self._zoom_at, self._focus_at, "manual")
            began_at = read_at = self._loop.time()
            watch.expect(wanted)
            last: Framing | None = None
            while self._loop.time() < began_at + LONGEST_LOOK_SECONDS:
                surely = watch.seems_still(self._loop.time())
                known = last if last is not None and watch.lens_is_there(last) and not surely else None
                last = framing = await self._patiently(lambda known=known: read_settling(self._line, known))  # type: ignore[misc]
                self._heard(framing)
                now = self._loop.time()
                if read_at > began_at:
                    self.measured.between_readings.append(now - read_at)
                read_at = now
                watch.take(framing, now)
                if known is None and watch.seems_still(now):
                    self.measured.seen_still.append(now - began_at)
                    break
                await asyncio.sleep(self._seeing.pause_seconds)
            return done
        finally:
            watching.cancel()
            await asyncio.wait([watching])

    async def _go_back(self) -> None:
        start = self._start
        fastest = BACK_SHARE * self._head.pan.steps_deg_per_s[-1]
        step = sum(speed <= fastest for speed in self._head.pan.steps_deg_per_s) or 1
        for _ in range(TRIES):
            await self._go({"pan": start.pan_counts, "tilt": start.tilt_counts}, self._steps(step))
            _, counts = await self.read_head()
            if counts == {"pan": start.pan_counts, "tilt": start.tilt_counts}:
                break
        await self._zoom_to(start.zoom_counts)
        if start.focus_mode == "manual":
            await self._focus_to(start.focus_counts)
        else:
            await self._line.perform(FocusAuto(), HALT_SECONDS).ended


class _LensWatch:
    """Reads where the camera is, again and again, and knows since when it was where it was sent."""

    def __init__(self, line: Line, dialect: Dialect, seeing: Seeing) -> None:
        self._line = line
        self._dialect = dialect
        self._seeing = seeing
        self._wanted: Framing | None = None
        self._there_since: float | None = None

    def expect(self, wanted: Framing) -> None:
        """Say where it was sent; what was read before counts no more."""
        self._wanted = wanted
        self._there_since = None

    def take(self, framing: Framing, now: float) -> None:
        """Take a reading."""
        if self._wanted is None or not self._seeing.tolerance.holds(landing(self._dialect, framing, self._wanted)):
            self._there_since = None
        elif self._there_since is None:
            self._there_since = now

    def lens_is_there(self, framing: Framing) -> bool:
        """Whether zoom and focus are where they were sent."""
        if self._wanted is None:
            return False
        landed = replace(landing(self._dialect, framing, self._wanted), pan_counts=0, tilt_counts=0)
        return self._seeing.tolerance.holds(landed)

    def seems_still(self, now: float) -> bool:
        """Whether it has been where it was sent for long enough."""
        return self._there_since is not None and now - self._there_since >= self._seeing.still_seconds

    async def run(self) -> None:
        """Read until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                self.take(await read_framing(self._line, "manual"), loop.time())
            except (PushedAside, InquiryRefused):
                pass
            except LineDown:
                return  # whoever waits for the camera will find out
            await asyncio.sleep(self._seeing.watch_seconds)


class _HeadWatch:
    """Reads where the head is, until it has been where it was sent for long enough."""

    def __init__(self, run: _Run, targets: dict[Axis, int]) -> None:
        self.seen: list[tuple[float, dict[Axis, int]]] = []
        self._run = run
        self._targets = targets
        self._there = 0

    async def look(self) -> bool:
        at, counts = await self._run.read_head()
        self.seen.append((at, counts))
        there = all(abs(counts[axis] - target) <= 1 for axis, target in self._targets.items())
        self._there = self._there + 1 if there else 0
        return self._there > RESTING_READINGS


def _slower(axis: AxisModel, share: float) -> AxisModel:
    return replace(axis, steps_deg_per_s=tuple(share * speed for speed in axis.steps_deg_per_s))


def _ahead(here: int, way: int, least: int, most: int) -> tuple[int, int | None]:
    """Where to go so as to travel `way` within two ends, and the end to go to before that where there is no room."""
    if here + way <= most:
        return here + way, None
    if here - way >= least:
        return here - way, None
    return (most - way, most) if here > 0.5 * (least + most) else (least + way, least)


def _require_performed(ending: Ending) -> None:
    match ending:
        case Unanswered():
            raise LearnRefusal("unreachable", "the camera stopped answering; it was told to halt")
        case Interrupted() | Refused(code=ErrorCode.CANCELLED):
            raise LearnRefusal(*TAKEN_OVER)
        case Refused(code=code):
            raise LearnRefusal(
                "refused", f"the camera refused an order ({code.name.lower().replace('_', ' ')}); is it ready?"
            )
        case _:
            pass
