"""The camera under trial: asked patiently, ordered about, and left as soon as somebody else takes it over."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TypeVar

from ptzd.line import Ending, Exchange, Framing, InquiryRefused, Line, LineDown, PushedAside
from ptzd.motion import AxisModel, HeadModel, seconds_for_axis
from ptzd.refusal import Refusal
from ptzd.visca import (
    Command,
    Completed,
    ErrorCode,
    FocusStop,
    Inquiry,
    Interrupted,
    PanTiltAbsolute,
    PanTiltPositionInquiry,
    PanTiltStop,
    Refused,
    Unanswered,
    ZoomStop,
)

from .trials import (
    AXES,
    BETWEEN_TRIALS_SECONDS,
    LOOK_REPLIES,
    POWER_SECONDS,
    QUIET_SECONDS,
    REST_SECONDS,
    Axis,
    FirstLook,
    Rooms,
)

T = TypeVar("T")
Look = Callable[[], Awaitable[bool]]  # read something while an order is carried out; True when no more is to be seen

HALT: tuple[Command, ...] = (PanTiltStop(), ZoomStop(), FocusStop())
HALT_SECONDS = 2.0
TAKEN_OVER = "interrupted", "somebody else gave this camera orders; learn it when nobody does"
READING_EVERY_SECONDS = 0.025  # where it is slow or at rest: about one a video frame
BETWEEN_READINGS_SECONDS = 0.007  # while it moves: a fast step is at its speed for a moment only
LATE_SECONDS = 1.0  # an order that ends so much later than expected may have been ended by a switch
SOONEST_REPLY_SHARE = 0.5  # of the usual time of a reply: none comes sooner
TRIES = 4
ASKS = 20  # how often a question that was pushed aside is asked again
LONGEST_SWING_SECONDS = 8.0
LONGEST_REST_SECONDS = 12.0


@dataclass(slots=True)
class Order:
    """One order and what came of it, in loop time."""

    sent_at: float
    lost_after: float = 0.0  # seconds: one acknowledged later may have been lost, and nobody knows when it was heard
    begun_at: float | None = None
    ended_at: float | None = None  # None where the report of the end was lost

    @property
    def acknowledged_seconds(self) -> float | None:
        """From the order to its ACK, where both came through at once."""
        if self.begun_at is None or self.begun_at - self.sent_at >= self.lost_after:
            return None
        return self.begun_at - self.sent_at

    @property
    def seconds(self) -> float | None:
        """From the order to the report of its end; None where something was lost on the way."""
        if self.ended_at is None or self.acknowledged_seconds is None:
            return None
        return self.ended_at - self.sent_at


class Probe:
    """One camera that is being learned, where it was sent last, and what is known of its head so far."""

    def __init__(
        self,
        line: Line,
        start: Framing,
        rooms: Rooms,
        head: HeadModel,
        acknowledged: list[float],
        heard: Callable[[Framing], None],
        ask_power: Callable[[], Awaitable[None]],
    ) -> None:
        """`acknowledged` takes in how long each order took until its ACK, `heard` every position."""
        self.line = line
        self.head = head  # what the next trial is planned with
        self.rooms = rooms
        self.at: dict[Axis, int] = {"pan": start.pan_counts, "tilt": start.tilt_counts}
        self.reply_seconds = FirstLook().reply_seconds
        self.zoom_at = start.zoom_counts
        self.focus_at = start.focus_counts
        self._focus_mode = start.focus_mode
        self._acknowledged = acknowledged
        self.heard = heard
        self._interruptions = line.interruptions  # as long as there are no more, nobody has taken over
        self._loop = asyncio.get_running_loop()
        self._ask_power = ask_power
        self._asked_power_at = self._loop.time()

    async def look_whether_on(self, every_seconds: float = POWER_SECONDS) -> None:
        """Have the camera asked whether it is on, unless it was within so many seconds.

        Between trials, since the question holds readings up, and where a trial goes otherwise than expected.
        """
        if self._loop.time() - self._asked_power_at >= every_seconds:
            await self._ask_power()
            await asyncio.sleep(0)  # where it is not, this learning is cancelled
            self._asked_power_at = self._loop.time()

    async def time_replies(self) -> None:
        """Find out how long a question takes until the next one can be asked."""
        began_at = self._loop.time()
        for _ in range(LOOK_REPLIES):
            await self.read_head()
            await asyncio.sleep(BETWEEN_READINGS_SECONDS)
        self.reply_seconds = (self._loop.time() - began_at) / LOOK_REPLIES

    def halt(self) -> None:
        """Stop everything, unless the camera obeys somebody else by now."""
        if self.line.interruptions == self._interruptions:
            self.line.interrupt(HALT, HALT_SECONDS)

    async def ask(self, inquiry: Inquiry[T]) -> T:
        """Return what the camera answers. Raises Refusal where it does not."""
        return await self.patiently(lambda: self.line.ask(inquiry))

    async def patiently(self, ask: Callable[[], Awaitable[T]]) -> T:
        """Ask again what was pushed aside. Raises Refusal where that does not help."""
        for _ in range(ASKS):
            try:
                return await ask()
            except PushedAside:
                await asyncio.sleep(READING_EVERY_SECONDS)
            except LineDown:
                raise Refusal("unreachable", "the camera stopped answering; it was told to halt") from None
            except InquiryRefused as refusal:
                await self.look_whether_on(0.0)
                raise Refusal("not-understood", f"{refusal}; it can't be measured") from None
        raise Refusal(*TAKEN_OVER)

    async def order(self, command: Command, expected_seconds: float, look: Look | None = None) -> Order:
        """Give an order now and wait for its end; `look` is called again and again until then, or until it is True."""
        order = self.timed_order()
        exchange = self.interrupt(command, 1.0 + 1.5 * expected_seconds)
        self.follow(exchange, order)
        while not exchange.ended.done():
            if self._loop.time() > order.sent_at + expected_seconds + LATE_SECONDS:
                await self.look_whether_on(LATE_SECONDS)
            if look is None:
                await asyncio.wait([exchange.ended], timeout=LATE_SECONDS)
            elif await look():
                break
            else:
                await asyncio.wait([exchange.ended], timeout=BETWEEN_READINGS_SECONDS)
        await asyncio.sleep(0)  # those who follow have their turn
        if exchange.ended.done():
            if isinstance(exchange.ended.result(), Refused):
                await self.look_whether_on(0.0)
            require_performed(exchange.ended.result())
        if order.acknowledged_seconds is not None:
            self._acknowledged.append(order.acknowledged_seconds)
        return order

    def timed_order(self) -> Order:
        """Return an order that leaves now, of which an ACK tells when it was heard."""
        # An ACK that comes soon after the repeat, as late cameras' do, is still that of the first sending.
        return Order(self._loop.time(), self.line.repeat_seconds + SOONEST_REPLY_SHARE * self.reply_seconds)

    def interrupt(self, command: Command, completion_seconds: float) -> Exchange:
        """Send a command ahead of all else. Raises Refusal where somebody else has taken over."""
        self._require_ours()
        (exchange,) = self.line.interrupt([command], completion_seconds)
        self._interruptions = self.line.interruptions
        return exchange

    def perform(self, command: Command, completion_seconds: float) -> Exchange:
        """Send a command in its turn. Raises Refusal where somebody else has taken over."""
        self._require_ours()
        return self.line.perform(command, completion_seconds)

    def _require_ours(self) -> None:
        if self.line.interruptions != self._interruptions:
            raise Refusal(*TAKEN_OVER)

    def follow(self, exchange: Exchange, order: Order) -> None:
        """Let an order know when it is acknowledged, and when its end is reported."""

        def begun(future: asyncio.Future[None]) -> None:
            order.begun_at = self._loop.time()

        def ended(future: asyncio.Future[Ending]) -> None:
            if not future.cancelled() and isinstance(future.result(), Completed):
                order.ended_at = self._loop.time()

        exchange.begun.add_done_callback(begun)
        exchange.ended.add_done_callback(ended)

    async def go(
        self,
        targets: dict[Axis, int],
        steps: dict[Axis, int],
        look: Look | None = None,
        slowest_share: float = 1.0,
    ) -> Order:
        """Go to targets; the head may be slower than its model by that share.

        A head that takes no order in mid-move refuses one that had to be repeated because its answer was lost: it is
        under way then, and its way was not timed.
        """
        there: dict[Axis, int] = {**self.at, **targets}
        expected = max(self.seconds(axis, there[axis] - self.at[axis], steps[axis]) for axis in AXES)
        command = self.head_order(targets, steps)
        self.at = there
        began_at = self._loop.time()
        for _ in range(TRIES):
            try:
                order = await self.order(command, expected / slowest_share, look)
            except Refusal as refusal:
                if refusal.code != "refused":
                    raise
                refused = refusal
                await asyncio.sleep(expected / slowest_share)
                if all(abs(counts - there[axis]) <= 1 for axis, counts in (await self.rest()).items()):
                    return Order(began_at)
            else:
                return order
        raise refused

    def head_order(self, targets: dict[Axis, int], steps: dict[Axis, int]) -> PanTiltAbsolute:
        """Return the order to go to targets; an axis without one stays where it was sent last."""
        there = {**self.at, **targets}
        return PanTiltAbsolute(there["pan"], there["tilt"], steps["pan"], steps["tilt"])

    def axis(self, axis: Axis) -> AxisModel:
        """Return what is known of an axis so far."""
        return self.head.pan if axis == "pan" else self.head.tilt

    def seconds(self, axis: Axis, counts: int, step: int) -> float:
        """Return about how long a way takes at a step."""
        model, scale = self.axis(axis), self.rooms.of(axis).scale
        speed = model.speed_deg_per_s(step)
        return seconds_for_axis(counts / scale.counts_per_degree, speed, model.acceleration_deg_per_s2)

    def steps(self, step: int) -> dict[Axis, int]:
        """Return a step for both axes, or the fastest that an axis has."""
        return {axis: min(step, self.axis(axis).fastest_step) for axis in AXES}

    def fastest_step(self) -> int:
        """Return the highest step that either axis has."""
        return max(self.head.pan.fastest_step, self.head.tilt.fastest_step)

    async def make_room(self, axis: Axis, travel: int) -> int:
        """Return a target `travel` counts from here; go to an end of the range first where there is none."""
        room = self.rooms.of(axis)
        target = room.target(self.at[axis], travel)
        if target is None:
            await self.go({axis: room.nearer_end(self.at[axis])}, self.steps(24))
            await asyncio.sleep(BETWEEN_TRIALS_SECONDS)
            target = room.target(self.at[axis], travel)
        assert target is not None
        return target

    async def quiet(self) -> None:
        """Wait until the swing of the stop before is over: beside a slow way it would be seen as speed."""
        patience = self._loop.time() + LONGEST_SWING_SECONDS
        since = self._loop.time()
        while (now := self._loop.time()) < patience and now - since < QUIET_SECONDS:
            _, counts = await self.read_head()
            if any(abs(counts[axis] - self.at[axis]) > 1 for axis in AXES):
                since = self._loop.time()
            await asyncio.sleep(READING_EVERY_SECONDS)

    async def rest(self, readings: list[tuple[float, dict[Axis, int]]] | None = None) -> dict[Axis, int]:
        """Read until the head has stood still for a while; return where. `readings` takes in what is heard."""
        patience = self._loop.time() + LONGEST_REST_SECONDS
        since, stands_at = self._loop.time(), dict(self.at)
        while (now := self._loop.time()) < patience and now - since < REST_SECONDS:
            at, counts = await self.read_head()
            if readings is not None:
                readings.append((at, counts))
            if any(abs(counts[axis] - stands_at[axis]) > 1 for axis in AXES):
                since, stands_at = now, counts
            await asyncio.sleep(READING_EVERY_SECONDS)
        return stands_at

    async def read_head(self) -> tuple[float, dict[Axis, int]]:
        """Return where the head is, and the loop time at which it was heard. Raises Refusal as `ask` does."""
        self._require_ours()
        position = await self.ask(PanTiltPositionInquiry())
        mode = self._focus_mode
        self.heard(Framing(position.pan_counts, position.tilt_counts, self.zoom_at, self.focus_at, mode))
        return self._loop.time(), {"pan": position.pan_counts, "tilt": position.tilt_counts}


def require_performed(ending: Ending) -> None:
    """Raise Refusal for an order that was not carried out."""
    match ending:
        case Unanswered():
            raise Refusal("unreachable", "the camera stopped answering; it was told to halt")
        case Interrupted() | Refused(code=ErrorCode.CANCELLED):
            raise Refusal(*TAKEN_OVER)
        case Refused(code=code):
            raise Refusal(
                "refused", f"the camera refused an order ({code.name.lower().replace('_', ' ')}); is it ready?"
            )
        case _:
            pass
