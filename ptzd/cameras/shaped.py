"""A shaped move over a line: steering's orders go out as commands, the camera's positions come back.

The head's slow mode is what the plan wants before the first of them leaves: known to be on, or ordered to be off. The
time that takes counts into the move's own.

Where a head goes on smoothly with a new absolute order while it moves, each of steering's orders is the move's own
target at another speed, so that a head that is left alone lands. Elsewhere they are drives, which run on until the next
order.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import inf

from ptzd.line import Exchange, Framing, InquiryRefused, Line, LineDown, PushedAside
from ptzd.motion import DriveHead, DriveZoom, LandHead, LandZoom, Order, ShapedPlan, StartFocus, Steering
from ptzd.motion.course import Course
from ptzd.motion.steering import TURN_SECONDS
from ptzd.visca import (
    Command,
    Dialect,
    DigitalZoomOff,
    FocusDirect,
    FocusManual,
    FocusStop,
    Interrupted,
    PanTiltAbsolute,
    PanTiltDrive,
    PanTiltPosition,
    PanTiltPositionInquiry,
    PanTiltStop,
    Refused,
    ZoomInquiry,
    ZoomStop,
    ZoomTele,
    ZoomWide,
)

from .activity import STALLED, Activity
from .direct import Direct
from .orders import direction_of, lens_orders, pan_tilt_order
from .reports import ActivityKind, Phase
from .slowmode import SlowModeRefused, SlowModeSwitch
from .term import LEAST_TERM_SECONDS, TERM_SECONDS

ASKING_SECONDS = 0.1  # between two questions for a position
MOST_REFUSALS = 3  # of that question, one after another; then it is driven no further
UNHEARD_SECONDS = 0.12  # by then what was lost has been repeated, even to a camera that replies late
COMPLETION_SECONDS = 5.0
STOP_SECONDS = 2.0


class BrokenOff(Exception):
    """The camera is driven no further, and may be driven still; code and text are those of its move."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code


async def run_shaped(
    line: Line,
    dialect: Dialect,
    plan: ShapedPlan,
    framing: Framing,
    *,
    slow: SlowModeSwitch | None = None,
    renewed: bool = False,
    told: Callable[[float, int, int, int | None], None] = lambda at, pan, tilt, zoom: None,
    left: Callable[[float], None] = lambda seconds: None,
    refused: Callable[[], None] = lambda: None,
) -> list[Exchange]:
    """Move the camera by a plan to a framing; return the exchanges that land it, head first, still under way.

    It returns when the camera has been sent to the target itself, about 0.2 s before the end, and leaves it to the
    caller to wait for the landing, and to turn slow mode off after it. `slow` is what is known of slow mode: None for a
    camera of which nothing is. With `renewed` the head is sent to its target anew at each step, instead of being driven
    there. `told` hears every position as it comes in: loop time, pan, tilt and, where it was asked, zoom counts;
    `left` after how many seconds the head would be at its target; `refused` is called for each drive that is not taken.

    Raises `LineDown` when the camera falls silent: it may then be driving on, so the first thing it hears again must be
    a stop. Raises `BrokenOff` when the head does not move, when it takes no drives, when the camera refuses to tell
    where it stands, as in standby, and when nobody steered for a while: it must be stopped. Raises `SlowModeRefused`,
    before anything moves, where the plan is one for slow mode and the camera does not turn it on.
    Who cancels this must stop the camera, too.
    """
    move = _ShapedRun(line, dialect, plan, framing, renewed, told, left, refused)
    slow = slow or SlowModeSwitch(line, dialect)
    if plan.slow_mode:
        await slow.on()
    else:
        slow.turn_off()  # the first order waits for its ACK
    async with asyncio.TaskGroup() as group:
        asking = group.create_task(move.ask())
        ended = await move.steer()
        asking.cancel()
    if isinstance(ended, Exception):
        raise ended
    return ended


@dataclass(eq=False)
class _ShapedRun:
    line: Line
    dialect: Dialect
    plan: ShapedPlan
    framing: Framing
    renewed: bool
    told: Callable[[float, int, int, int | None], None]
    left: Callable[[float], None]
    refused: Callable[[], None]
    _down: bool = False
    _refusals: int = 0  # to tell where it stands, one after another
    _drives_refused: int = 0  # one after another
    _pan_moved: bool = False
    _tilt_moved: bool = False
    _head: Exchange | None = None
    _lens: list[Exchange] = field(default_factory=list)
    _driven: tuple[float, Exchange] | None = None  # when it was last driven

    def __post_init__(self) -> None:
        pan, tilt = self.dialect.pan, self.dialect.tilt
        self._begins = PanTiltPosition(pan.counts(self.plan.from_.pan_deg), tilt.counts(self.plan.from_.tilt_deg))
        self._loop = asyncio.get_running_loop()
        self._steering = Steering(self.plan, self._loop.time())
        # A landing may take as long as the move does, where the slowest step fits it.
        self._landing_seconds = COMPLETION_SECONDS + 2.0 * self.plan.prediction.most_seconds
        self._focuses_by_itself = self.framing.focus_mode == "manual"  # as far as is known, and is not to

    def _broken(self) -> BrokenOff | LineDown | None:
        """Why it is driven no further, where it is not."""
        if self._steering.held:
            return BrokenOff(
                "held",
                "it stood still on its way and was stopped: a limit set in the camera, an obstacle or another "
                "controller may have held it; look at it before you recall again",
            )
        if self._refusals >= MOST_REFUSALS:
            return BrokenOff(
                "untold",
                "it no longer told where it stands on its way and was stopped: it may have been switched off or have "
                "restarted; look at it before you recall again",
            )
        if self._drives_refused >= MOST_REFUSALS:
            return BrokenOff(
                "refused",
                "it took no more orders on its way and was stopped: it may have been switched off or have restarted; "
                "look at it before you recall again",
            )
        return LineDown() if self._down else None

    async def steer(self) -> list[Exchange] | BrokenOff | LineDown:
        """Send orders until all is sent to its target, and return what lands it; or why that breaks off."""
        turned_at = self._loop.time()
        while (broken := self._broken()) is None:
            if (stood := self._loop.time() - turned_at) > TERM_SECONDS:
                return BrokenOff(STALLED.code, STALLED.sentence.format(what=f"{stood:.1f}"))
            turned_at = self._loop.time()
            self.left(self._steering.seconds_to_target(turned_at))
            for order in self._steering.orders(self._loop.time()):
                self._send(order)
            self._take_focus()
            if self._steering.done:
                assert self._head is not None
                return [self._head, *self._lens]
            await asyncio.sleep(TURN_SECONDS)
        return broken

    async def ask(self) -> None:
        """Ask for positions until cancelled, or until the camera falls silent."""
        while not self._down:
            began = self._loop.time()
            try:
                position = await self.line.ask(PanTiltPositionInquiry())
                self._refusals = 0
                at = self._loop.time()
                scale = self.dialect
                self._steering.head_reported(
                    at, scale.pan.degrees(position.pan_counts), scale.tilt.degrees(position.tilt_counts)
                )
                zoom_counts: int | None = None
                if self._steering.zooms:
                    await asyncio.sleep(ASKING_SECONDS / 2 - (at - began) % (ASKING_SECONDS / 2))
                    zoom_counts = await self.line.ask(ZoomInquiry())
                    self._steering.zoom_reported(self._loop.time(), zoom_counts)
                self.told(self._loop.time(), position.pan_counts, position.tilt_counts, zoom_counts)
            except LineDown:
                self._down = True
            except InquiryRefused:
                self._refusals += 1
            except PushedAside:
                pass
            await asyncio.sleep(max(TURN_SECONDS, began + ASKING_SECONDS - self._loop.time()))

    def _send(self, order: Order) -> None:
        match order:
            case DriveHead():
                self._drive(self._towards_target(order), self._steering.head_performed)
            case DriveZoom():
                driven = ZoomTele(order.speed) if order.way > 0 else ZoomWide(order.speed)
                self._drive(driven, self._steering.zoom_performed)
            case LandHead():
                landing = pan_tilt_order(self.framing, order.pan_step, order.tilt_step)
                if self._is_unheard():
                    (self._head,) = self.line.interrupt([landing], self._landing_seconds)
                else:
                    self._head = self._perform(landing, self._landing_seconds)
            case LandZoom():
                self._take_focus()
                # The first of them is the one that counts, a few counts before the target.
                orders = lens_orders(self.framing, digital_zoom=False)
                self._lens += [self._perform(each) for each in orders if each != FocusManual()]
            case StartFocus():
                self._take_focus()
                self._perform(FocusDirect(self.framing.focus_counts))

    def _take_focus(self) -> None:
        """See that the camera does not focus by itself where it is to focus on a place: ahead of the order to go there.

        It would refuse that order in auto focus, and break it off at this one.
        """
        if self._focuses_by_itself:
            self._focuses_by_itself = False
            self._perform(FocusManual())

    def _towards_target(self, order: DriveHead) -> Command:
        if not self.renewed:
            pan, tilt = direction_of(order.pan_way), direction_of(order.tilt_way)
            return PanTiltDrive(order.pan_step, order.tilt_step, pan, tilt)
        # An axis that has not set out stays where it is; one that waits for the other just before its target may land.
        self._pan_moved = self._pan_moved or order.pan_way != 0
        self._tilt_moved = self._tilt_moved or order.tilt_way != 0
        return PanTiltAbsolute(
            self.framing.pan_counts if self._pan_moved else self._begins.pan_counts,
            self.framing.tilt_counts if self._tilt_moved else self._begins.tilt_counts,
            order.pan_step,
            order.tilt_step,
        )

    def _perform(self, command: Command, completion_seconds: float = COMPLETION_SECONDS) -> Exchange:
        # In its turn: a message that overtakes one that was lost has a number that the camera does not expect, and the
        # RESET that follows takes longer than a repeat does as a rule.
        return self.line.perform(command, completion_seconds)

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
            ending = exchange.ended.result() if exchange.ended.done() else None
            if isinstance(ending, Refused):
                self._drives_refused += 1
                self.refused()
            elif not isinstance(ending, Interrupted):
                self._drives_refused = 0
                performed(self._loop.time())

        exchange.begun.add_done_callback(begun)


class Shaped(Direct):
    """A move on air along a planned course, which a direct order lands."""

    kind = ActivityKind.SHAPED
    _left_seconds = inf

    @property
    def plan(self) -> ShapedPlan:
        """The course."""
        assert self.move.plan.shaped is not None
        return self.move.plan.shaped

    @property
    def renewed(self) -> bool:
        """Whether its orders for the head end by themselves."""
        settings = self._host.settings
        return settings.renewal == "smooth" and settings.dialect.absolute == "two-speed"

    @property
    def reads(self) -> bool:  # type: ignore[override]
        return super().reads or not self.move.exchanges

    @property
    def quiet(self) -> bool:
        return self.reads

    @property
    def unended(self) -> bool:
        driven = not self.renewed or self.plan.zoom.staircase is not None
        return not self.move.taken and (driven or self._older_unended)

    def term_seconds(self) -> float:
        """It must not go beyond its target."""
        return min(TERM_SECONDS, max(LEAST_TERM_SECONDS, self._left_seconds))

    def _set_out(self, older: Activity) -> None:
        """End what goes on; the steering begins afresh."""
        self._contact.line.interrupt(_stops_ahead_of(self.plan, older), STOP_SECONDS)

    async def _carry_out(self) -> None:
        if await self._steer():
            await self._heard_order()
            await self._land()

    async def _steer(self) -> bool:
        """Drive the camera along a curve until it has been sent to the framing itself; False if that failed."""
        move, contact = self.move, self._contact
        self._enter(Phase.SLEWING)
        if contact.digital_zoom:
            contact.line.perform(DigitalZoomOff(), move.completion_seconds())  # its counts would mislead the steering
        try:
            move.exchanges = await run_shaped(
                contact.line,
                contact.dialect,
                self.plan,
                move.recall.framing,
                slow=contact.slow,
                renewed=self.renewed,
                told=self._told_on_the_way,
                left=self._told_what_is_left,
                refused=contact.restarted,  # it may have: whether it is on is asked anew
            )
        except SlowModeRefused as refusal:
            self._fail("slow-mode", f"{refusal}, so it did not set out; recall again", halt=True)
        except BrokenOff as broken:
            self._fail(broken.code, str(broken), halt=True)
        except LineDown:
            self._host.silent()
        else:
            return True
        return False

    def _told_what_is_left(self, seconds: float) -> None:
        self._left_seconds = seconds

    def _told_on_the_way(self, at: float, pan_counts: int, tilt_counts: int, zoom_counts: int | None) -> None:
        framing = self._contact.framing
        if framing is not None:
            zoom = framing.zoom_counts if zoom_counts is None else zoom_counts
            self._contact.take(replace(framing, pan_counts=pan_counts, tilt_counts=tilt_counts, zoom_counts=zoom))


def _stops_ahead_of(plan: ShapedPlan, older: Activity) -> list[Command]:
    """What ends a drive that still goes on, on each motor to which the plan gives no order at its beginning.

    Such a motor would be driven on until it has one: a drive holds no socket that could be cancelled.
    """
    if older.kind is ActivityKind.AT_REST:
        return []
    stops: list[Command] = []
    if not _sets_out_at_once(plan.pan) and not _sets_out_at_once(plan.tilt):
        stops.append(PanTiltStop())
    if not _sets_out_at_once(plan.zoom):
        stops.append(ZoomStop())
    return [*stops, FocusStop()]


def _sets_out_at_once(course: Course) -> bool:
    return course.staircase is not None and not course.starts_at
