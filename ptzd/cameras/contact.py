"""What is known of one camera by its own word, and the line over which it tells."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Literal

from ptzd.line import JITTER_COUNTS, Framing, InquiryRefused, Line, PushedAside, Standing
from ptzd.links import Link
from ptzd.visca import (
    Dialect,
    FastestSpeeds,
    FastestSpeedsInquiry,
    FocusInquiry,
    PanTiltPosition,
    PanTiltPositionInquiry,
    Timing,
    ZoomInquiry,
)

from .reading import Condition, read_condition, read_focus_mode, read_framing, read_pan_tilt, read_power, with_head
from .reports import PowerState
from .slowmode import SlowModeSwitch


class Contact:
    """The line to one camera and the latest that it said. Nothing in here is believed, all of it was asked."""

    def __init__(
        self,
        link: Link,
        dialect: Dialect,
        *,
        on_restart: Callable[[], None],
        on_lost: Callable[[], None],
        on_reading: Callable[[Framing], None],
        timing: Timing | None = None,
    ) -> None:
        """`on_reading` is called with every position as it comes in, `on_restart` when the camera has lost count.

        `on_lost` is called when the connection to it was lost.
        """
        self.dialect = dialect
        self.line = Line(link, dialect, on_restart=on_restart, on_lost=on_lost, timing=timing)
        self.slow = SlowModeSwitch(self.line, dialect)
        self.standing = Standing(dialect)
        self.up = False
        self.refuses: str | None = None  # what it refuses to tell again and again, in words
        self.other_head: str | None = None  # what tells that it is another kind of head than was here first, in words
        self._fastest: FastestSpeeds | None = None  # what the head that was here first has told
        self._asked_in: int | None = None  # the generation of which that was asked
        self._told_on = False  # though the rest of its condition is still to be asked for
        self.condition: Condition | None = None  # None: to be asked anew
        self.starting = False  # as it last told, also while its condition is asked anew
        self.generation = 0  # another number: it may be another head, or have found its ends anew
        self._restarts = 0  # so far
        self.framing: Framing | None = None  # None before the first reading
        self._focus_at_rest: int | None = None  # as it was asked for last, since the camera rests
        self._focus_agreed = 0  # how many readings in a row were as the one before
        self.read_at = 0.0  # loop time of the latest
        self.zoom_read_at = 0.0  # of the latest in which the zoom was asked for, too
        self.read = asyncio.Event()  # set by every reading, and when it fell silent
        self._on_reading = on_reading
        self._loop = asyncio.get_running_loop()

    @property
    def power(self) -> PowerState:
        """As it last said, or unknown while it does not answer."""
        if not self.up or (self.condition is None and not self._told_on):
            return "unknown"
        return "on" if self.condition is None else self.condition.power

    @property
    def digital_zoom(self) -> bool | None:
        """Whether it is on; None while that is not known."""
        return None if self.condition is None else self.condition.digital_zoom

    @property
    def lost_place(self) -> bool:
        """Whether it says itself that where it tells to stand can't be trusted."""
        return self.condition is not None and self.condition.lost_place

    @property
    def focus_in_doubt(self) -> bool:
        """Whether the camera focuses by itself, and its focus was not the same in three readings at rest.

        Two may be alike where a lens turns round that goes to and fro.
        """
        by_itself = self.condition is not None and self.condition.focus_mode == "auto"
        return by_itself and self._focus_agreed < 2

    def doubt_focus(self) -> None:
        """It moves, and may look for its focus when it has come to rest."""
        self._focus_at_rest, self._focus_agreed = None, 0

    def take(self, framing: Framing, *, zoom_too: bool = True) -> None:
        """Take in a position as it was read, whoever asked for it; `zoom_too`: where that was asked for as well."""
        self.framing = framing
        if self.condition is not None and self.condition.focus_mode != framing.focus_mode:
            self.condition = replace(self.condition, focus_mode=framing.focus_mode)
        self.read_at = self._loop.time()
        if zoom_too:
            self.zoom_read_at = self.read_at
        self.standing.take(framing, self.read_at)
        self.read.set()
        self._on_reading(framing)

    async def ask_condition(self, saw_head: Callable[[PanTiltPosition], None]) -> None:
        """Ask for power, start-up, digital zoom and faults; `saw_head` as below. Raises as `Line.ask` does."""
        restarts = self._restarts
        condition = await read_condition(self.line, saw_head)
        if self._restarts != restarts:
            raise PushedAside  # it restarted meanwhile: a part of that is of before
        self.condition = condition
        self.starting = self.condition.power == "starting"
        self.generation += self.condition.power != "on"
        known = self._asked_in == self.generation
        if not known and self.condition.power == "on" and self.slow.state == "off":  # else it may tell those steps
            await self._ask_which_head()

    async def _ask_which_head(self) -> None:
        """Ask what tells two kinds of heads apart: where a link was lost, another one may be there now."""
        generation = self.generation
        with suppress(InquiryRefused):
            fastest = await self.line.ask(FastestSpeedsInquiry())
            first = self._fastest = self._fastest or fastest
            self.other_head = None
            if fastest != first:
                self.other_head = (
                    f"is another kind of head than the one that was here first: its fastest steps are "
                    f"{fastest.pan_step} and {fastest.tilt_step}, not {first.pan_step} and {first.tilt_step}"
                )
        self._asked_in = generation

    async def ask_power(
        self,
        saw_head: Callable[[PanTiltPosition], None] | None,
        given_up: Callable[[], bool] = lambda: False,
    ) -> None:
        """Ask whether it is on and has started up; for its whole condition where that is not known.

        Whether it is on comes first, and without `saw_head` nothing more is asked of one that is: whoever tells it to
        stop again and again leaves no time for more. Raises as `read_framing` does.
        """
        restarts = self._restarts
        power = await read_power(self.line, given_up)
        if self._restarts != restarts:
            raise PushedAside
        self.starting = power == "starting"
        self.generation += power != "on"
        if self.condition is not None:
            self.condition = replace(self.condition, power=power)
        elif power != "on":
            self.condition = Condition(power, "auto", None, ())
        elif saw_head is not None:
            await self.ask_condition(saw_head)
        else:
            self._told_on = True

    @property
    def focus_unread(self) -> bool:
        """Whether nobody has asked for focus and focus mode since it rests: a move may have changed both."""
        return self._focus_at_rest is None

    async def ask_framing(self, given_up: Callable[[], bool] = lambda: False, *, mode_too: bool = False) -> None:
        """Ask where it stands, `mode_too` whether it focuses by itself; nothing is asked of one in standby.

        Raises as `read_framing` does.
        """
        condition = self.condition
        if condition is None or condition.power == "standby":
            return
        if mode_too:
            mode = await read_focus_mode(self.line)
            if self.condition is None:
                raise PushedAside  # it restarted meanwhile, or fell silent
            condition = self.condition = replace(self.condition, focus_mode=mode)
        framing = await read_framing(self.line, condition.focus_mode, given_up)
        # A move that ended meanwhile has asked for the mode anew.
        if self.condition is not None and self.condition.focus_mode != framing.focus_mode:
            framing = replace(framing, focus_mode=self.condition.focus_mode)
        before, self._focus_at_rest = self._focus_at_rest, framing.focus_counts
        agrees = before is not None and abs(framing.focus_counts - before) <= JITTER_COUNTS
        self._focus_agreed = self._focus_agreed + 1 if agrees else 0
        self.take(framing)

    async def ask_pan_tilt(self) -> None:
        """Ask for the head alone; the lens is taken to be where it was. Raises as `Line.ask` does."""
        if self.framing is not None and self.power == "on":
            self.take(await read_pan_tilt(self.line, self.framing), zoom_too=False)

    async def ask_lens_and_head(self, what: Literal["zoom", "focus"] | None) -> None:
        """Ask for zoom, focus or nothing of the lens, and then for the head, which so is taken in while it is new.

        Needs a framing from before. Raises as `Line.ask` does.
        """
        assert self.framing is not None
        stands = self.framing
        if what == "zoom":
            stands = replace(stands, zoom_counts=await self.line.ask(ZoomInquiry()))
        elif what == "focus":
            stands = replace(stands, focus_counts=await self.line.ask(FocusInquiry()))
        self.take(await read_pan_tilt(self.line, stands), zoom_too=what == "zoom")

    async def ask_head_and_zoom(self, saw_head: Callable[[PanTiltPosition], None]) -> None:
        """Ask where head and zoom stand, and nothing else; `saw_head` hears of the head at once.

        The focus, which moves nothing that could hit anybody, is taken to be where it was. Needs a framing from before.
        Raises as `Line.ask` does.
        """
        head = await self.line.ask(PanTiltPositionInquiry())
        saw_head(head)
        zoom_counts = await self.line.ask(ZoomInquiry())
        assert self.framing is not None
        self.take(replace(with_head(self.framing, head), zoom_counts=zoom_counts))

    def restarted(self) -> None:
        """Take note that it lost count: power, start-up, focus mode and digital zoom are to be asked anew."""
        self.condition = None
        self._told_on = False
        self._restarts += 1
        self.generation += 1

    def fell_silent(self) -> None:
        """Take note that it answers no more: what was known of it may be otherwise when it is back."""
        self.up = self._told_on = False
        self.refuses = None
        self.generation += 1
        self.condition = None
        self.standing.forget()
        self.doubt_focus()
        self.slow.forget()
        self.read.set()
