"""Driving by hand: how far each axis is deflected becomes orders.

A drive runs on until the next order, so it ends by itself half a second after the last message, and whoever drives
needs a guard. Where a head goes on smoothly with a new absolute order while it moves, a drive of pan and tilt that has
gone on for a moment is turned into an order to a place a little ahead, renewed with every reading: left alone, the head
comes to rest there. Within a window of travel, an axis slows down in time to stand at its edge.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable

from ptzd.line import Exchange, Framing
from ptzd.motion import AxisModel, Grip
from ptzd.visca import (
    AxisScale,
    Command,
    Dialect,
    FocusFar,
    FocusNear,
    FocusStop,
    PanTiltAbsolute,
    PanTiltDrive,
    PanTiltStop,
    ZoomStop,
    ZoomTele,
    ZoomWide,
)

from .activity import Activity, Host
from .grip import LENS_SPEEDS, Deflection, Hold
from .halting import travels
from .orders import direction_of
from .reports import ActivityKind
from .window import HeadAxis, open_to

DRIVE_SECONDS = 0.5  # a drive stops by itself this long after its last message
ORDER_SECONDS = 5.0
AHEAD_SECONDS = 0.6  # of way, beside the head's braking, to the place that a renewed order names
UNHEARD_SECONDS = 0.15  # since the last message, or look, until another at how far it may have gone
RENEWAL_SECONDS = 0.15  # between two of them
BRAKING_SHARE = 0.5  # of the acceleration that is known: a head may brake as much more gently
LOOK_SECONDS = 0.7  # until a reading is followed by the next, and by an order that takes effect, some packets lost
AGAIN_SECONDS = 0.2  # until an order that is not seen to be obeyed is given again
OBEYED_SECONDS = 0.4  # until an order takes effect, some packets lost


def drive_orders(dialect: Dialect, new: Deflection) -> list[Command]:
    """Return the commands for a deflection. Raises ValueError or OverflowError for one that is no number.

    Every axis is told anew: what was told before may have been lost on the way, a stop among it, and is repeated no
    more once these commands interrupt it.
    """
    return [
        _pan_tilt(dialect, new.pan, new.tilt),
        _lens(new.zoom, ZoomStop(), ZoomTele, ZoomWide),
        _lens(new.focus, FocusStop(), FocusFar, FocusNear),
    ]


class ByHand(Activity):
    """A camera that somebody drives."""

    kind = ActivityKind.BY_HAND

    def __init__(self, host: Host, wanted: Deflection, grip: Grip | None, *, let_go: Callable[[], None]) -> None:
        """`let_go` is called when nobody drives it any more. Raises as `drive_orders` does."""
        self._host = host
        self._contact = host.contact
        self._loop = asyncio.get_running_loop()
        self._let_go = let_go
        self._wanted, self._grip = wanted, grip
        self._hold = Hold(self._loop.time())
        self._ordered = {(0.0, 0.0)}  # pan and tilt, °/s: what was ordered since the last reading, or held then
        self._given = self._allowed(wanted, grip)  # what was ordered, the edges of a window considered
        self._orders = drive_orders(self._contact.dialect, self._given)
        for order in self._orders:
            order.encode(self._contact.dialect)
        self._ordered = {self._speeds(self._given)}
        self._timer: asyncio.TimerHandle | None = None
        self._until = self._loop.time()  # when nobody drives it any more
        self._before: Framing | None = None  # the last reading
        self._renewed_at = self._loop.time()
        self._renewals: list[Exchange] = []
        self._latest: list[Exchange] = []  # what was ordered last

    @property
    def unended(self) -> bool:
        return True

    def begin(self, older: Activity) -> None:
        self._give(self._orders)
        self._wind()

    def deflect(self, wanted: Deflection, grip: Grip | None) -> None:
        """Drive otherwise, or go on as before. Raises as `drive_orders` does, and then nothing has changed."""
        allowed = self._allowed(wanted, grip)
        if allowed != self._given:
            self._order(allowed)
        self._wanted, self._grip = wanted, grip
        self._wind()

    def heard(self, framing: Framing, now: float) -> None:
        self._ordered = {self._speeds(self._given)}
        allowed = self._allowed(self._wanted, self._grip)
        if allowed != self._given or (now - self._renewed_at >= AGAIN_SECONDS and self._strays(framing)):
            self._order(allowed)
        elif now - self._renewed_at >= RENEWAL_SECONDS:
            self._renew(framing, now)
        self._before = framing

    def end(self) -> None:
        if self._timer is not None:
            self._timer.cancel()

    def _wind(self) -> None:
        self.end()
        self._until = self._loop.time() + DRIVE_SECONDS
        self._timer = self._loop.call_later(UNHEARD_SECONDS, self._look)

    def _look(self) -> None:
        """Keep it in its window, though neither a hand nor the camera is heard, and let go when nobody drives it."""
        if self._loop.time() >= self._until:
            self._let_go()
            return
        allowed = self._allowed(self._wanted, self._grip)
        if allowed != self._given:
            self._order(allowed)
        self._timer = self._loop.call_at(min(self._loop.time() + UNHEARD_SECONDS, self._until), self._look)

    def _order(self, allowed: Deflection) -> None:
        self._give(drive_orders(self._contact.dialect, allowed))
        self._given = allowed
        self._ordered.add(self._speeds(allowed))

    def _give(self, orders: list[Command]) -> None:
        if any(isinstance(order, PanTiltDrive) for order in orders):
            self._latest = self._contact.slow.interrupt(orders, ORDER_SECONDS)
        else:
            self._latest = self._contact.line.interrupt(orders, ORDER_SECONDS)
        self._renewed_at = self._loop.time()
        self._renewals.clear()

    def _allowed(self, wanted: Deflection, grip: Grip | None) -> Deflection:
        """Return what a push stands for, as far as a window lets each axis go, which slows it down before the edge.

        Where a reading is late, an axis is taken to have gone the way of the push as fast as it was told to since.
        """
        framing, window = self._contact.framing, self._host.settings.window
        if framing is not None:
            wanted = self._hold.shares(self._host.settings, framing, grip, wanted, self._loop.time())
        if framing is None or window is None:
            return wanted
        dialect, head = self._contact.dialect, self._host.settings.head
        age = self._loop.time() - self._contact.read_at
        pan, tilt = zip(*self._ordered, strict=True)

        def slowed(
            axis: HeadAxis,
            scale: AxisScale,
            model: AxisModel,
            counts: int,
            speeds: tuple[float, ...],
            deflection: float,
        ) -> float:
            if not deflection:
                return deflection
            ahead = max(0.0, *speeds) if deflection > 0 else min(0.0, *speeds)
            deg = scale.degrees(counts) + age * ahead
            fastest = window.fastest_deg_per_s(
                axis,
                deg,
                1 if deflection > 0 else -1,
                braking_deg_per_s2=BRAKING_SHARE * model.deceleration_deg_per_s2,
                seconds=max(OBEYED_SECONDS, LOOK_SECONDS - age),
            )
            steps = sum(speed <= fastest for speed in model.steps_deg_per_s[: _step(scale, deflection)])
            if steps == _step(scale, deflection):
                return deflection
            return math.copysign((steps - 0.5) / scale.fastest_step, deflection) if steps else 0.0

        return wanted._replace(
            pan=slowed("pan", dialect.pan, head.pan, framing.pan_counts, pan, wanted.pan),
            tilt=slowed("tilt", dialect.tilt, head.tilt, framing.tilt_counts, tilt, wanted.tilt),
        )

    def _speeds(self, deflection: Deflection) -> tuple[float, float]:
        """Degrees per second of pan and tilt, with their signs; 0 for an axis that is not deflected."""
        head, dialect = self._host.settings.head, self._contact.dialect
        return (
            direction_of(deflection.pan) * head.pan.speed_deg_per_s(_step(dialect.pan, deflection.pan)),
            direction_of(deflection.tilt) * head.tilt.speed_deg_per_s(_step(dialect.tilt, deflection.tilt)),
        )

    def _strays(self, framing: Framing) -> bool:
        """Whether an axis goes where it was not told to: it heard an older order after the newest, or still brakes."""
        if self._before is None or not all(each.begun.done() for each in self._latest):
            return False
        told = self._given.pan, self._given.tilt, self._given.zoom
        went = travels(self._host.settings, self._before, framing)
        return any(abs(way) > 1.0 and way * push <= 0.0 for way, push in zip(went, told, strict=True))

    def _renew(self, framing: Framing, now: float) -> None:
        """Send the head to a place a little ahead, at the speed that it has, where it takes that smoothly."""
        settings, dialect, given = self._host.settings, self._contact.dialect, self._given
        if settings.renewal != "smooth" or dialect.absolute != "two-speed" or not (given.pan or given.tilt):
            return
        if any(each.begun.done() is False for each in self._renewals) or self._before is None:
            return
        # An axis that was let go while the other goes on comes to rest first: nobody knows yet where.
        if not given.pan and framing.pan_counts != self._before.pan_counts:
            return
        if not given.tilt and framing.tilt_counts != self._before.tilt_counts:
            return
        pan_speed, tilt_speed = self._speeds(given)
        window = open_to(dialect, settings.window)
        pan = _ahead(dialect.pan, framing.pan_counts, pan_speed, settings.head.pan)
        tilt = _ahead(dialect.tilt, framing.tilt_counts, tilt_speed, settings.head.tilt)
        order = PanTiltAbsolute(
            dialect.pan.counts(window.clamped("pan", pan)),
            dialect.tilt.counts(window.clamped("tilt", tilt)),
            _step(dialect.pan, given.pan),
            _step(dialect.tilt, given.tilt),
        )
        self._renewals = [self._contact.line.perform(order, ORDER_SECONDS)]
        self._renewed_at = now


def _ahead(scale: AxisScale, counts: int, speed: float, model: AxisModel) -> float:
    """Degrees of the place that an axis is sent to; it begins to brake for it only after `AHEAD_SECONDS`."""
    travel_deg = speed * AHEAD_SECONDS + speed * abs(speed) / (2.0 * model.deceleration_deg_per_s2)
    return scale.degrees(counts) + travel_deg


def _pan_tilt(dialect: Dialect, pan: float, tilt: float) -> Command:
    if not pan and not tilt:
        return PanTiltStop()
    return PanTiltDrive(_step(dialect.pan, pan), _step(dialect.tilt, tilt), direction_of(pan), direction_of(tilt))


def _step(scale: AxisScale, deflection: float) -> int:
    return max(1, math.ceil(abs(deflection) * scale.fastest_step))


def _lens(
    deflection: float, stop: Command, onward: Callable[[int], Command], back: Callable[[int], Command]
) -> Command:
    if not deflection:
        return stop
    speed = round(abs(deflection) * LENS_SPEEDS)
    return onward(speed) if deflection > 0 else back(speed)
