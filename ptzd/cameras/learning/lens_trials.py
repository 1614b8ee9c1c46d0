"""Trials of zoom and focus, which may use their whole range: their ends are no danger to anybody."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from dataclasses import replace

from ptzd.line import Framing
from ptzd.motion import Reading
from ptzd.refusal import Refusal
from ptzd.visca import (
    Dialect,
    DigitalZoomOff,
    FocusDirect,
    FocusInquiry,
    FocusManual,
    ZoomDirect,
    ZoomInquiry,
    ZoomStop,
    ZoomTele,
    ZoomWide,
)

from .measurements import Measurements, Seeing
from .probe import HALT_SECONDS, READING_EVERY_SECONDS, TRIES, Order, Probe
from .progress import Stages
from .trials import (
    FOCUS_SHARES,
    LENS_START_SECONDS,
    LOOK_ZOOM_SHARE,
    REST_SECONDS,
    ZOOM_SHARES,
    driven_seconds,
    longest_zoom_way,
)
from .watches import read_on_the_way, see_still

MOST_BESIDE = 3  # times that a lens is not seen where it was sent, before that is told
LONGEST_ZOOM_SECONDS = 90.0  # from end to end, by any motor
ENOUGH_READINGS = 12  # of steady travel, for a speed


class LensTrials:
    """What is tried of zoom and focus; `measured` takes in what it brings."""

    def __init__(self, probe: Probe, dialect: Dialect, seeing: Seeing, measured: Measurements, stages: Stages) -> None:
        self._probe = probe
        self._dialect = dialect
        self._seeing = seeing
        self._measured = measured
        self._stages = stages
        self._loop = asyncio.get_running_loop()
        self._beside: list[int] = []  # how far from its target the zoom was, each time that it was not seen there

    async def look(self) -> None:
        """Send the zoom a little way, to see about how fast it is."""
        await self._by_hand()
        zoom, begin = self._dialect.zoom, self._probe.zoom_at
        travel = round(LOOK_ZOOM_SHARE * (zoom.tele_counts - zoom.wide_counts))
        target, _ = _ahead(begin, travel, zoom.wide_counts, zoom.tele_counts)
        order = await self.zoom_to(target)
        if order.seconds is not None and order.acknowledged_seconds is not None:
            # It was heard late, and told late.
            self._expect_zoom(travel / max(0.01, order.seconds - 2.0 * order.acknowledged_seconds))

    async def _by_hand(self) -> None:
        for command in (DigitalZoomOff(), FocusManual()):
            exchange = self._probe.line.perform(command, HALT_SECONDS)
            await exchange.ended

    async def every(self) -> None:
        """Do all of them."""
        await self._by_hand()
        self._probe.focus_at = await self._probe.ask(FocusInquiry())
        await self._probe.quiet()
        _, self._probe.at = await self._probe.read_head()  # an order in mid-move may have left it a count or two beside
        focus, longest = self._dialect.focus, longest_zoom_way(self._probe.head, self._dialect)
        for share in (*ZOOM_SHARES, *ZOOM_SHARES):
            await self._stages.begin()
            await self._zoom_trip(round(share * longest))
        for speed in range(len(self._probe.head.zoom.drive_counts_per_s)):
            await self._stages.begin()
            await self._zoom_drive(speed)
        for share in (*FOCUS_SHARES, *FOCUS_SHARES):
            await self._stages.begin()
            await self._focus_trip(round(share * (focus.most_counts - focus.least_counts)))

    async def _zoom_trip(self, travel: int) -> None:
        least, most = self._dialect.zoom.wide_counts, self._dialect.zoom.tele_counts
        for _ in range(TRIES):
            target, farther = _ahead(self._probe.zoom_at, travel, least, most)
            if farther is not None:
                await self.zoom_to(farther)
            begin = self._probe.zoom_at
            order = await self._observe(self.zoom_to(target))
            if order.seconds is not None:
                self._measured.zoom_trips.append((abs(target - begin), order.seconds))
                self._expect_zoom(abs(target - begin) / order.seconds)
                return

    async def zoom_to(self, counts: int) -> Order:
        """Send the zoom there and wait for as long as it moves: a motor on the lens may need half a minute."""
        travel = abs(counts - self._probe.zoom_at)
        seconds = travel / self._probe.head.zoom.direct_counts_per_s
        order = await self._probe.order(ZoomDirect(counts), 1.0 + 2.0 * seconds)
        if order.ended_at is None:
            rested_at = await self._zoom_rests()
            self._expect_zoom(travel / max(rested_at - order.sent_at, seconds))
        self._probe.zoom_at = counts
        return order

    async def _zoom_rests(self) -> float:
        """Read the zoom until it has stood still for a while; return since when. Raises Refusal where it does not."""
        stands_at: int | None = None
        began_at = since = self._loop.time()
        while (now := self._loop.time()) - since < REST_SECONDS:
            if now - began_at > LONGEST_ZOOM_SECONDS:
                raise Refusal("not-learned", "the zoom did not come to rest; look whether something holds its ring")
            counts = await self._probe.ask(ZoomInquiry())
            if counts != stands_at:
                stands_at, since = counts, now
            await asyncio.sleep(READING_EVERY_SECONDS)
        return since

    def _expect_zoom(self, counts_per_s: float) -> None:
        """Plan what follows with a speed that was seen."""
        head = self._probe.head
        self._probe.head = replace(head, zoom=replace(head.zoom, direct_counts_per_s=counts_per_s))

    async def _zoom_drive(self, speed: int) -> None:
        for _ in range(TRIES):
            self._measured.zoom_drives[speed] = readings = await self._driven_readings(speed)
            if len(readings) > ENOUGH_READINGS:
                return

    async def _driven_readings(self, speed: int) -> list[Reading]:
        """Drive the zoom for a moment, where there is more room; its ends are no danger to anybody."""
        zoom, begin = self._dialect.zoom, self._probe.zoom_at
        to_tele = begin < 0.5 * (zoom.wide_counts + zoom.tele_counts)
        self._probe.interrupt(ZoomTele(speed) if to_tele else ZoomWide(speed), HALT_SECONDS)
        until = self._loop.time() + driven_seconds(self._probe.reply_seconds)
        moving_since: float | None = None
        readings: list[Reading] = []
        while self._loop.time() < until:
            counts = await self._probe.ask(ZoomInquiry())
            now = self._loop.time()
            if moving_since is None and counts != begin:
                moving_since = now
            within = zoom.wide_counts < counts < zoom.tele_counts
            if moving_since is not None and now > moving_since + LENS_START_SECONDS and within:
                readings.append(Reading(now, counts))
            await asyncio.sleep(0.6 * READING_EVERY_SECONDS)
        await self._probe.order(ZoomStop(), 0.5)
        await asyncio.sleep(LENS_START_SECONDS)
        self._probe.zoom_at = await self._probe.ask(ZoomInquiry())
        return readings

    async def _focus_trip(self, travel: int) -> None:
        least, most = self._dialect.focus.least_counts, self._dialect.focus.most_counts
        for _ in range(TRIES):
            target, farther = _ahead(self._probe.focus_at, travel, least, most)
            if farther is not None:
                await self.focus_to(farther)
            begin = self._probe.focus_at
            order = await self._observe(self.focus_to(target))
            if order.seconds is not None:
                self._measured.focus_trips.append((abs(target - begin), order.seconds))
                return

    async def focus_to(self, counts: int) -> Order:
        seconds = abs(counts - self._probe.focus_at) / self._probe.head.focus_counts_per_s
        order = await self._probe.order(FocusDirect(counts), 1.0 + 2.0 * seconds)
        self._probe.focus_at = counts
        return order

    async def _observe(self, order: Awaitable[Order]) -> Order:
        """Carry out an order of the lens and see that the camera is still, just as its moves are seen to have settled.

        There, too, the watch reads until the end is told, and its last question holds up the first one after that.
        """
        probe = self._probe
        _, stands = await probe.read_head()  # where a head stands after its trials is a count or two beside its target
        watching = asyncio.create_task(read_on_the_way(probe.line, self._seeing))
        try:
            done = await order
        finally:
            watching.cancel()
            await asyncio.wait([watching])
        wanted = Framing(stands["pan"], stands["tilt"], probe.zoom_at, probe.focus_at, "manual")
        if (seconds := await see_still(probe, self._dialect, self._seeing, wanted, self._measured)) is not None:
            self._measured.seen_still.append(seconds)
        else:
            self._beside.append(abs(await probe.ask(ZoomInquiry()) - wanted.zoom_counts))
        if len(self._beside) >= MOST_BESIDE and max(self._beside) > self._seeing.tolerance.zoom_counts:
            raise Refusal(
                "not-learned",
                f"{MOST_BESIDE} times the zoom came to rest beside where it was sent, by up to {max(self._beside)} "
                "counts: its motor has play, or its gear slips; mend that, or allow for it with tolerance_counts",
            )
        return done


def _ahead(here: int, travel: int, least: int, most: int) -> tuple[int, int | None]:
    """Where to go so as to travel `travel` within two ends, and the end to go to before that where there is no room."""
    if here + travel <= most:
        return here + travel, None
    if here - travel >= least:
        return here - travel, None
    return (most - travel, most) if here > 0.5 * (least + most) else (least + travel, least)
