"""Asking a camera that comes to rest where it stands, until it is seen to be still: what to ask, and when.

Many cameras take a tenth of a second or more for an answer, so what is asked when decides how soon a move is seen to
have settled, and whether anybody can foretell that. Pan and tilt are asked for so that the answer comes when it tells
most: as soon as the swing of the mount is over, as far as that is known, and when the readings have agreed for long
enough. The lens stays where it was read to be after it has told its end; it is asked for once, in between. Where there
is time left, pan and tilt are asked for all the same: a swing goes through the tolerance and out again within
hundredths of a second.
"""

from __future__ import annotations

import asyncio

from ptzd.line import STILL_SECONDS, Arrival, FocusMode, Framing, Line
from ptzd.visca import FocusInquiry, PanTiltPosition, PanTiltPositionInquiry, ZoomInquiry

from .reading import read_focus_mode, with_head

PAUSE_SECONDS = 0.02
# By which an answer is to come late: a little sooner it would tell nothing. Some cameras answer with a picture.
LATER_SECONDS = 0.03
SEEN_STILL_SECONDS = STILL_SECONDS + 2 * LATER_SECONDS  # from the end of a swing that is known until it is seen


class Looking:
    """See the module. `arrival` takes in what is read."""

    def __init__(self, line: Line, arrival: Arrival) -> None:
        self._line = line
        self._arrival = arrival
        self._loop = asyncio.get_running_loop()
        self._head: PanTiltPosition | None = None
        self._zoom_counts: int | None = None
        self._focus_counts: int | None = None
        self._focus_mode: FocusMode | None = None
        self.answer_seconds = 0.0  # that the latest answer took

    async def look(self) -> Framing | None:
        """Ask for pan and tilt when it is time to; return where it stands, once the lens is known as well.

        Raises as `Line.ask` does.
        """
        arrival = self._arrival
        while self._lens is None and self._is_turn_of_the_lens():
            await self._ask_for_lens()
        if self._lens is None and self._head is not None and self._loop.time() >= arrival.counts_from:
            await self._ask_for_lens()  # it was out of the tolerance: one question between two readings
        await self._until_it_tells()
        asked_at = self._loop.time()
        self._head = head = await self._line.ask(PanTiltPositionInquiry())
        now = self._loop.time()
        self.answer_seconds = now - asked_at
        lens = self._lens
        arrival.take(with_head(lens or arrival.wanted, head), now)
        if lens is None:
            return None
        if not arrival.lens_is_there(lens):
            self._zoom_counts = self._focus_counts = self._focus_mode = None
        return with_head(lens, head)

    @property
    def _lens(self) -> Framing | None:
        """All that was asked of the lens, with any pan and tilt."""
        if self._zoom_counts is None or self._focus_counts is None or self._focus_mode is None:
            return None
        return Framing(0, 0, self._zoom_counts, self._focus_counts, self._focus_mode)

    def _is_turn_of_the_lens(self) -> bool:
        """Whether there is time for it before the swing is over, or it must be known before the last reading."""
        swings_seconds = self._arrival.counts_from - self._loop.time()
        there_is_time = swings_seconds > 0.0 and swings_seconds >= 2.0 * self.answer_seconds
        return there_is_time or (self._arrival.there and swings_seconds < self.answer_seconds)

    async def _ask_for_lens(self) -> None:
        """Ask what of it is not known yet: zoom, focus, or whether the camera focuses by itself."""
        asked_at = self._loop.time()
        if self._zoom_counts is None:
            self._zoom_counts = await self._line.ask(ZoomInquiry())
        elif self._focus_counts is None:
            self._focus_counts = await self._line.ask(FocusInquiry())
        else:
            self._focus_mode = await read_focus_mode(self._line)
        self.answer_seconds = self._loop.time() - asked_at

    async def _until_it_tells(self) -> None:
        """Wait until it is time to ask for pan and tilt."""
        now, counts_from = self._loop.time(), self._arrival.counts_from
        tells_at = counts_from if now < counts_from else self._arrival.due_at
        ask_at = now if self._head is None else now + PAUSE_SECONDS
        if tells_at is not None:
            just_in_time = tells_at + LATER_SECONDS - self.answer_seconds
            if just_in_time < ask_at + self.answer_seconds + PAUSE_SECONDS:
                ask_at = max(ask_at, just_in_time)
        await asyncio.sleep(ask_at - now)
