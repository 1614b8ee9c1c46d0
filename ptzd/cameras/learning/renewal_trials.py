"""Trials of orders in mid-move: a new one while the head still follows the one before, and how it takes that."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field

from ptzd.line import Exchange
from ptzd.motion import Reading
from ptzd.visca import ErrorCode, Interrupted, Refused, Unanswered

from .measurements import Measurements
from .probe import BETWEEN_READINGS_SECONDS, TRIES, Order, Probe, require_performed
from .progress import Stages
from .renewal import RenewalTrial
from .trials import AHEAD_SECONDS, RENEWED_EVERY_SECONDS, UNDER_WAY_SECONDS, Axis, renewal_pace

HOLDING_SECONDS = 0.1  # that a full camera is given to take an order after all; then it has refused
HEARD_REPLIES = 4.5  # it waits for the question before it, and where all sockets are full is held back and asked again
HEARD_SECONDS = 0.2  # an order that is not acknowledged by then spoils a trial, unless the camera always answers late


@dataclass(slots=True)
class _Given:
    """One order, and what came of it."""

    step: int
    order: Order
    exchange: Exchange

    @property
    def refused(self) -> bool:
        """Whether it was not taken; one that the next order ended was."""
        ending = self.exchange.ended.result() if self.exchange.ended.done() else None
        return isinstance(ending, Refused) and ending.code is not ErrorCode.CANCELLED


@dataclass(slots=True)
class _Train:
    """The orders of one trial, and what was read meanwhile."""

    first: _Given
    renewed: list[_Given] = field(default_factory=list)
    readings: list[tuple[float, dict[Axis, int]]] = field(default_factory=list)  # loop time, counts
    heard_seconds: float = HEARD_SECONDS

    @property
    def refused(self) -> bool:
        """Whether an order in mid-move was."""
        return any(each.refused for each in self.renewed)

    @property
    def lost(self) -> bool:
        """Whether nobody knows when one of the orders was heard, or the first one was refused, being heard twice."""
        return len(self.acknowledged) < 1 + sum(not each.refused for each in self.renewed)

    @property
    def acknowledged(self) -> list[tuple[float, int]]:
        """When each order was acknowledged, and its step."""
        return [
            (each.order.begun_at, each.step)
            for each in (self.first, *self.renewed)
            if not each.refused
            and each.order.begun_at is not None
            and each.order.begun_at - each.order.sent_at <= self.heard_seconds
        ]

    def require_carried_out(self) -> None:
        """Raise Refusal where the camera fell silent or was taken over."""
        for each in (self.first, *self.renewed):
            ending = each.exchange.ended.result() if each.exchange.ended.done() else None
            if isinstance(ending, Unanswered | Interrupted):
                require_performed(ending)


class RenewalTrials:
    """What is tried of orders in mid-move; `measured` takes in what it brings."""

    def __init__(self, probe: Probe, measured: Measurements, stages: Stages) -> None:
        self._probe = probe
        self._measured = measured
        self._stages = stages
        self._loop = asyncio.get_running_loop()

    async def every(self, renewals: Sequence[tuple[Axis, bool]]) -> None:
        """Do all of them; what was spoiled by losses is tried again a few times."""
        for axis, farther_on in renewals:
            await self._stages.begin()
            for _ in range(TRIES):
                trial = await self._try(axis, farther_on=farther_on)
                if trial is not None:
                    self._measured.renewals.append(trial)
                    break

    async def _try(self, axis: Axis, *, farther_on: bool) -> RenewalTrial | None:
        """Return one trial; None where it was spoiled."""
        probe, room = self._probe, self._probe.rooms.of(axis)
        pace = renewal_pace(room, probe.axis(axis))
        end = await probe.make_room(axis, pace.travel)
        await probe.quiet()
        begin = probe.at[axis]
        sign = 1 if end > begin else -1
        speed = probe.axis(axis).speed_deg_per_s(pace.fast_step) * room.scale.counts_per_degree

        def ahead(here: int, seconds: float) -> int:
            wanted = abs(here - begin) + round(speed * seconds)
            return begin + sign * min(wanted, abs(end - begin))

        target = ahead(begin, UNDER_WAY_SECONDS + AHEAD_SECONDS) if farther_on else end
        start = Order(self._loop.time())
        command = probe.head_order({axis: target}, probe.steps(pace.fast_step))
        exchange = probe.interrupt(command, 1.0 + 3.0 * pace.travel / speed)
        probe.follow(exchange, start)
        train = _Train(_Given(pace.fast_step, start, exchange))
        train.heard_seconds = max(HEARD_SECONDS, HEARD_REPLIES * probe.reply_seconds)
        due = start.sent_at + UNDER_WAY_SECONDS
        while True:
            at, counts = await probe.read_head()
            train.readings.append((at, counts))
            if at >= due:
                if len(train.renewed) == pace.orders or train.refused:
                    break
                if farther_on:
                    target = ahead(counts[axis], AHEAD_SECONDS)
                slow = not farther_on and len(train.renewed) % 2 == 0
                train.renewed.append(self._renew(axis, target, pace.slow_step if slow else pace.fast_step))
                due = self._loop.time() + RENEWED_EVERY_SECONDS
            await asyncio.sleep(BETWEEN_READINGS_SECONDS)
        stands_at = (await probe.rest(train.readings))[axis]
        train.require_carried_out()
        landed = abs(stands_at - target) <= 1
        probe.at[axis] = target if landed else stands_at
        if train.lost:
            return None
        per_degree = room.scale.counts_per_degree
        readings = [Reading(at, sign * (counts[axis] - begin) / per_degree) for at, counts in train.readings]
        orders = train.acknowledged
        return RenewalTrial(
            axis, farther_on, readings, orders, orders[-1][0] + RENEWED_EVERY_SECONDS, train.refused, landed
        )

    def _renew(self, axis: Axis, target: int, step: int) -> _Given:
        order = Order(self._loop.time())
        # In its turn, as in every move that is steered: nothing is cancelled for it.
        command = self._probe.head_order({axis: target}, self._probe.steps(step))
        exchange = self._probe.perform(command, HOLDING_SECONDS)
        self._probe.follow(exchange, order)
        return _Given(step, order, exchange)
