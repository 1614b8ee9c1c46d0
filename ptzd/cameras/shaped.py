"""Carrying out a shaped move over a line: steering's orders go out as commands, the camera's positions come back.

The head's slow mode is what the plan wants before the first of them leaves: known to be on, or ordered to be off. The
time that takes counts into the move's own.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from ptzd.motion import DriveHead, DriveZoom, LandHead, LandZoom, Order, ShapedPlan, StartFocus, Steering
from ptzd.motion.steering import TURN_SECONDS
from ptzd.visca import (
    Command,
    Dialect,
    Direction,
    FocusDirect,
    FocusManual,
    Interrupted,
    PanTiltDrive,
    PanTiltPositionInquiry,
    Refused,
    ZoomInquiry,
    ZoomTele,
    ZoomWide,
)

from .line import Exchange, InquiryRefused, Line, LineDown, PushedAside
from .orders import lens_orders, pan_tilt_order
from .reports import Framing
from .slowmode import SlowModeSwitch

ASKING_SECONDS = 0.1  # between two questions for a position
UNHEARD_SECONDS = 0.12  # by then what was lost has been repeated, even to a camera that replies late
COMPLETION_SECONDS = 5.0


class HeadHeld(Exception):
    """The head was driven and stood still. It is driven still."""


async def run_shaped(
    line: Line,
    dialect: Dialect,
    plan: ShapedPlan,
    framing: Framing,
    *,
    slow: SlowModeSwitch | None = None,
    told: Callable[[float, int, int, int | None], None] = lambda at, pan, tilt, zoom: None,
) -> list[Exchange]:
    """Move the camera by a plan to a framing; return the exchanges that land it, head first, still under way.

    It returns when the camera has been sent to the target itself, about 0.2 s before the end, and leaves it to the
    caller to wait for the landing, and to turn slow mode off after it. `slow` is what is known of slow mode: None for a
    camera of which nothing is. `told` hears every position as it comes in: loop time, pan, tilt and, where it was
    asked, zoom counts. Raises `LineDown` when the camera falls silent: it may then be driving on, so the first thing
    it hears again must be a stop. Raises `HeadHeld` when the head does not move: it must be stopped. Raises
    `SlowModeRefused`, before anything moves, where the plan is one for slow mode and the camera does not turn it on.
    Who cancels this must stop the camera, too.
    """
    move = _Run(line, dialect, plan, framing, told)
    slow = slow or SlowModeSwitch(line, dialect)
    if plan.slow_mode:
        await slow.on()
    else:
        slow.turn_off()  # the first order waits for its ACK
    async with asyncio.TaskGroup() as group:
        asking = group.create_task(move.ask())
        exchanges = await move.steer()
        asking.cancel()
    if exchanges is None:
        raise HeadHeld if move.held else LineDown
    return exchanges


class _Run:
    def __init__(
        self,
        line: Line,
        dialect: Dialect,
        plan: ShapedPlan,
        framing: Framing,
        told: Callable[[float, int, int, int | None], None],
    ) -> None:
        self._line = line
        self._dialect = dialect
        self._plan = plan
        self._framing = framing
        self._told = told
        self._loop = asyncio.get_running_loop()
        self._steering = Steering(plan, self._loop.time(), one_landing_step=dialect.absolute == "shared-speed")
        # A landing may take as long as the move does, where the slowest step fits it.
        self._landing_seconds = COMPLETION_SECONDS + 2.0 * plan.prediction.most_seconds
        self._down = False
        self._head: Exchange | None = None
        self._lens: list[Exchange] = []
        self._driven: tuple[float, Exchange] | None = None  # when it was last driven

    @property
    def held(self) -> bool:
        """Whether the head was driven and stood still."""
        return self._steering.held

    async def steer(self) -> list[Exchange] | None:
        """Send orders until all is sent to its target; None when the camera fell silent, or its head is held."""
        by_hand = self._framing.focus_mode == "manual"
        while not self._down and not self.held:
            for order in self._steering.orders(self._loop.time()):
                self._send(order)
            if by_hand:  # a focus position is refused in auto focus
                by_hand = False
                self._perform(FocusManual())
            if self._steering.done:
                assert self._head is not None
                return [self._head, *self._lens]
            await asyncio.sleep(TURN_SECONDS)
        return None

    async def ask(self) -> None:
        """Ask for positions until cancelled, or until the camera falls silent."""
        while not self._down:
            began = self._loop.time()
            try:
                position = await self._line.ask(PanTiltPositionInquiry())
                at = self._loop.time()
                scale = self._dialect
                self._steering.head_reported(
                    at, scale.pan.degrees(position.pan_counts), scale.tilt.degrees(position.tilt_counts)
                )
                zoom_counts: int | None = None
                if self._steering.zooms:
                    await asyncio.sleep(ASKING_SECONDS / 2 - (at - began) % (ASKING_SECONDS / 2))
                    zoom_counts = await self._line.ask(ZoomInquiry())
                    self._steering.zoom_reported(self._loop.time(), zoom_counts)
                self._told(self._loop.time(), position.pan_counts, position.tilt_counts, zoom_counts)
            except LineDown:
                self._down = True
            except (PushedAside, InquiryRefused):
                pass
            await asyncio.sleep(max(TURN_SECONDS, began + ASKING_SECONDS - self._loop.time()))

    def _send(self, order: Order) -> None:
        match order:
            case DriveHead():
                drive = PanTiltDrive(
                    order.pan_step, order.tilt_step, _direction(order.pan_way), _direction(order.tilt_way)
                )
                self._drive(drive, self._steering.head_performed)
            case DriveZoom():
                driven = ZoomTele(order.speed) if order.way > 0 else ZoomWide(order.speed)
                self._drive(driven, self._steering.zoom_performed)
            case LandHead():
                landing = pan_tilt_order(self._framing, order.pan_step, order.tilt_step)
                if self._is_unheard():
                    (self._head,) = self._line.interrupt([landing], self._landing_seconds)
                else:
                    self._head = self._perform(landing, self._landing_seconds)
            case LandZoom():
                # The first of them is the one that counts, a few counts before the target.
                orders = [order for order in lens_orders(self._framing, digital_zoom=False) if order != FocusManual()]
                for each in orders:
                    self._lens.append(self._perform(each))
            case StartFocus():
                self._perform(FocusDirect(self._framing.focus_counts))

    def _perform(self, command: Command, completion_seconds: float = COMPLETION_SECONDS) -> Exchange:
        # In its turn: a message that overtakes one that was lost has a number that the camera does not expect, and the
        # RESET that follows takes longer than a repeat does as a rule.
        return self._line.perform(command, completion_seconds)

    def _is_unheard(self) -> bool:
        """Whether the head may be driving on, since a drive order and its repeat were lost; a landing may not wait.

        Nothing may be interrupted once the lens is on its way to its target.
        """
        if self._driven is None or self._lens:
            return False
        at, exchange = self._driven
        return not exchange.begun.done() and self._loop.time() - at > UNHEARD_SECONDS

    def _drive(self, command: Command, performed: Callable[[float], None]) -> None:
        exchange = self._perform(command)
        self._driven = (self._loop.time(), exchange)

        def begun(_: object) -> None:
            if not (exchange.ended.done() and isinstance(exchange.ended.result(), Interrupted | Refused)):
                performed(self._loop.time())

        exchange.begun.add_done_callback(begun)


def _direction(way: int) -> Direction:
    if not way:
        return 0
    return 1 if way > 0 else -1
