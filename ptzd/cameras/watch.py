"""Asking one camera where it stands, for as long as it is attended to.

Often while it moves; a few times a second at rest, so that a head which moves though nobody here has ordered it is
found out within a second; and again and again while it does not answer, at once where it still has to be stopped.
Whoever moves a camera step by step asks for its positions itself; then the watch only listens.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import Protocol

import structlog

from ptzd.line import InquiryRefused, LineDown, PushedAside
from ptzd.visca import Completed, PanTiltPosition, Refused

from .activity import Activity, Host
from .direct import MOVING_PAUSE_SECONDS
from .halting import AtRest, Halting
from .reports import ActivityKind, Phase
from .window import limit_orders

log = structlog.get_logger()

RESTING_PAUSE_SECONDS = 0.3
HALTING_PAUSE_SECONDS = 0.05
REFUSED_PAUSE_SECONDS = 1.0
REFUSALS_TOLD = 3  # looks in a row that a camera refused, and is said to
LONGEST_SILENCE_SECONDS = 2.0  # between two attempts to reach a silent camera that has not to be stopped
ZOOM_EVERY = 2  # looks at rest: then the zoom is asked for too
FOCUS_EVERY = 6  # looks at rest: then the focus, which moves nothing that could hit anybody; at each while it changes
STRAYING_CONDITION_EVERY = 5  # looks at a head that moves though nobody has sent it
POWER_SECONDS = 1.5  # between two questions to a camera on its way: one that restarts unheard sweeps, and never ends
CONDITION_EVERY = 15  # looks at rest: then power, faults and the like are asked for too
LIMIT_SECONDS = 2.0


class Watched(Host, Protocol):
    """What the watch needs of the camera that it looks at."""

    @property
    def activity(self) -> Activity:
        """The one thing that the camera does."""

    @property
    def moving(self) -> bool:
        """Whether it does anything but stand still."""

    def say_state(self) -> None:
        """Say the state if it has changed."""

    def is_not_on(self) -> None:
        """The camera starts up or is off: it is no more as whoever moves it step by step has told it to be."""


class Watch:
    """See the module."""

    def __init__(self, camera: Watched) -> None:
        self._camera = camera
        self._loop = asyncio.get_running_loop()
        self._wake = asyncio.Event()
        self._limits_due = True
        self._power_first = False
        self._power_due = 0.0

    def look_now(self) -> None:
        """Don't wait for the next look at a camera at rest."""
        self._wake.set()

    def restarted(self) -> None:
        """The camera may have forgotten what was written into it."""
        self._limits_due = True
        self.look_now()

    async def run(self) -> None:
        """Look until cancelled."""
        camera = self._camera
        silence, look, refused = 0.0, 0, 0
        while True:
            if not isinstance(camera.activity, AtRest):
                camera.contact.doubt_focus()
            if camera.activity.quiet:
                await self._look_whether_it_restarted()
                camera.say_state()
                await asyncio.sleep(MOVING_PAUSE_SECONDS)
                continue
            self._wake.clear()
            if not camera.contact.up:
                self._limits_due = True
                camera.contact.line.restart()
                if isinstance(camera.activity, Halting):
                    camera.activity.send()  # the first thing that a camera hears when it is back
            try:
                await self._look(look, refused > 0)
                silence, look, refused = 0.0, look + 1, 0
                camera.contact.refuses = None
                pause = self._pause()
            except PushedAside:
                pause = min(MOVING_PAUSE_SECONDS, self._pause())
            except InquiryRefused as refusal:
                again, refused = refused > 0, refused + 1  # perhaps somebody has switched it off: that is asked at once
                camera.contact.up = True
                if refused >= REFUSALS_TOLD:
                    camera.contact.refuses = refusal.what
                if isinstance(camera.activity, AtRest):
                    camera.activity.forget()  # nobody knows where it stands, nor whether
                    camera.contact.condition = None  # and on a bare link it may be long before it can be asked
                at_rest = isinstance(camera.activity, AtRest)
                pause = REFUSED_PAUSE_SECONDS if again and at_rest else MOVING_PAUSE_SECONDS
            except LineDown:
                camera.silent()
                pause = 0.0 if isinstance(camera.activity, Halting) else silence
                silence = min(silence + RESTING_PAUSE_SECONDS, LONGEST_SILENCE_SECONDS)
            camera.say_state()
            await self._rest(pause)

    async def _look_whether_it_restarted(self) -> None:
        """Ask a camera that lost count how it is, and one that is not there at its end: it may be sweeping."""
        move, now = self._camera.activity.move, self._loop.time()
        astray = move is not None and move.phase is Phase.SETTLING and move.arrival.astray(now)
        if self._camera.contact.condition is None or (astray and now >= self._power_due):
            self._power_due = now + POWER_SECONDS
            await self.ask_power()

    async def ask_power(self) -> None:
        """Ask whether the camera is on, on behalf of whoever reads by himself; where it is not, tell its owner."""
        contact = self._camera.contact
        with suppress(PushedAside, InquiryRefused, LineDown):
            await contact.ask_power(self._saw_head)
        if contact.power in ("starting", "standby") and self._camera.activity.reads:
            self._camera.is_not_on()

    async def _look(self, look: int, refused: bool) -> None:
        """Ask the camera what is due to be asked."""
        camera, contact = self._camera, self._camera.contact
        at_rest = not camera.moving
        halting = camera.activity if isinstance(camera.activity, Halting) else None
        if halting is not None and contact.framing is not None and not refused:
            # No more questions than that: each stop pushes aside what is being asked, and some cameras answer late. For
            # the same reason the power is asked for before and after where it stands, in turn.
            self._power_first = not self._power_first
            if self._power_first and halting.in_doubt:
                await contact.ask_power(None)
            await contact.ask_head_and_zoom(self._saw_head)
            contact.up = True
            if not self._power_first and camera.activity is halting and halting.in_doubt:
                await contact.ask_power(None)
            return
        off = contact.condition is None or contact.condition.power != "on"
        # What moves by itself may be sweeping its range; and a move has turned digital zoom off.
        every = CONDITION_EVERY
        if isinstance(camera.activity, AtRest):
            if contact.digital_zoom:
                every = 1
            elif camera.moving:
                every = STRAYING_CONDITION_EVERY
        if off or refused or (look % every == 0 and camera.activity.move is None):
            await contact.ask_condition(self._saw_head)
        elif self._loop.time() >= self._power_due and camera.activity.move is not None:
            self._power_due = 0.0  # until it was answered: it may be given up
            await contact.ask_power(self._saw_head, lambda: camera.activity.quiet)
            self._power_due = self._loop.time() + POWER_SECONDS
        if contact.condition is not None and contact.condition.power == "standby":
            contact.up = True
            if isinstance(camera.activity, Halting):
                camera.rested()  # its motors are off
            return
        known = at_rest and contact.framing is not None
        if known and (look % FOCUS_EVERY == 0 or contact.focus_in_doubt or contact.focus_unread):
            await contact.ask_framing(mode_too=contact.focus_unread)
        elif known and look % ZOOM_EVERY == 0:
            await contact.ask_head_and_zoom(self._saw_head)
        elif known:
            await contact.ask_pan_tilt()
        elif camera.activity.kind is ActivityKind.BY_HAND and contact.framing is not None:
            # By these alone it is kept in its window, and some cameras take long for each answer.
            await contact.ask_lens_and_head("zoom" if look % 4 == 0 else "focus" if look % 4 == 2 else None)
        else:
            # Whoever begins to read by himself waits for the camera to be still: not for these answers, too.
            await contact.ask_framing(lambda: camera.activity.quiet)
        contact.up = True
        if isinstance(camera.activity, AtRest) and contact.power == "on":
            if contact.slow.left_on and not camera.moving:
                contact.slow.turn_off()  # a move broke off that had turned it on
            if self._limits_due:
                await self._set_limits()

    def _saw_head(self, head: PanTiltPosition) -> None:
        self._camera.activity.saw(head)

    async def _set_limits(self) -> None:
        """Write the window of travel into the head, where it takes limits."""
        settings = self._camera.settings
        self._limits_due = False
        for order in limit_orders(settings.dialect, settings.window):
            ending = await self._camera.contact.line.perform(order, LIMIT_SECONDS).ended
            if isinstance(ending, Refused):
                log.warning(
                    "a camera takes no limits; its window holds for orders from here alone", camera=settings.name
                )
                return
            self._limits_due = self._limits_due or not isinstance(ending, Completed)

    def _pause(self) -> float:
        if isinstance(self._camera.activity, Halting):
            return HALTING_PAUSE_SECONDS
        return MOVING_PAUSE_SECONDS if self._camera.moving else RESTING_PAUSE_SECONDS

    async def _rest(self, seconds: float) -> None:
        if seconds <= MOVING_PAUSE_SECONDS or not self._camera.contact.up:
            await asyncio.sleep(seconds)
            return
        timer = self._loop.call_later(seconds, self._wake.set)  # half as dear as a timeout, and there are many
        try:
            await self._wake.wait()
        finally:
            timer.cancel()
