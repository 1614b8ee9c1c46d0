"""Learning a head: measuring, over the protocol alone, how it moves.

Theory of operation. A series of trials, each one order with its report of the end or with positions read on the way:
short trips tell acceleration and delay, longer ones at each step its speed, stops from several speeds the swing of the
mount, orders in mid-move what the head does with these, then zoom and focus the same. Where the head has a slow mode,
its steps are measured in that, too. What a loss on the network spoiled is tried again. The figures are fitted when all
trials are over, and every one comes with its spread.

Pan and tilt are sent to positions inside the given range, never driven. However learning ends but well (cancelled, the
link lost, readings that make no sense), the head is told to halt, unless somebody else has taken the camera over: then
it does what that one says. Where learning ends well, the camera is brought back to where it stood. Slow mode is turned
off before anything else is measured; where learning breaks off, it is left to the owner of the switch to turn it off.
"""

from __future__ import annotations

import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime

from ptzd.cameras.reading import read_framing
from ptzd.cameras.slowmode import SlowModeRefused, SlowModeSwitch
from ptzd.line import Framing, Line, LineDown, PushedAside
from ptzd.motion import FitError, HeadModel, LearnedHead, published_head
from ptzd.refusal import Refusal
from ptzd.visca import Dialect, FocusAuto

from .consistency import require_consistent
from .head_trials import HeadTrials
from .lens_trials import LensTrials
from .measurements import Measurements, Seeing, learned_head
from .probe import HALT_SECONDS, TAKEN_OVER, TRIES, Probe
from .progress import LOOK_SECONDS, Progress, Stages
from .renewal_trials import RenewalTrials
from .trials import FirstLook, LearnLimits, Plan, plan_trials, rooms_within
from .whole_moves import WholeMoves

BACK_SHARE = 0.3  # of the fastest speed, on the way back


def estimate_seconds(dialect: Dialect, start: Framing, limits: LearnLimits) -> float:
    """Return about how long `learn` will take. Raises Refusal as it would."""
    rooms = rooms_within(dialect, limits, start)
    return LOOK_SECONDS + plan_trials(_published(dialect), dialect, rooms, random.Random(0), FirstLook()).seconds


async def learn(
    line: Line,
    dialect: Dialect,
    start: Framing,
    limits: LearnLimits,
    *,
    slow: SlowModeSwitch,
    seeing: Seeing,
    progress: Callable[[Progress], None],
    rng: random.Random,
    calendar: Callable[[], datetime],
    heard: Callable[[Framing], None],
    ask_power: Callable[[], Awaitable[None]],
) -> LearnedHead:
    """Measure a head that stands at `start`, on a line that is up, and bring it back there.

    Nobody else may ask or order anything on the line meanwhile. `slow` is what is known of the slow mode; whatever way
    learning ends, it knows afterwards whether that may still be on. `progress` is told before each trial, `heard` of
    every position; both must return at once. `ask_power` asks whether the camera is on, and cancels the task where it
    is not; it is called where that disturbs no trial, or something is amiss. Raises Refusal before anything moves for a
    range that won't do; later where the camera refuses, falls silent or is moved by somebody else. Cancel the task to
    stop: the orders to halt leave in that very moment.
    """
    rooms = rooms_within(dialect, limits, start)
    published = _published(dialect)
    guess = plan_trials(published, dialect, rooms, random.Random(0), FirstLook())
    measured = Measurements()
    probe = Probe(line, start, rooms, published, measured.acknowledged, heard, ask_power)
    run = _Run(probe, dialect, start, slow, seeing, measured, Stages(guess, progress, probe.look_whether_on), rng)
    try:
        await run.parts()
        known = await learned_head(measured, dialect, published, seeing, calendar())
        await run.whole(known.model)
        head = await learned_head(measured, dialect, published, seeing, calendar())
        require_consistent(head.model, published, measured.whole_moves)
    except FitError as error:
        probe.halt()
        raise Refusal("not-learned", f"what was measured does not fit together: {error}; nothing was learned") from None
    except BaseException:
        probe.halt()
        raise
    return head


def _published(dialect: Dialect) -> HeadModel:
    return published_head(
        dialect.pan.steps_deg_per_s,
        dialect.tilt.steps_deg_per_s,
        shared_speed=dialect.absolute == "shared-speed",
    )


@dataclass(eq=False)
class _Run:
    """The trials of one learning."""

    probe: Probe
    dialect: Dialect
    start: Framing
    slow: SlowModeSwitch
    seeing: Seeing
    measured: Measurements
    stages: Stages
    rng: random.Random

    def __post_init__(self) -> None:
        self._head = HeadTrials(self.probe, self.measured, self.stages, self.rng)
        self._renewals = RenewalTrials(self.probe, self.measured, self.stages)
        self._lens = LensTrials(self.probe, self.dialect, self.seeing, self.measured, self.stages)
        self._whole = WholeMoves(self.probe, self.dialect, self.seeing, self.measured, self.stages, self.rng)

    async def parts(self) -> None:
        """Do every trial of head and lens apart."""
        await self._switch(self.slow.off)
        plan = await self._look()
        await self._head.usual(plan.short_trips)
        await self._slow_steps()
        await self._head.stops()
        await self._renewals.every(plan.renewals)
        await self._lens.every()

    async def whole(self, head: HeadModel) -> None:
        """Do those of whole moves with a head of which all else is known, then go back."""
        await self._whole.every(head)
        await self.stages.begin()
        await self._go_back()
        await self.stages.begin()

    async def _look(self) -> Plan:
        """See how late the camera answers, how fast its zoom is and whether it swings; promise how long all will take.

        Nothing goes far for that: head and lens stay near where they stood.
        """
        await self.stages.begin()
        await self.probe.time_replies()
        await self._lens.look()
        look = FirstLook(self.probe.reply_seconds, await self._head.look())
        # Its family may have a slow mode, and it may have said by now that it knows none.
        dialect = self.dialect.model_copy(update={"slow_mode": self.slow.exists})
        plan = plan_trials(self.probe.head, dialect, self.probe.rooms, self.rng, look)
        self.stages.promise(plan)
        return plan

    async def _switch(self, turn: Callable[[], Awaitable[None]]) -> None:
        """Turn slow mode on or off, and know that it is."""
        try:
            await turn()
        except SlowModeRefused as refusal:
            raise Refusal("refused", f"{refusal}; is the camera ready?") from None
        except LineDown:
            raise Refusal("unreachable", "the camera stopped answering; it was told to halt") from None
        except PushedAside:
            raise Refusal(*TAKEN_OVER) from None

    async def _slow_steps(self) -> None:
        """Measure the steps in slow mode, on a head that has one."""
        if not self.slow.exists:
            return
        await self.stages.begin()
        await self._switch(self.slow.on)
        await self._head.in_slow_mode()
        await self._switch(self.slow.off)

    async def _go_back(self) -> None:
        start, probe = self.start, self.probe
        fastest = BACK_SHARE * probe.head.pan.steps_deg_per_s[-1]
        step = sum(speed <= fastest for speed in probe.head.pan.steps_deg_per_s) or 1
        for _ in range(TRIES):
            await probe.go({"pan": start.pan_counts, "tilt": start.tilt_counts}, probe.steps(step))
            _, counts = await probe.read_head()
            if counts == {"pan": start.pan_counts, "tilt": start.tilt_counts}:
                break
        await self._lens.zoom_to(start.zoom_counts)
        if start.focus_mode == "manual":
            await self._lens.focus_to(start.focus_counts)
        else:
            await probe.line.perform(FocusAuto(), HALT_SECONDS).ended
        # A mount that still swings is no head that moves by itself; and the next move is planned from where it stands.
        await probe.quiet()
        mode = start.focus_mode
        probe.heard(await probe.patiently(lambda: read_framing(probe.line, mode)))
