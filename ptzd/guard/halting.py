"""Halting one camera: stops, again and again, whatever is answered, until its own readings stand still."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, suppress
from dataclasses import dataclass

from ptzd.line import HALT, Exchange, Framing, InquiryRefused, Line, LineDown, PushedAside, Standing
from ptzd.links import Form, Link
from ptzd.visca import (
    Dialect,
    PanTiltPositionInquiry,
    Power,
    PowerInquiry,
    Timing,
    ZoomInquiry,
)

from .twice import TwiceLink

STOP_EVERY_SECONDS = 0.25
READ_ON_SECONDS = 0.25  # a stop pushes questions aside: it waits so long for the answers of a slow camera,
LONGEST_READ_ON_SECONDS = 2.0  # and after each that was answered and left no time for them twice as long, up to this
READ_PAUSE_SECONDS = 0.03
STOP_COMPLETION_SECONDS = 0.5
SILENCE_SECONDS = 3.0  # then a new socket: the way to the camera may be another by now
UNOPENED_PAUSE_SECONDS = 0.5
# Where nothing is counted, a first stop waits for no answer to a RESET; where datagrams are lost, it goes twice.
BLIND_STOPS: dict[Form, int] = {"numbered": 0, "stream": 1, "datagrams": 2}
TIMING = Timing(first_repeat_seconds=0.05)  # every packet counts while a head runs on


@dataclass(frozen=True, slots=True)
class Watched:
    """A camera that may have to be halted. `open_link` opens a way of its own to it, and may raise OSError."""

    name: str
    dialect: Dialect
    open_link: Callable[[], AbstractAsyncContextManager[Link]]


@dataclass(slots=True)
class Halt:
    """What has become of one attempt to halt a camera; it is filled in while that goes on."""

    began_at: float  # loop time
    seconds: float = 0.0  # how long it took
    still: bool = False  # seen to stand still, or to be in standby
    standby: bool = False
    heard: bool = False  # whether the camera answered anything
    pan_deg: float | None = None  # where it stood when it last said so
    tilt_deg: float | None = None
    zoom_counts: int | None = None

    def place(self) -> str:
        """Return where it stands, in words."""
        if self.pan_deg is None or self.tilt_deg is None:
            return "it was never heard" if not self.heard else "it did not tell where it stands"
        zoom = "" if self.zoom_counts is None else f", zoom {self.zoom_counts}"
        return f"pan {self.pan_deg:.1f}°, tilt {self.tilt_deg:.1f}°{zoom}"


async def halt(camera: Watched, patience_seconds: float, halted: Halt | None = None) -> Halt:
    """Stop a camera until it is seen to stand still, for `patience_seconds` at most; tell what became of it.

    A caller that may be cancelled hands in `halted`, and finds there how far it got. A silent camera is tried again and
    again.
    """
    loop = asyncio.get_running_loop()
    halted = halted or Halt(loop.time())
    with suppress(TimeoutError):
        async with asyncio.timeout_at(halted.began_at + patience_seconds):
            while not halted.still:
                try:
                    async with camera.open_link() as link:
                        await _Attempt(link, camera.dialect, halted).run()
                except Exception:  # whatever it is: it is tried again, and others are to be stopped beside it
                    await asyncio.sleep(UNOPENED_PAUSE_SECONDS)
    halted.seconds = loop.time() - halted.began_at
    return halted


class _Attempt:
    """One socket's worth of halting: it returns when the camera stands still, or answers nothing for a while."""

    def __init__(self, link: Link, dialect: Dialect, halted: Halt) -> None:
        self._loop = asyncio.get_running_loop()
        twice = TwiceLink(link) if link.form == "numbered" else link
        for _ in range(BLIND_STOPS[link.form]):
            link.send(HALT[0].encode(dialect))
        self._line = Line(twice, dialect, on_restart=lambda: None, timing=TIMING)
        self._dialect = dialect
        self._halted = halted
        self._standing = Standing(dialect)
        self._stops: list[Exchange] = []
        self._heard_at = self._loop.time()
        self._read_on_seconds = READ_ON_SECONDS

    async def run(self) -> None:
        carrying = asyncio.ensure_future(self._line.run())
        try:
            self._line.restart()
            while not self._halted.still and self._loop.time() < self._heard_at + SILENCE_SECONDS:
                await self._stop_and_read()
        finally:
            carrying.cancel()
            await asyncio.wait([carrying])

    async def _stop_and_read(self) -> None:
        """Send the stops once, and read until they are due again."""
        if not any(each.begun.done() and not each.ended.done() for each in self._stops):  # one that takes its time
            self._stops = self._line.interrupt(HALT, STOP_COMPLETION_SECONDS)
        again_at = self._loop.time() + STOP_EVERY_SECONDS
        try:
            async with asyncio.timeout_at(again_at + self._read_on_seconds):
                while self._loop.time() < again_at:
                    await self._read()
                    if self._standing.still:
                        self._halted.still = True
                        return
                    await asyncio.sleep(READ_PAUSE_SECONDS)
        except TimeoutError:
            if all(each.ended.done() for each in self._stops):
                self._read_on_seconds = min(2 * self._read_on_seconds, LONGEST_READ_ON_SECONDS)
            return
        except InquiryRefused:
            self._note_heard()
            await self._look_for_standby(again_at)
        except (LineDown, PushedAside):
            pass
        await asyncio.sleep(again_at - self._loop.time())

    async def _read(self) -> None:
        position = await self._line.ask(PanTiltPositionInquiry())
        self._note_heard()
        self._halted.pan_deg = self._dialect.pan.degrees(position.pan_counts)
        self._halted.tilt_deg = self._dialect.tilt.degrees(position.tilt_counts)
        zoom_counts = await self._line.ask(ZoomInquiry())
        self._note_heard()
        self._halted.zoom_counts = zoom_counts
        framing = Framing(position.pan_counts, position.tilt_counts, zoom_counts, 0, "auto")
        self._standing.take(framing, self._heard_at)

    async def _look_for_standby(self, until: float) -> None:
        """A camera that does not tell where it stands may be in standby, with its motors off."""
        with suppress(TimeoutError, InquiryRefused, LineDown, PushedAside):
            async with asyncio.timeout_at(until):
                if await self._line.ask(PowerInquiry()) is Power.STANDBY:
                    self._halted.still = self._halted.standby = True

    def _note_heard(self) -> None:
        self._halted.heard = True
        self._heard_at = self._loop.time()
