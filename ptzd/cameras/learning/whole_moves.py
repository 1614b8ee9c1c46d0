"""Whole moves, ordered as a recall orders them: what a camera makes of orders for head and lens at once.

Some take both, and the lens sets out two answers later than the head. Some take one order at a time, and the lens waits
for the head. How long each move took until it was seen to be still is held against what the figures say of it.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Mapping
from dataclasses import dataclass

from ptzd.cameras.orders import lens_orders, pan_tilt_order
from ptzd.line import Framing
from ptzd.motion import HeadModel, Pose, predict
from ptzd.visca import Dialect, Refused

from .measurements import Measurements, Seeing, WholeMove
from .probe import Order, Probe, require_performed
from .progress import Stages
from .trials import AXES, LEAST_WHOLE_SHARE, WHOLE_MOVES, Axis
from .watches import read_on_the_way, see_still

LENS_SECONDS = 1.5  # of way that the lens is sent, at most
ENOUGH = 2.0


@dataclass(eq=False)
class WholeMoves:
    """What is tried of head and lens together; `measured` takes in what it brings."""

    probe: Probe
    dialect: Dialect
    seeing: Seeing
    measured: Measurements
    stages: Stages
    rng: random.Random

    async def every(self, head: HeadModel) -> None:
        """Do all of them with a head of which all else is known."""
        for number in range(WHOLE_MOVES):
            await self.stages.begin()
            await self._move(head, with_lens=number % 2 == 0)

    async def _move(self, known: HeadModel, *, with_lens: bool) -> None:
        probe, rng = self.probe, self.rng
        await probe.quiet()
        before = self._pose(probe.at, probe.zoom_at)
        counts = {
            axis: rng.randint(probe.rooms.of(axis).least_counts, probe.rooms.of(axis).most_counts) for axis in AXES
        }
        step = rng.randint(round(LEAST_WHOLE_SHARE * probe.fastest_step()), probe.fastest_step())
        steps = probe.steps(step)
        zoom_counts = self._zoom_target() if with_lens else probe.zoom_at
        wanted = Framing(counts["pan"], counts["tilt"], zoom_counts, probe.focus_at, "manual")
        expected = max(probe.seconds(axis, counts[axis] - probe.at[axis], steps[axis]) for axis in AXES)
        expected += abs(zoom_counts - probe.zoom_at) / probe.head.zoom.direct_counts_per_s
        seconds = 2.0 + ENOUGH * expected
        given = [probe.timed_order()]
        exchanges = [probe.interrupt(pan_tilt_order(wanted, steps["pan"], steps["tilt"]), seconds)]

        to = self._pose(counts, zoom_counts)
        said = predict(known, before, to, steps["pan"], steps["tilt"])
        told_at = given[0].sent_at + said.seconds_to_arrival + known.settle.told_seconds

        loop = asyncio.get_running_loop()

        def ended() -> bool:  # or about to, when the watch asks nothing either
            close = abs(loop.time() - told_at) < known.settle.reading_seconds
            return close or all(exchange.ended.done() for exchange in exchanges)

        watching = asyncio.create_task(read_on_the_way(probe.line, self.seeing, ended))
        try:
            for command in lens_orders(wanted, digital_zoom=False):
                given.append(Order(loop.time(), float("inf")))
                exchanges.append(probe.perform(command, seconds))
            for exchange, order in zip(exchanges, given, strict=True):
                probe.follow(exchange, order)
            endings = [await exchange.ended for exchange in exchanges]
            await asyncio.sleep(0)  # those who follow have their turn
        finally:
            watching.cancel()
            await asyncio.wait([watching])
        for ending in endings:
            if not isinstance(ending, Refused):
                require_performed(ending)
        probe.at, probe.zoom_at = dict(counts), zoom_counts
        # The lens may have taken longer than is known yet, after which nothing swings.
        swings_seconds = max(0.0, told_at + said.swings_seconds - loop.time()) if said.swings_seconds else 0.0
        still = await see_still(probe, self.dialect, self.seeing, wanted, self.measured, swings_seconds)
        head, lens = given[0], given[-1]
        clear = head.seconds is not None and all(order.ended_at is not None for order in given)
        if not clear or still is None or head.begun_at is None or lens.begun_at is None or head.ended_at is None:
            return
        if lens.begun_at < head.ended_at:
            self.measured.lens_delays.append(lens.begun_at - head.begun_at)
        else:
            self.measured.lens_waits.append(lens.begun_at - head.ended_at)
        ended_at = max(order.ended_at or 0.0 for order in given)
        self.measured.whole_moves.append(
            WholeMove(before, to, steps, ended_at - head.sent_at, ended_at + still - head.sent_at)
        )

    def _zoom_target(self) -> int:
        probe, zoom = self.probe, self.dialect.zoom
        travel = round(LENS_SECONDS * probe.head.zoom.direct_counts_per_s * self.rng.uniform(0.5, 1.0))
        middle = 0.5 * (zoom.wide_counts + zoom.tele_counts)
        target = probe.zoom_at + travel if probe.zoom_at < middle else probe.zoom_at - travel
        return min(max(target, zoom.wide_counts), zoom.tele_counts)

    def _pose(self, at: Mapping[Axis, int], zoom_counts: int) -> Pose:
        pan_deg, tilt_deg = self.dialect.pan.degrees(at["pan"]), self.dialect.tilt.degrees(at["tilt"])
        return Pose(pan_deg, tilt_deg, zoom_counts, self.probe.focus_at)
