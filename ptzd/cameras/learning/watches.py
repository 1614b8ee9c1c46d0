"""Reading where a camera is, again and again, while a trial goes on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from math import inf

from ptzd.cameras.looking import PAUSE_SECONDS, Looking
from ptzd.cameras.reading import read_framing, read_power
from ptzd.cameras.watch import POWER_SECONDS
from ptzd.line import Arrival, Framing, InquiryRefused, Line, LineDown, PushedAside
from ptzd.visca import Dialect

from .measurements import Measurements, Seeing
from .probe import Probe
from .trials import Axis

LONGEST_LOOK_SECONDS = 8.0  # a swing may last as long
RESTING_READINGS = 20  # where the head was sent, before a lost report of its end is waited for no longer


async def read_on_the_way(line: Line, seeing: Seeing, ended: Callable[[], bool] | None = None) -> None:
    """Read where the camera is until cancelled; as the watch does, with its other questions, until a move has `ended`.

    Without that nothing else is asked, which would hold up what is timed.
    """
    loop, power_due = asyncio.get_running_loop(), 0.0 if ended is not None else inf
    ended = ended or (lambda: False)
    while True:
        try:
            if loop.time() >= power_due:
                power_due = loop.time() + POWER_SECONDS
                await read_power(line, ended)
            await read_framing(line, "manual", ended)
        except (PushedAside, InquiryRefused):
            pass
        except LineDown:
            return  # whoever waits for the camera will find out
        await asyncio.sleep(seeing.watch_seconds)


async def see_still(
    probe: Probe,
    dialect: Dialect,
    seeing: Seeing,
    wanted: Framing,
    measured: Measurements,
    swings_seconds: float = 0.0,
) -> float | None:
    """Read until the camera is seen to be still, just as its moves are seen to have settled; None where it is not.

    `swings_seconds` is for how long its mount swings, as far as is known; `measured` takes in how long the readings
    took. Returns seconds.
    """
    loop = asyncio.get_running_loop()
    arrival = Arrival(dialect, wanted, seeing.tolerance, swings_seconds)
    looking = Looking(probe.line, arrival)
    began_at = loop.time()
    arrival.told_its_end(began_at)
    while loop.time() < began_at + LONGEST_LOOK_SECONDS:
        framing = await probe.patiently(looking.look)
        if framing is not None:
            probe.heard(framing)
            if arrival.still(loop.time()):
                return loop.time() - began_at
        measured.between_readings.append(looking.answer_seconds + PAUSE_SECONDS)
    return None


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
