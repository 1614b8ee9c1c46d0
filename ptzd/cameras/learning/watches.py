"""Reading where a camera is, again and again, while a trial goes on."""

from __future__ import annotations

import asyncio
from dataclasses import replace

from ptzd.cameras.framing import landing
from ptzd.cameras.line import InquiryRefused, Line, LineDown, PushedAside
from ptzd.cameras.reading import read_framing
from ptzd.cameras.reports import Framing
from ptzd.visca import Dialect

from .measurements import Seeing
from .probe import Probe
from .trials import Axis

RESTING_READINGS = 20  # where the head was sent, before a lost report of its end is waited for no longer


class LensWatch:
    """Reads where the camera is, again and again, and knows since when it was where it was sent."""

    def __init__(self, line: Line, dialect: Dialect, seeing: Seeing) -> None:
        self._line = line
        self._dialect = dialect
        self._seeing = seeing
        self._wanted: Framing | None = None
        self._there_since: float | None = None

    def expect(self, wanted: Framing) -> None:
        """Say where it was sent; what was read before counts no more."""
        self._wanted = wanted
        self._there_since = None

    def take(self, framing: Framing, now: float) -> None:
        """Take a reading."""
        if self._wanted is None or not self._seeing.tolerance.holds(landing(self._dialect, framing, self._wanted)):
            self._there_since = None
        elif self._there_since is None:
            self._there_since = now

    def lens_is_there(self, framing: Framing) -> bool:
        """Whether zoom and focus are where they were sent."""
        if self._wanted is None:
            return False
        landed = replace(landing(self._dialect, framing, self._wanted), pan_counts=0, tilt_counts=0)
        return self._seeing.tolerance.holds(landed)

    def seems_still(self, now: float) -> bool:
        """Whether it has been where it was sent for long enough."""
        return self._there_since is not None and now - self._there_since >= self._seeing.still_seconds

    async def run(self) -> None:
        """Read until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                self.take(await read_framing(self._line, "manual"), loop.time())
            except (PushedAside, InquiryRefused):
                pass
            except LineDown:
                return  # whoever waits for the camera will find out
            await asyncio.sleep(self._seeing.watch_seconds)


class HeadWatch:
    """Reads where the head is, until it has been where it was sent for long enough."""

    def __init__(self, probe: Probe, targets: dict[Axis, int]) -> None:
        self.seen: list[tuple[float, dict[Axis, int]]] = []
        self._probe = probe
        self._targets = targets
        self._there = 0

    async def look(self) -> bool:
        at, counts = await self._probe.read_head()
        self.seen.append((at, counts))
        there = all(abs(counts[axis] - target) <= 1 for axis, target in self._targets.items())
        self._there = self._there + 1 if there else 0
        return self._there > RESTING_READINGS
