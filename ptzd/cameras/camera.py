"""One camera: where it stands, and one move at a time.

Theory of operation. Two things run for each camera. The *watch* asks where the camera stands: often while it
moves, once a second at rest, ever more seldom while it does not answer. A *move* is carried out by a task of its
own: its commands go out in the very call that asks for it, then the task waits until the camera has reported the
end of each, reads the position until it has been still and within tolerance for a while, and says "settled". What
is in doubt is never believed but done again: a command whose completion was lost is sent anew with a new number,
and a head that is there already completes it at once.

A newer recall, a stop, a drive and a lock all interrupt: the running move's task is cancelled, and the camera is told
to cancel what it does in the same burst that brings the new order.

Some heads have a slow mode, which shaped moves may use, see `slowmode`. Whatever else moves such a head has the order
that turns it off ahead of its own, unless it is known to be off; a stop has not. Where a move broke off in slow mode,
the watch turns it off once the camera is at rest.
"""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from datetime import datetime
from operator import attrgetter

import structlog

from ptzd.links import Link
from ptzd.motion import (
    AxisSpeeds,
    DirectPlan,
    HeadModel,
    LearnedHead,
    Picture,
    PlanRefused,
    Pose,
    ShapedPlan,
    judge_move,
    judge_speeds,
    plan_at_speed,
    plan_in_seconds,
    plan_to_be_seen,
)
from ptzd.motion.course import Course
from ptzd.visca import (
    Command,
    Completed,
    DigitalZoomOff,
    ErrorCode,
    FocusStop,
    Interrupted,
    PanTiltDrive,
    PanTiltStop,
    Refused,
    Timing,
    Unanswered,
    ZoomStop,
)

from .framing import landing, out_of_reach
from .hand import Deflection, drive_orders
from .learning import Progress, estimate_seconds, learn
from .line import Ending, Exchange, InquiryRefused, Line, LineDown, PushedAside
from .measurements import Seeing
from .move import Move, Recall
from .orders import lens_orders, pan_tilt_order
from .reading import Condition, read_condition, read_focus_mode, read_framing, read_settling
from .reports import CameraState, Framing, Landing, Lock, MoveReport, Phase, Tally
from .settings import CameraSettings
from .shaped import HeadHeld, run_shaped
from .slowmode import SlowModeRefused, SlowModeSwitch
from .trials import LearnLimits, LearnRefusal, rooms_within

log = structlog.get_logger()

MOVING_PAUSE_SECONDS = 0.1  # between two readings while it moves
SETTLING_PAUSE_SECONDS = 0.02
RESTING_PAUSE_SECONDS = 1.0
LONGEST_PAUSE_SECONDS = 15.0  # between two attempts to reach a silent camera
CONDITION_EVERY = 5  # readings at rest between two questions for power, faults and the like
STILL_SECONDS = 0.3  # a reading must stay within tolerance this long: more than half a swing of a balcony rail
ATTEMPTS = 5  # how often the orders of a move are given before it has failed
DRIVE_SECONDS = 0.5  # a drive stops by itself this long after its last message
COMPLETION_PATIENCE_SECONDS = 0.25  # the head is seen to be there, but its completion may still be on its way
FAR_OFF_DEG = 0.5  # a head that says it has ended and rests farther off was held
STOP_TRIES = 3
COMPLETION_OF_A_STOP_SECONDS = 2.0
HALT: tuple[Command, ...] = (PanTiltStop(), ZoomStop(), FocusStop())


class CameraRefusal(Exception):
    """Something asked of a camera that it can't or mustn't do now."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence


class Camera:
    """A camera behind a link. `run` keeps it going; all else returns at once, but for `read_framing`."""

    def __init__(
        self,
        settings: CameraSettings,
        link: Link,
        *,
        calendar: Callable[[], datetime],
        report: Callable[[CameraState | MoveReport], None],
        stands_in: Callable[[Framing], str | None],
        lock: Lock | None = None,
        timing: Timing | None = None,
    ) -> None:
        """`report` hears of every change and must return at once; `stands_in` names a framing's stored position."""
        self.settings = settings
        self._calendar = calendar
        self._report = report
        self._stands_in = stands_in
        self._loop = asyncio.get_running_loop()
        self._line = Line(link, settings.dialect, on_restart=self._restarted, timing=timing)
        self._slow = SlowModeSwitch(self._line, settings.dialect)
        self._group: asyncio.TaskGroup | None = None
        self._wake = asyncio.Event()
        self._read = asyncio.Event()  # set by every reading
        self._up = False
        self._condition: Condition | None = None
        self._framing: Framing | None = None
        self._tally: Tally = "off"
        self._lock = lock
        self._move: Move | None = None
        self._driving: Deflection | None = None
        self._drive_timer: asyncio.TimerHandle | None = None
        self._learning: asyncio.Task[LearnedHead | LearnRefusal] | None = None
        self._learning_ended = ""  # by what, where that was before its end
        self._changed_at = -math.inf  # loop time of the last reading that differed from the one before
        self._stop_due = False  # it must stop, and has not confirmed it
        self._stop_fault: str | None = None
        self._said: CameraState | None = None
        self._said_at_rest: object = None  # what that was made of, while it does not move

    # What it is doing

    @property
    def name(self) -> str:
        return self.settings.name

    @property
    def locked(self) -> Lock | None:
        return self._lock

    @property
    def tally(self) -> Tally:
        return self._tally

    @property
    def moving(self) -> bool:
        """Whether it moves, as far as its own readings tell."""
        return (
            self._move is not None
            or self._driving is not None
            or self._learning is not None
            or self._loop.time() - self._changed_at < 3 * MOVING_PAUSE_SECONDS
        )

    @property
    def learning(self) -> bool:
        """Whether its head is being measured, and nothing has ended that."""
        return self._learning is not None and not self._learning.cancelling()

    def state(self) -> CameraState:
        """What is known of the camera now."""
        framing, condition, move = self._framing, self._condition, self._move
        dialect = self.settings.dialect
        remaining = None
        if move is not None:
            settled_at = move.started_at + move.prediction.seconds_to_settled
            remaining = round(max(0.0, settled_at - self._loop.time()), 2)
        faults = condition.faults if condition is not None else ()
        if self._stop_fault is not None:
            faults = (self._stop_fault, *faults)
        return CameraState(
            camera=self.name,
            link="up" if self._up else "down",
            power=condition.power if condition is not None and self._up else "unknown",
            phase=move.phase if move is not None else Phase.IDLE,
            framing=framing,
            pan_deg=None if framing is None else round(dialect.pan.degrees(framing.pan_counts), 3),
            tilt_deg=None if framing is None else round(dialect.tilt.degrees(framing.tilt_counts), 3),
            position=None if framing is None or self.moving else self._stands_in(framing),
            seconds_to_settled=remaining,
            tally=self._tally,
            locked=self._lock,
            faults=faults,
            as_of=self._calendar(),
            learning=self.learning,
        )

    # What it is asked

    def recall(self, recall: Recall) -> None:
        """Start a move to a framing; every phase of it is reported, a refusal too."""
        try:
            self._require_ready()
            self._require_free_to_move_on_air(recall)
            move = self._planned(recall)
        except CameraRefusal as refusal:
            self._say(recall, Phase.REFUSED, code=refusal.code, sentence=refusal.sentence)
            return
        older = self._move
        if move.shaped is None:
            self._order(move)
        else:  # whatever goes on ends; the steering begins afresh
            self._line.interrupt(self._stops_ahead_of(move.shaped), COMPLETION_OF_A_STOP_SECONDS)
        self._stop_due = False
        self._end_drive()
        self._end_learning(f"was sent to {recall.position}")
        if older is not None:
            self._finish(older, Phase.SUPERSEDED, "superseded", f"a newer recall, {recall.position}, took its place")
        self._move = move
        assert self._group is not None
        move.task = self._group.create_task(self._carry_out_or_stop(move))
        self._say_move(move)
        self._wake.set()

    def stop(self) -> None:
        """End all motion of the camera now, ahead of everything else."""
        self._stop("was stopped")

    def _stop(self, why: str) -> None:
        self._end_drive()
        self._end_learning(why)
        self._halt()
        if self._move is not None:
            self._finish(self._move, Phase.STOPPED, "stopped", "a stop was asked for")

    def drive(self, pan: float, tilt: float, zoom: float, focus: float) -> None:
        """Move by hand, each axis -1..1 of its fastest, until 0.5 s after the last call. Raises CameraRefusal."""
        self._require_ready()
        if self._tally == "program" and self.settings.on_air_moves == "refuse":
            raise CameraRefusal("on-air", f"camera {self.name} is on air, and its on_air_moves says refuse")
        wanted = Deflection(pan, tilt, zoom, focus)
        orders = drive_orders(self.settings.dialect, self._driving, wanted)
        if any(isinstance(order, PanTiltDrive) for order in orders):
            self._slow.interrupt(orders, 5.0)
        elif orders:
            self._line.interrupt(orders, 5.0)
        self._end_drive()
        self._driving = wanted
        self._drive_timer = self._loop.call_later(DRIVE_SECONDS, self.stop)
        self._stop_due = False
        self._end_learning("was driven by hand")
        if self._move is not None:
            self._finish(self._move, Phase.SUPERSEDED, "superseded", "the camera was driven by hand")
        self._wake.set()

    def lock(self, lock: Lock) -> None:
        """Stop all motion at once and refuse all to come."""
        self._lock = lock
        self._stop("was locked")
        self._say_state()

    def unlock(self) -> None:
        """Let the camera move again."""
        self._lock = None
        self._say_state()

    def set_tally(self, tally: Tally) -> None:
        """Take note of what the vision mixer shows.

        A camera that goes on air in mid-move finishes it and is told of; one that is being learned is stopped.
        """
        went_on_air = tally == "program" and self._tally != "program"
        self._tally = tally
        if went_on_air and self._move is not None:
            self._move.warning = f"camera {self.name} went on air while it moves; the picture is not at rest yet"
            self._say_move(self._move)
        if went_on_air and self._learning is not None:
            self._stop("went on air")
        self._say_state()

    def stalled(self, seconds: float) -> None:
        """End what has no end of its own: the event loop stood still for so many seconds, and nobody was in control."""
        if self._driving is not None or self._learning is not None or (self._move is not None and self._move.steered):
            self._stop(f"was left alone for {seconds:.1f} s")

    def positions_changed(self) -> None:
        """Say the state anew: the name of the position it stands in may be another."""
        self._said_at_rest = None
        self._say_state()

    async def read_framing(self) -> Framing:
        """Ask the camera where it stands, for a store. Raises CameraRefusal while it moves or can't tell."""
        self._require_reachable()
        if self.moving:
            raise CameraRefusal("moving", f"camera {self.name} is moving; store when it has come to rest")
        try:
            mode = await read_focus_mode(self._line)
            first = await read_framing(self._line, mode)
            await asyncio.sleep(MOVING_PAUSE_SECONDS)
            second = await read_framing(self._line, mode)
        except (LineDown, PushedAside, InquiryRefused):
            raise CameraRefusal(
                "unreachable", f"camera {self.name} did not tell its position; nothing was stored"
            ) from None
        if first.pan_counts != second.pan_counts or first.tilt_counts != second.tilt_counts:
            raise CameraRefusal("moving", f"camera {self.name} is moving; store when it has come to rest")
        if second.zoom_counts > self.settings.dialect.zoom.tele_counts:
            raise CameraRefusal(
                "digital-zoom",
                f"camera {self.name} is zoomed in digitally, which does not come back the same; "
                "switch digital zoom off and frame again",
            )
        return second

    async def learn(self, limits: LearnLimits, progress: Callable[[Progress], None], rng: random.Random) -> LearnedHead:
        """Measure how the head moves, and plan with that from then on.

        A stop, a recall, a drive, a lock or going on air ends it. Raises CameraRefusal where it can't begin, or did not
        come to its end.
        """
        start = self._where_learning_begins(limits)
        assert self._group is not None
        self._learning_ended = "was no longer attended to"
        self._learning = self._group.create_task(self._learn(start, limits, progress, rng))
        self._say_state()
        try:
            learned = await self._learning
        except asyncio.CancelledError:
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise
            sentence = f"camera {self.name} {self._learning_ended}; nothing was learned"
            raise CameraRefusal("stopped", sentence) from None
        finally:
            self._learning = None
            self._say_state()
            self._wake.set()
        if isinstance(learned, LearnRefusal):
            raise CameraRefusal(learned.code, learned.sentence)
        self.settings = replace(self.settings, head=learned.model)
        return learned

    def seconds_to_learn(self, limits: LearnLimits) -> float:
        """Return about how long `learn` would take from here. Nothing moves; raises CameraRefusal as `learn` would."""
        return estimate_seconds(self.settings.dialect, self._where_learning_begins(limits), limits)

    def _where_learning_begins(self, limits: LearnLimits) -> Framing:
        self._require_ready()
        if self._tally == "program":
            raise CameraRefusal("on-air", f"camera {self.name} is on air; learn it when nobody watches")
        if self.moving or self._framing is None or self._group is None:
            raise CameraRefusal("moving", f"camera {self.name} is moving; learn it when it has come to rest")
        try:
            rooms_within(self.settings.dialect, limits, self._framing)
        except LearnRefusal as refusal:
            raise CameraRefusal(refusal.code, refusal.sentence) from None
        return self._framing

    async def _learn(
        self, start: Framing, limits: LearnLimits, progress: Callable[[Progress], None], rng: random.Random
    ) -> LearnedHead | LearnRefusal:
        try:
            return await learn(
                self._line,
                self.settings.dialect,
                start,
                limits,
                slow=self._slow,
                seeing=Seeing(self.settings.tolerance, STILL_SECONDS, SETTLING_PAUSE_SECONDS, MOVING_PAUSE_SECONDS),
                progress=progress,
                rng=rng,
                calendar=self._calendar,
                heard=self._take_reading,
            )
        except LearnRefusal as refusal:
            if refusal.code == "unreachable":
                self._stop_when_heard("it fell silent while it was learned: it may still be moving")
                self._went_silent()
            return refusal

    def _end_learning(self, why: str) -> None:
        """End it, if there is one. `why` is what becomes of the camera: "was stopped"."""
        if self._learning is not None:
            if self.learning:
                self._learning_ended = why
            self._learning.cancel()

    # Running

    async def run(self) -> None:
        """Talk to the camera until cancelled."""
        async with asyncio.TaskGroup() as group:
            self._group = group
            try:
                group.create_task(self._line.run())
                await self._watch()
            finally:
                self._group = None
                if self._move is not None or self._driving is not None or self._learning is not None:
                    self._stop_when_heard("its conversation broke off in mid-move: it may still be moving")
                self._end_drive()
                if self._move is not None:
                    self._finish(self._move, Phase.FAILED, "internal", f"the move of camera {self.name} broke off")
                self._up = False
                self._condition = None

    async def come_to_rest(self, patience_seconds: float) -> bool:
        """Stop and wait until the camera is still, for a daemon that ends. Returns whether it was seen to be.

        A slow mode that was turned on is turned off meanwhile: whoever drives the camera next may know nothing of it.
        """
        self.stop()
        until = self._loop.time() + patience_seconds
        while self._up and (self.moving or self._slow.left_on) and self._loop.time() < until:
            self._read.clear()
            try:
                async with asyncio.timeout_at(until):
                    await self._read.wait()
            except TimeoutError:
                break
        return not self.moving

    async def _watch(self) -> None:
        silence = RESTING_PAUSE_SECONDS
        count = 0
        refused = False
        while True:
            if self._learning is not None or (self._move is not None and self._move.steered):
                self._say_state()  # its readings come from whoever moves it
                await asyncio.sleep(MOVING_PAUSE_SECONDS)
                continue
            self._wake.clear()
            if not self._up:
                self._line.restart()
                if self._stop_due:
                    self._halt()  # the first thing that a camera hears when it is back
            try:
                if self._condition is None or refused or (count % CONDITION_EVERY == 0 and self._move is None):
                    self._condition = await read_condition(self._line)
                    refused = False
                if self._condition.power != "standby":
                    framing = await read_framing(self._line, self._condition.focus_mode)
                    # A move that ended meanwhile has asked for the mode anew.
                    if self._condition is not None and self._condition.focus_mode != framing.focus_mode:
                        framing = replace(framing, focus_mode=self._condition.focus_mode)
                    self._take_reading(framing)
                self._up = True
                self._leave_slow_mode_at_rest()
                silence = RESTING_PAUSE_SECONDS
                count += 1
                pause = MOVING_PAUSE_SECONDS if self.moving else RESTING_PAUSE_SECONDS
            except PushedAside:
                pause = MOVING_PAUSE_SECONDS
            except InquiryRefused:
                self._up = refused = True  # perhaps somebody has switched it off
                pause = RESTING_PAUSE_SECONDS
            except LineDown:
                self._went_silent()
                pause = silence
                silence = min(2 * silence, LONGEST_PAUSE_SECONDS)
            self._say_state()
            await self._rest(pause)

    def _leave_slow_mode_at_rest(self) -> None:
        """Turn off a slow mode that a move left on which broke off."""
        on = self._condition is not None and self._condition.power == "on"
        if self._slow.left_on and on and not self.moving:
            self._slow.turn_off()

    async def _rest(self, seconds: float) -> None:
        if seconds <= MOVING_PAUSE_SECONDS or not self._up:
            await asyncio.sleep(seconds)
            return
        timer = self._loop.call_later(seconds, self._wake.set)  # half as dear as a timeout, and there is one a second
        try:
            await self._wake.wait()
        finally:
            timer.cancel()

    def _take_reading(self, framing: Framing) -> None:
        now = self._loop.time()
        if self._framing is not None and _brought_about(framing) != _brought_about(self._framing):
            self._changed_at = now
        self._framing = framing
        if self._condition is not None and self._condition.focus_mode != framing.focus_mode:
            self._condition = replace(self._condition, focus_mode=framing.focus_mode)
        self._read.set()
        move = self._move
        if move is not None:
            if not self.settings.tolerance.holds(self._landing(move, framing)):
                move.there_since = None
            elif move.there_since is None:
                move.there_since = now

    def _went_silent(self) -> None:
        self._up = False
        self._condition = None
        self._slow.forget()
        self._read.set()
        if self._move is not None:
            if not self._move.taken:
                self._stop_when_heard("it fell silent while it was being driven: it may still be moving")
            self._finish(
                self._move,
                Phase.FAILED,
                "unreachable",
                f"camera {self.name} stopped answering; it may still be finishing the move",
            )

    def _restarted(self) -> None:
        self._condition = None  # everything is asked anew: power, start-up, focus mode, digital zoom
        self._wake.set()
        move = self._move
        driven = move is not None and move.steered and move.shaped is not None and move.shaped.slow_mode
        broke_off = driven and self._slow.state == "on"
        self._slow.forget()
        if move is not None and broke_off:  # the usual steps may be many times faster than its plan's
            self._halt()
            sentence = (
                f"camera {self.name} restarted, or somebody else spoke to it, in a move in slow mode: nobody knows "
                "whether that is still on, so it was stopped; recall again"
            )
            self._finish(move, Phase.FAILED, "restarted", sentence)

    # A move

    def _require_reachable(self) -> None:
        if self._group is None or not self._up or self._framing is None:
            raise CameraRefusal("unreachable", f"camera {self.name} does not answer; check its power and its network")
        if self._condition is not None and self._condition.power == "standby":
            raise CameraRefusal(
                "standby",
                f"camera {self.name} is in standby; switch it on where its start-up sweep endangers nobody",
            )
        if self._condition is not None and self._condition.power == "starting":
            raise CameraRefusal(
                "initialising", f"camera {self.name} is still starting up; wait until its sweep has ended"
            )

    def _require_ready(self) -> None:
        if self._lock is not None:
            raise CameraRefusal(
                "locked",
                f"camera {self.name} is locked by {self._lock.by or 'somebody'}"
                f"{f' ({self._lock.reason})' if self._lock.reason else ''}; unlock it when it is safe to move",
            )
        self._require_reachable()

    def _require_free_to_move_on_air(self, recall: Recall) -> None:
        if self._tally != "program":
            return
        if self.settings.on_air_moves == "refuse":
            raise CameraRefusal("on-air", f"camera {self.name} is on air, and its on_air_moves says refuse")
        if self.settings.on_air_moves == "ask" and not recall.on_air:
            raise CameraRefusal("on-air", f'camera {self.name} is on air; to move it all the same, send "on_air": true')

    def _planned(self, recall: Recall) -> Move:
        settings = self.settings
        beyond = out_of_reach(settings.dialect, recall.framing)
        if beyond is not None:
            raise CameraRefusal("out-of-reach", f"position {recall.position}: {beyond}")
        start = self._framing
        if start is None:
            raise CameraRefusal("unreachable", f"camera {self.name} has not told its position yet")
        try:
            for order in lens_orders(recall.framing, digital_zoom=None):
                order.encode(settings.dialect)
        except ValueError as error:  # found out only while it is sent, the head would be on its way
            raise CameraRefusal("out-of-reach", f"position {recall.position}: {error}") from None
        # Where the focus stands is known in auto focus too; where it will go by itself is not.
        here = replace(self._pose(start), focus_counts=start.focus_counts)
        there = self._pose(recall.framing)
        if self._tally == "program":
            return self._planned_to_be_seen(recall, here, there)
        if recall.seconds is not None:
            plan = plan_in_seconds(settings.head, here, there, recall.seconds)
        else:
            plan = plan_at_speed(settings.head, here, there, recall.step or settings.speed)
        if isinstance(plan, PlanRefused):
            raise CameraRefusal(plan.code, plan.sentence)
        return self._direct(recall, plan)

    def _direct(self, recall: Recall, plan: DirectPlan, warning: str | None = None) -> Move:
        return Move(
            recall,
            plan.pan_step,
            plan.tilt_step,
            plan.prediction,
            "direct",
            plan.why,
            self._loop.time(),
            warning=warning,
        )

    def _planned_to_be_seen(self, recall: Recall, here: Pose, there: Pose) -> Move:
        """Shaped, in the seconds asked for, or in those that the direct move at this speed would take."""
        settings, optics = self.settings, self.settings.optics
        direct = plan_at_speed(settings.head, here, there, recall.step or settings.on_air_speed)
        picture = None if optics is None else Picture(optics.lens, optics.sensor)
        seconds = recall.seconds or direct.prediction.seconds_to_arrival
        plan = plan_to_be_seen(self._head_for_shaped_moves(), here, there, seconds, picture=picture)
        if isinstance(plan, PlanRefused):
            if recall.seconds is not None:
                raise CameraRefusal(plan.code, settings.refusal_hinted(plan).sentence)
            warning = None
            if optics is not None:
                steps = direct.pan_step, direct.tilt_step
                verdict = judge_move(settings.head, optics.sensor, optics.lens, optics.frame_rate, here, there, *steps)
                warning = None if verdict.watchable else settings.hinted(verdict).sentence
            return self._direct(recall, direct, warning)
        return Move(
            recall,
            direct.pan_step,
            direct.tilt_step,
            plan.prediction,
            "shaped",
            plan.why,
            self._loop.time(),
            warning=self._too_fast_to_watch(plan),
            shaped=plan,
        )

    def _head_for_shaped_moves(self) -> HeadModel:
        """The head's model, without its slow mode where that can't be turned on now."""
        head = self.settings.head
        # What a head does that is switched in mid-move, no document says.
        usable = self._slow.exists and (self._slow.state == "on" or not self.moving)
        return head if usable or head.slow is None else replace(head, slow=None)

    def _too_fast_to_watch(self, plan: ShapedPlan) -> str | None:
        optics = self.settings.optics
        if optics is None:
            return None
        fastest = AxisSpeeds(*(_fastest(course) for course in (plan.pan, plan.tilt, plan.zoom)))
        verdict = judge_speeds(
            self.settings.head,
            optics.sensor,
            optics.lens,
            optics.frame_rate,
            plan.from_,
            plan.to,
            fastest,
            plan.seconds,
        )
        return None if verdict.watchable else self.settings.hinted(verdict).sentence

    def _pose(self, framing: Framing) -> Pose:
        dialect = self.settings.dialect
        return Pose(
            dialect.pan.degrees(framing.pan_counts),
            dialect.tilt.degrees(framing.tilt_counts),
            framing.zoom_counts,
            framing.focus_counts if framing.focus_mode == "manual" else None,
        )

    def _landing(self, move: Move, framing: Framing) -> Landing:
        return landing(self.settings.dialect, framing, move.recall.framing)

    def _lens_exchanges(self, move: Move) -> list[Exchange]:
        digital_zoom = None if self._condition is None else self._condition.digital_zoom
        return [
            self._line.perform(order, move.completion_seconds())
            for order in lens_orders(move.recall.framing, digital_zoom=digital_zoom)
        ]

    def _order(self, move: Move) -> None:
        """Send the camera straight to the framing."""
        order = pan_tilt_order(move.recall.framing, move.pan_step, move.tilt_step)
        move.exchanges = self._slow.interrupt([order], move.completion_seconds())
        move.exchanges += self._lens_exchanges(move)

    def _stops_ahead_of(self, plan: ShapedPlan) -> list[Command]:
        """What ends a drive that still goes on, on each motor to which the plan gives no order at its beginning.

        Such a motor would be driven on until it has one: a drive holds no socket that could be cancelled.
        """
        if not self.moving and not self._stop_due:
            return []
        stops: list[Command] = []
        if not _sets_out_at_once(plan.pan) and not _sets_out_at_once(plan.tilt):
            stops.append(PanTiltStop())
        if not _sets_out_at_once(plan.zoom):
            stops.append(ZoomStop())
        return [*stops, FocusStop()]

    async def _steer(self, move: Move, plan: ShapedPlan) -> bool:
        """Drive the camera along a curve until it has been sent to the framing itself; False if that failed."""
        self._enter(move, Phase.SLEWING)
        if self._condition is not None and self._condition.digital_zoom:
            self._line.perform(DigitalZoomOff(), move.completion_seconds())  # its counts would mislead the steering
        try:
            move.exchanges = await run_shaped(
                self._line,
                self.settings.dialect,
                plan,
                move.recall.framing,
                slow=self._slow,
                told=self._told_on_the_way,
            )
        except SlowModeRefused as refusal:
            self._fail(move, "slow-mode", f"{refusal}, so camera {self.name} did not set out; recall again")
            return False
        except HeadHeld:
            sentence = (
                f"camera {self.name} stood still on its way to {move.recall.position} and was stopped: a limit set in "
                "the camera, an obstacle or another controller may have held it; look at it before you recall again"
            )
            self._fail(move, "held", sentence)
            return False
        except LineDown:
            self._went_silent()
            return False
        return True

    def _told_on_the_way(self, at: float, pan_counts: int, tilt_counts: int, zoom_counts: int | None) -> None:
        if self._framing is not None:
            zoom = self._framing.zoom_counts if zoom_counts is None else zoom_counts
            self._take_reading(replace(self._framing, pan_counts=pan_counts, tilt_counts=tilt_counts, zoom_counts=zoom))

    async def _carry_out_or_stop(self, move: Move) -> None:
        """A mistake of ours must not leave a head driving."""
        try:
            await self._carry_out(move)
        except Exception:
            log.exception("a move broke off; the camera is stopped", camera=self.name, position=move.recall.position)
            self._halt()
            if self._move is move:
                sentence = f"the daemon failed at this move and stopped camera {self.name}; its log tells more"
                self._finish(move, Phase.FAILED, "internal", sentence)

    async def _carry_out(self, move: Move) -> None:
        if move.shaped is not None:
            if not await self._steer(move, move.shaped):
                return
            await self._heard_order(move)
        else:
            await self._heard_order(move)
            self._enter(move, Phase.SLEWING)
        for attempt in range(ATTEMPTS):
            if attempt:
                await asyncio.sleep(MOVING_PAUSE_SECONDS)
                move.there_since = None
                self._order(move)
                await self._heard_order(move)
            endings = await self._endings(move)
            if any(isinstance(ending, Unanswered) for ending in endings):
                self._went_silent()
                return
            if self._slow.left_on:
                self._slow.turn_off()
            if failure := self._failure(endings):
                self._fail(move, *failure)
                return
            if not all(isinstance(ending, Completed) for ending in endings):
                continue
            if attempt == 0 or move.phase is Phase.SLEWING:
                self._enter(move, Phase.SETTLING)
            if await self._still(move):
                self._finish(move, Phase.SETTLED)
                return
            if self._rests_far_off(move):  # to insist would be to fight whoever or whatever held it
                sentence = (
                    f"camera {self.name} came to rest far from {move.recall.position}: a limit set in the camera, an "
                    "obstacle or another controller may have held it; look at it before you recall again"
                )
                self._fail(move, "held", sentence)
                return
        self._fail(
            move,
            "off-position",
            f"camera {self.name} did not come to rest on {move.recall.position} in {ATTEMPTS} attempts",
        )

    def _rests_far_off(self, move: Move) -> bool:
        if self._framing is None:
            return False
        landed = self._landing(move, self._framing)
        return max(abs(landed.pan_deg), abs(landed.tilt_deg)) > FAR_OFF_DEG

    async def _heard_order(self, move: Move) -> None:
        """Wait until the camera has taken the order to go to the framing, or will not."""
        head = move.exchanges[0]
        await head.begun
        lost = head.ended.done() and isinstance(head.ended.result(), Refused | Interrupted | Unanswered)
        move.taken = move.taken or not lost

    def _fail(self, move: Move, code: str, sentence: str) -> None:
        if not move.taken:  # it may still do what was asked before, such as a drive that nothing else would end
            self._halt()
        self._finish(move, Phase.FAILED, code, sentence)

    async def _endings(self, move: Move) -> list[Ending | None]:
        """Wait until each command has ended, or until the head has been seen to be there for long enough."""
        futures = [exchange.ended for exchange in move.exchanges]
        while pending := [future for future in futures if not future.done()]:
            await asyncio.wait(pending, timeout=MOVING_PAUSE_SECONDS, return_when=asyncio.FIRST_COMPLETED)
            seen = move.there_since
            if seen is not None and self._loop.time() - seen > COMPLETION_PATIENCE_SECONDS:
                break
        return [future.result() if future.done() else None for future in futures]

    def _failure(self, endings: list[Ending | None]) -> tuple[str, str] | None:
        for ending in endings:
            match ending:
                case Refused(code=ErrorCode.NOT_EXECUTABLE) if (
                    self._condition is not None and self._condition.power == "starting"
                ):
                    return "initialising", f"camera {self.name} restarted and is finding its ends"
                case Refused(code=ErrorCode.SYNTAX | ErrorCode.MESSAGE_LENGTH):
                    return (
                        "not-understood",
                        f"camera {self.name} did not understand a command; is {self.settings.dialect.name} "
                        "the right dialect for it?",
                    )
                case Refused(code=ErrorCode.CANCELLED):
                    return "taken-over", f"another controller took camera {self.name} over"
                case _:
                    pass
        return None

    async def _still(self, move: Move) -> bool:
        """Whether the head comes to rest within tolerance; False as soon as it rests elsewhere."""
        move.there_since = None
        last: Framing | None = None
        resting_since = self._loop.time()
        until = self._loop.time() + move.completion_seconds()
        while self._loop.time() < until:
            known = (
                last if last is not None and self._lens_is_there(move, last) and not self._seems_still(move) else None
            )
            try:
                framing = await read_settling(self._line, known)
            except (LineDown, PushedAside, InquiryRefused):
                await asyncio.sleep(MOVING_PAUSE_SECONDS)
                continue
            now = self._loop.time()
            self._take_reading(framing)
            if known is None and self._seems_still(move):
                return framing.focus_mode == move.recall.framing.focus_mode
            if framing != last:
                last, resting_since = framing, now
            if move.there_since is None and now - resting_since > 2 * STILL_SECONDS:
                return False
            await asyncio.sleep(SETTLING_PAUSE_SECONDS)
        return False

    def _seems_still(self, move: Move) -> bool:
        return move.there_since is not None and self._loop.time() - move.there_since >= STILL_SECONDS

    def _lens_is_there(self, move: Move, framing: Framing) -> bool:
        landed = replace(self._landing(move, framing), pan_counts=0, tilt_counts=0)
        return self.settings.tolerance.holds(landed)

    def _enter(self, move: Move, phase: Phase) -> None:
        move.phase = phase
        self._say_move(move)

    def _finish(self, move: Move, phase: Phase, code: str | None = None, sentence: str | None = None) -> None:
        move.phase = phase
        self._move = None
        if move.task is not None and move.task is not asyncio.current_task():
            move.task.cancel()
        if phase is Phase.SETTLED:
            self._changed_at = -math.inf  # it was seen to be still
            self._stop_fault = None
        self._say_move(move, code, sentence)
        self._say_state()

    # Stopping and driving

    def _halt(self) -> None:
        self._stop_due = True
        exchanges = self._line.interrupt(HALT, COMPLETION_OF_A_STOP_SECONDS)
        self._changed_at = self._loop.time()  # until readings say that it is at rest
        self._wake.set()
        if self._group is not None:
            self._group.create_task(self._confirm_halt(exchanges))

    async def _confirm_halt(self, exchanges: list[Exchange]) -> None:
        for _ in range(STOP_TRIES):
            endings = [await exchange.ended for exchange in exchanges]
            if any(isinstance(ending, Interrupted) for ending in endings):
                return  # a newer order is on its way, with a watch of its own
            if isinstance(endings[0], Completed):
                self._stop_due = False
                self._stop_fault = None
                self._say_state()
                return
            if any(isinstance(ending, Unanswered) for ending in endings):
                break
            exchanges = self._line.interrupt(HALT, COMPLETION_OF_A_STOP_SECONDS)
        self._stop_fault = "a stop was not confirmed: the camera may still be moving"
        self._say_state()

    def _stop_when_heard(self, fault: str) -> None:
        """Nobody can tell it to stop now: that will be the first thing that it hears."""
        self._stop_due = True
        self._stop_fault = fault

    def _end_drive(self) -> None:
        self._driving = None
        if self._drive_timer is not None:
            self._drive_timer.cancel()
            self._drive_timer = None

    # Saying

    def _say_state(self) -> None:
        with _listening(self.name):
            if self._move is None:  # most readings are of a camera at rest and bring nothing new
                at_rest = (
                    self._up,
                    self._condition,
                    self._framing,
                    self._tally,
                    self._lock,
                    self._stop_fault,
                    self.moving,
                    self.learning,
                )
                if at_rest == self._said_at_rest:
                    return
                self._said_at_rest = at_rest
            else:
                self._said_at_rest = None
            state = self.state()
            if self._said is not None and _alike(self._said, state):
                return
            self._said = state
            self._report(state)

    def _say_move(self, move: Move, code: str | None = None, sentence: str | None = None) -> None:
        self._say(move.recall, move.phase, move=move, code=code, sentence=sentence)

    def _say(
        self,
        recall: Recall,
        phase: Phase,
        *,
        move: Move | None = None,
        code: str | None = None,
        sentence: str | None = None,
    ) -> None:
        landed = None
        if move is not None and phase.ended and self._framing is not None:
            landed = self._landing(move, self._framing)
        report = MoveReport(
            camera=self.name,
            phase=phase,
            position=recall.position,
            id=recall.id,
            predicted_seconds=None if move is None else round(move.prediction.seconds_to_settled, 3),
            least_seconds=None if move is None else round(move.prediction.least_seconds, 3),
            most_seconds=None if move is None else round(move.prediction.most_seconds, 3),
            measured_seconds=None if move is None else round(self._loop.time() - move.started_at, 3),
            landing=landed,
            code=code,
            sentence=sentence,
            as_of=self._calendar(),
            way=None if move is None else move.way,
            why=None if move is None else move.why,
            warning=None if move is None else move.warning,
            token=recall.token,
        )
        with _listening(self.name):
            self._report(report)


@contextmanager
def _listening(camera: str) -> Iterator[None]:
    """A mistake of those who listen to a camera must not keep its head moving."""
    try:
        yield
    except Exception:
        log.exception("what a camera said could not be passed on", camera=camera)


def _fastest(course: Course) -> float:
    return max((abs(change.speed) for change in course.changes()), default=0.0)


def _sets_out_at_once(course: Course) -> bool:
    return course.staircase is not None and not course.starts_at


_BUT_THE_DATE = attrgetter(*(field.name for field in fields(CameraState) if field.name != "as_of"))


def _alike(one: CameraState, other: CameraState) -> bool:
    """Whether two states differ in their date at most."""
    return bool(_BUT_THE_DATE(one) == _BUT_THE_DATE(other))


def _brought_about(framing: Framing) -> Framing:
    """A framing as far as a move or a hand brings it about: a camera that focuses by itself may do so at rest."""
    return replace(framing, focus_counts=0) if framing.focus_mode == "auto" else framing
