"""Bringing a camera to rest, and what rest is.

A stop is an order like any other: it can be lost, refused, or confirmed by a camera that drives on. So stops are given
again and again, whatever is answered to them, until the camera's own readings have stood still for long enough; then,
and not before, it is at rest. One that falls silent meanwhile is told to stop as soon as it is heard again.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace

from ptzd.line import HALT, Exchange, Framing
from ptzd.visca import PanTiltPosition, Refused

from .activity import Activity, Host
from .reports import ActivityKind
from .settings import CameraSettings

REPEAT_SECONDS = 0.2
UNHEARD_SECONDS = 0.5  # a stop pushes questions aside: it waits so long for the answers of a slow camera,
LONGEST_UNHEARD_SECONDS = 2.0  # and after each that was confirmed and left no time for them twice as long, up to this
TURN_SECONDS = 0.05
LOOK_SECONDS = 0.25  # between two looks at whether it goes on
UNBRAKED_SHARE = 0.75  # of its way from one look to the next: one that brakes goes less far in the same time
LEAST_BRAKING_SECONDS = 1.0  # common practice
BRAKING_SLACK = 1.25  # a head's own acceleration is off its model's, and it hears of a stop late
ANSWER_SECONDS = 0.5  # after its ACK, a stop whose end was not reported is given anew
PULL_ITS_PLUG = "it may be moving; pull its plug if it endangers anybody"
STRAY_DEG = 0.1  # more than the swing that is left in a head that was said to have settled
STRAY_COUNTS = 2
LENS_SECONDS = 60.0  # in which a slow zoom motor finds both of its ends, after the head has found its own; assumed
AFTER_SWEEP_SECONDS = 2.0  # in which the swing of a sweep's end falls below that, on all mounts but the softest
SOFTEST_SECONDS = 8.0  # in which it does on those; one that was seen to stand still before does not swing any more
STRAY_ZOOM_SHARE = 0.005  # of the zoom's range


class Halting(Activity):
    """Stops until the camera stands still. Somebody else asks where it is all the while."""

    kind = ActivityKind.HALTING

    def __init__(self, host: Host, fault: str | None = None) -> None:
        """`fault` is what is to be said of the camera until it stands still."""
        self._host = host
        self._loop = asyncio.get_running_loop()
        self._began_at = self._loop.time()
        self._answered_at = self._began_at  # until when the last stop was on its way, as far as was seen
        self._exchanges: list[Exchange] = []
        self._fault = fault
        self._refused = False
        self._patience_seconds = UNHEARD_SECONDS
        self._timer: asyncio.TimerHandle | None = None
        self._looks: list[tuple[float, Framing]] = []  # the last three readings that were looked at, and when
        self.goes_on = False  # though it was told to stop, and has had the time to

    @property
    def unended(self) -> bool:
        return True

    @property
    def fault(self) -> str | None:
        """What is to be said of the camera, where there is reason to."""
        if not self._host.contact.up:
            return self._fault or "a stop was not confirmed: the camera may still be moving"
        if not self.goes_on:
            return self._fault
        if self._refused:
            return f"it refuses to stop and is told again and again: {PULL_ITS_PLUG}"
        return f"it was told to stop, and its readings still change: {PULL_ITS_PLUG}"

    @property
    def in_doubt(self) -> bool:
        """Whether it may be off, or sweep its range: then it neither obeys nor is to be told as one that does not."""
        on = self._host.contact.power == "on"
        return not on or self._refused or self.goes_on

    def begin(self, older: Activity) -> None:
        self.send()
        self._wind()

    def end(self) -> None:
        if self._timer is not None:
            self._timer.cancel()

    def again(self) -> None:
        """Somebody has asked for a stop once more: another leaves now, unless one is on its way."""
        if not self._under_way():
            self._stop()

    def send(self) -> None:
        """Tell a camera to stop that has just been told something else, or was not heard for a while."""
        self._stop()
        self._host.contact.standing.forget()  # it may have stood still until now

    def _stop(self) -> None:
        """Tell the camera to stop, ahead of everything else."""
        self._refused = bool(self._exchanges) and _was_refused(self._exchanges[0])  # focus may not be ours to stop
        self._exchanges = self._host.contact.line.interrupt(HALT, ANSWER_SECONDS)
        self._answered_at = self._loop.time()

    def _under_way(self) -> bool:
        return any(not exchange.ended.done() for exchange in self._exchanges)

    def _wind(self) -> None:
        self._timer = self._loop.call_later(TURN_SECONDS, self._turn)

    def _turn(self) -> None:
        """Look whether it stands still; else stop it again, if it is time to."""
        if all(exchange.begun.done() for exchange in self._exchanges) and self._host.contact.standing.still:
            self._host.rested()
            return
        if self._under_way():
            self._answered_at = self._loop.time()
        elif not self._host.contact.starting:  # it has forgotten its orders, and finds its ends
            heard = self._host.contact.read_at > self._answered_at
            if self._loop.time() - self._answered_at >= (REPEAT_SECONDS if heard else self._patience_seconds):
                if not heard and not self._refused and not self.goes_on:
                    self._patience_seconds = min(2 * self._patience_seconds, LONGEST_UNHEARD_SECONDS)
                self._stop()
        self._wind()

    def saw(self, head: PanTiltPosition) -> None:
        """Look whether it goes on: a head that brakes gets slower, a swing turns round, and this does neither."""
        framing, at = self._host.contact.framing, self._loop.time()
        if self._host.contact.starting:
            self._looks, self.goes_on = [], False
            return
        if framing is None or (self._looks and at - self._looks[-1][0] < LOOK_SECONDS):
            return
        framing = replace(framing, pan_counts=head.pan_counts, tilt_counts=head.tilt_counts)
        self._looks = [*self._looks[-2:], (at, framing)]
        if len(self._looks) == 3:
            (first_at, first), (second_at, second), (_, third) = self._looks
            went, goes = travels(self._host.settings, first, second), travels(self._host.settings, second, third)
            share = UNBRAKED_SHARE * (at - second_at) / (second_at - first_at)
            if first_at - self._began_at > _longest_braking_seconds(self._host.settings):
                share = 0.0
            self.goes_on = any(
                min(abs(before), abs(after)) > 1.0 and before * after > 0.0 and abs(after) > share * abs(before)
                for before, after in zip(went, goes, strict=True)
            )


class AtRest(Activity):
    """Nothing was ordered, and the camera stands still as far as it has told; should it move, that is noticed."""

    kind = ActivityKind.AT_REST

    def __init__(
        self,
        host: Host,
        stands: Framing | None = None,
        *,
        ours_until: float = float("-inf"),
        sweeps_until: float = float("-inf"),
    ) -> None:
        """`stands` is where it was seen to stand; None where it has to be looked at first.

        Until `ours_until` (loop time) it may still be finishing what was ordered before; until `sweeps_until` it may
        move again and again, since it was told to start up.
        """
        self._host = host
        self.stands = stands
        self._ours_until = ours_until
        self._sweeps_until = sweeps_until
        self._lens_until = float("-inf")
        self._first: Framing | PanTiltPosition | None = None  # what was seen of it before it was seen to stand

    def heard(self, framing: Framing, now: float) -> None:
        contact = self._host.contact
        if contact.condition is None or contact.condition.power != "on":
            self.forget()
            if contact.power == "starting":  # its last way home, and the swing after it, are nobody's order
                self._sweeps_until = now + AFTER_SWEEP_SECONDS
                self._ours_until, self._lens_until = now + SOFTEST_SECONDS, now + LENS_SECONDS
            return
        if self.stands is None and contact.standing.still:
            self.stands, self._lens_until = framing, now
        before = self.stands or self._first
        if before is None or (self.stands is None and now < self._ours_until):
            self._first = framing
        elif _has_moved(self._host.settings, before, framing if now >= self._lens_until else _head_of(framing)):
            self._strayed(now)
        elif not isinstance(before, Framing):
            self._first = framing

    def saw(self, head: PanTiltPosition) -> None:
        before, finishing = self.stands or self._first, asyncio.get_running_loop().time() < self._ours_until
        if before is None or (self.stands is None and finishing):
            self._first = head
        elif _has_moved(self._host.settings, before, head):
            self._strayed(asyncio.get_running_loop().time())

    def _strayed(self, now: float) -> None:
        if now < self._sweeps_until:
            self.forget()
        else:
            self._host.strayed()

    def forget(self) -> None:
        """The camera was not heard for a while, or restarted: it has to be looked at first."""
        self.stands = self._first = None


def _longest_braking_seconds(settings: CameraSettings) -> float:
    """How long a head brakes at most: one that moves on for longer does not, however unevenly it is read."""
    axes = settings.head.pan, settings.head.tilt
    model = max(axis.steps_deg_per_s[-1] / axis.deceleration_deg_per_s2 for axis in axes)
    return max(LEAST_BRAKING_SECONDS, BRAKING_SLACK * model)


def _head_of(framing: Framing) -> PanTiltPosition:
    return PanTiltPosition(framing.pan_counts, framing.tilt_counts)


def _has_moved(settings: CameraSettings, before: Framing | PanTiltPosition, now: Framing | PanTiltPosition) -> bool:
    """Whether a camera has moved by more than a swing, or a reading that wavers."""
    return any(abs(travel) > 1.0 for travel in travels(settings, before, now))


def travels(
    settings: CameraSettings, before: Framing | PanTiltPosition, now: Framing | PanTiltPosition
) -> tuple[float, float, float]:
    """Return how far pan, tilt and zoom have moved, each as a multiple of what may be a swing or a wavering reading.

    A zoom that was not read has not moved.
    """
    dialect = settings.dialect
    zoom_counts = 0
    if isinstance(before, Framing) and isinstance(now, Framing):
        zoom_counts = now.zoom_counts - before.zoom_counts
    return (
        (now.pan_counts - before.pan_counts) / max(STRAY_COUNTS, STRAY_DEG * dialect.pan.counts_per_degree),
        (now.tilt_counts - before.tilt_counts) / max(STRAY_COUNTS, STRAY_DEG * dialect.tilt.counts_per_degree),
        zoom_counts / (STRAY_ZOOM_SHARE * (dialect.zoom.tele_counts - dialect.zoom.wide_counts)),
    )


def _was_refused(exchange: Exchange) -> bool:
    return exchange.ended.done() and isinstance(exchange.ended.result(), Refused)
