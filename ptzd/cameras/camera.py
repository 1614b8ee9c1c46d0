"""One camera: where it stands, and the one thing that it does.

Theory of operation. Everything that a camera can be asked comes in here, is refused or brings an activity (see
`activity`), whose first orders leave in that very call. A *watch* asks where the camera stands, see `watch`; what it
hears goes to the activity. For as long as the camera may be moving without an end of its own, a *term* is renewed with
the guard.

Some heads have a slow mode, which shaped moves may use, see `slowmode`. Whatever else moves such a head has the order
that turns it off ahead of its own, unless it is known to be off; a stop has not. Where a move broke off in slow mode,
the watch turns it off once the camera is at rest.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine
from dataclasses import replace
from datetime import datetime
from typing import Any

import structlog

from ptzd.links import Link
from ptzd.motion import LearnedHead
from ptzd.refusal import Refusal
from ptzd.visca import Timing

from . import activity as causes
from .activity import Activity, Cause
from .contact import Contact
from .direct import MOVING_PAUSE_SECONDS, SETTLING_PAUSE_SECONDS, Direct
from .guard import Guard, Term
from .halting import AtRest, Halting
from .hand import ByHand, Deflection
from .learning import LearnLimits, Progress, Seeing, estimate_seconds, learn, rooms_within
from .learning.activity import Learner
from .line import InquiryRefused, LineDown, PushedAside
from .move import Move, Recall
from .permission import (
    require_free_to_be_learned,
    require_free_to_be_recalled,
    require_guarded,
    require_not_refused_on_air,
    require_reachable,
    require_ready,
)
from .plan import MovePlan, MoveRefused, Pace, plan_move, pose_standing
from .reading import read_focus_mode, read_framing
from .reports import CameraState, Framing, Lock, MoveReport, Phase, Tally
from .settings import CameraSettings
from .shaped import Shaped
from .still import STILL_SECONDS, Arrival, alike
from .voice import Voice
from .watch import HALTING_PAUSE_SECONDS, Watch
from .window import within

log = structlog.get_logger()


class Camera:
    """A camera behind a link. `run` keeps it going; all else returns at once, but for `read_framing` and `learn`."""

    def __init__(
        self,
        settings: CameraSettings,
        link: Link,
        *,
        guard: Guard,
        calendar: Callable[[], datetime],
        report: Callable[[CameraState | MoveReport], None],
        stands_in: Callable[[Framing], str | None],
        lock: Lock | None = None,
        timing: Timing | None = None,
    ) -> None:
        """`report` hears of every change and must return at once; `stands_in` names a framing's stored position."""
        self.settings = settings
        self.contact = Contact(
            link, settings.dialect, on_restart=self._restarted, on_reading=self._heard, timing=timing
        )
        self._guard = guard
        self._calendar = calendar
        self._voice = Voice(settings.name, report, calendar)
        self._stands_in = stands_in
        self._loop = asyncio.get_running_loop()
        self._group: asyncio.TaskGroup | None = None
        self._watch = Watch(self)
        self._tally: Tally = "off"
        self._lock = lock
        self._fault: str | None = None  # what was noticed of it since the last order
        self._activity: Activity = AtRest(self)
        self._term = Term(
            guard,
            settings.name,
            unended=lambda: self._activity.unended,
            seconds=lambda: self._activity.term_seconds(),
            unguarded=lambda: self._break_off(causes.UNGUARDED),
            stalled=self.stalled,
        )

    # What it is doing

    @property
    def name(self) -> str:
        return self.settings.name

    @property
    def attended(self) -> bool:
        """Whether somebody keeps its conversation going."""
        return self._group is not None

    @property
    def locked(self) -> Lock | None:
        return self._lock

    @property
    def tally(self) -> Tally:
        return self._tally

    @property
    def moving(self) -> bool:
        """Whether it does anything but stand still, as far as its own readings tell."""
        if isinstance(self._activity, AtRest):
            return self._activity.stands is None and self.contact.power != "standby"
        return True

    @property
    def activity(self) -> Activity:
        """The one thing that it does."""
        return self._activity

    def state(self) -> CameraState:
        """What is known of the camera now."""
        framing, condition, move = self.contact.framing, self.contact.condition, self._activity.move
        dialect = self.settings.dialect
        own = (self._activity.fault if isinstance(self._activity, Halting) else None, self._fault)
        return CameraState(
            camera=self.name,
            link="up" if self.contact.up else "down",
            power=self.contact.power,
            phase=move.phase if move is not None else Phase.IDLE,
            framing=framing,
            pan_deg=None if framing is None else round(dialect.pan.degrees(framing.pan_counts), 3),
            tilt_deg=None if framing is None else round(dialect.tilt.degrees(framing.tilt_counts), 3),
            position=None if framing is None or self.moving else self._stands_in(framing),
            seconds_to_settled=None if move is None else round(max(0.0, move.settled_at - self._loop.time()), 2),
            tally=self._tally,
            locked=self._lock,
            faults=(*(fault for fault in own if fault is not None), *(condition.faults if condition else ())),
            as_of=self._calendar(),
            activity=None if isinstance(self._activity, AtRest) and self.moving else self._activity.kind,
        )

    # What it is asked

    def recall(self, recall: Recall) -> None:
        """Start a move to a framing; every phase of it is reported, a refusal too."""
        try:
            plan = self._planned(recall, seen=self._tally == "program")
            arrival = Arrival(self.settings.dialect, recall.framing, self.settings.tolerance)
            move = Move(recall, plan, self.settings.dialect, arrival, self._loop.time(), plan.warning)
            activity = Direct(self, move) if plan.shaped is None else Shaped(self, move)
            require_guarded(self, self._guard, activity)
        except Refusal as refusal:
            self.refuse(recall.position, recall.id, recall.token, refusal)
            return
        self._fault = None
        self._become(activity, causes.RECALLED, recall.position)

    def require_possible(self, recall: Recall) -> None:
        """Raise the Refusal that a move to a framing would meet if it set out now and were seen; nothing moves."""
        self._planned(recall, seen=True)

    def refuse(self, position: str, id: str | None, token: object, refusal: Refusal) -> None:
        """Report that a move to a stored position does not come about."""
        self._voice.refusal(position, id, token, refusal)

    def stop(self) -> None:
        """End all motion of the camera now, ahead of everything else."""
        self._halt(causes.STOPPED)

    def drive(self, pan: float, tilt: float, zoom: float, focus: float) -> None:
        """Move by hand, each axis -1..1 of its fastest, until 0.5 s after the last call.

        Raises Refusal, and ValueError or OverflowError for what is no number; then nothing has changed.
        """
        require_ready(self)
        require_not_refused_on_air(self)
        wanted = Deflection(pan, tilt, zoom, focus)
        if not any(wanted):
            if not isinstance(self._activity, AtRest | Halting):
                self._halt(causes.DRIVEN)
        elif isinstance(self._activity, ByHand):
            self._activity.deflect(wanted)
        else:
            by_hand = ByHand(self, wanted, let_go=lambda: self._halt(causes.LET_GO))
            require_guarded(self, self._guard, by_hand)
            self._fault = None
            self._become(by_hand, causes.DRIVEN)

    def lock(self, lock: Lock) -> None:
        """Stop all motion at once and refuse all to come."""
        self._lock = lock
        self._halt(causes.LOCKED)

    def unlock(self) -> None:
        """Let the camera move again."""
        self._lock = None
        self.say_state()

    def set_tally(self, tally: Tally) -> None:
        """Take note of what the vision mixer shows.

        A camera that goes on air in mid-move finishes it and is told of; one that is being learned is stopped.
        """
        went_on_air = tally == "program" and self._tally != "program"
        self._tally = tally
        if went_on_air and (move := self._activity.move) is not None:
            move.warning = f"camera {self.name} went on air while it moves; the picture is not at rest yet"
            self.told(move)
        if went_on_air and isinstance(self._activity, Learner):
            self._halt(causes.ON_PROGRAM)
        self.say_state()

    def stalled(self, seconds: float) -> None:
        """Take note that nothing ran here for so long: what has no end of its own is halted."""
        self._break_off(causes.STALLED, f"{seconds:.1f}")

    def positions_changed(self) -> None:
        """Say the state anew: the name of the position it stands in may be another."""
        self._voice.forget()
        self.say_state()

    async def read_framing(self) -> Framing:
        """Ask the camera where it stands, for a store. Raises Refusal while it moves or can't tell."""
        require_reachable(self)
        still = Refusal("moving", f"camera {self.name} is moving; store when it has come to rest")
        if self.moving:
            raise still
        try:
            mode = await read_focus_mode(self.contact.line)
            first = await read_framing(self.contact.line, mode)
            await asyncio.sleep(MOVING_PAUSE_SECONDS)
            second = await read_framing(self.contact.line, mode)
        except PushedAside:
            raise still from None  # something else is done with it now
        except (LineDown, InquiryRefused):
            raise Refusal("unreachable", f"camera {self.name} did not tell its position; nothing was stored") from None
        if self.moving or not alike(first, second):
            raise still
        if second.zoom_counts > self.settings.dialect.zoom.tele_counts:
            raise Refusal(
                "digital-zoom",
                f"camera {self.name} is zoomed in digitally, which does not come back the same; "
                "switch digital zoom off and frame again",
            )
        return second

    async def learn(self, limits: LearnLimits, progress: Callable[[Progress], None], rng: random.Random) -> LearnedHead:
        """Measure how the head moves, and plan with that from then on.

        A stop, a recall, a drive, a lock or going on air ends it. Raises Refusal where it can't begin, or did not
        come to its end.
        """
        start = self._where_learning_begins(limits)
        learner = Learner(self._learn(start, limits, progress, rng))
        require_guarded(self, self._guard, learner)
        self._fault = None
        self._become(learner, causes.LEARNED)
        assert learner.task is not None
        try:
            learned = await learner.task
        except asyncio.CancelledError:
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise
            sentence = f"camera {self.name} {learner.ended_by}; nothing was learned"
            raise Refusal("stopped", sentence) from None
        except Refusal as refusal:
            if refusal.code == "unreachable" and self._activity is learner:
                self.silent()
            raise
        else:
            self.settings = replace(self.settings, head=learned.model)
            self.ended(learner, Phase.IDLE, halt=False)
            return learned
        finally:
            self.ended(learner, Phase.IDLE, halt=True)

    def seconds_to_learn(self, limits: LearnLimits) -> float:
        """Return about how long `learn` would take from here. Nothing moves; raises Refusal as `learn` would."""
        return estimate_seconds(self.settings.dialect, self._where_learning_begins(limits), self._inside(limits))

    def _where_learning_begins(self, limits: LearnLimits) -> Framing:
        start = require_free_to_be_learned(self)
        rooms_within(self.settings.dialect, self._inside(limits), start)
        return start

    def _inside(self, limits: LearnLimits) -> LearnLimits:
        return within(self.settings.window, limits)

    def _learn(
        self, start: Framing, limits: LearnLimits, progress: Callable[[Progress], None], rng: random.Random
    ) -> Coroutine[Any, Any, LearnedHead]:
        return learn(
            self.contact.line,
            self.settings.dialect,
            start,
            self._inside(limits),
            slow=self.contact.slow,
            seeing=Seeing(self.settings.tolerance, STILL_SECONDS, SETTLING_PAUSE_SECONDS, MOVING_PAUSE_SECONDS),
            progress=progress,
            rng=rng,
            calendar=self._calendar,
            heard=self.contact.take,
        )

    def _planned(self, recall: Recall, *, seen: bool) -> MovePlan:
        here = require_ready(self)
        require_free_to_be_recalled(self, on_air=recall.on_air)
        slow = self.contact.slow
        plan = plan_move(
            self.settings,
            pose_standing(self.settings.dialect, here),
            recall.framing,
            Pace(recall.step, recall.seconds),
            seen=seen,
            # What a head does whose slow mode is switched in mid-move, no document says.
            slow_mode=slow.exists and (slow.state == "on" or not self.moving),
        )
        if isinstance(plan, MoveRefused):
            raise Refusal(
                plan.code, f"position {recall.position}: {plan.sentence}" if plan.of_framing else plan.sentence
            )
        return plan

    # From one activity to the next

    def _become(self, new: Activity, cause: Cause, what: str = "") -> None:
        """Begin something new and end what goes on."""
        older = self._activity
        if new.unended or older.unended:
            self._term.begin()
        new.begin(older)
        self._activity = new
        older.end()
        if isinstance(older, Learner):
            older.ended_by = cause.learning.format(what=what)
        if older.move is not None:
            older.move.phase = cause.phase
            self._say_move(older.move, cause.code, cause.sentence.format(what=what))
        if new.move is not None:
            self._say_move(new.move)
        self.say_state()
        self._watch.look_now()

    def _halt(self, cause: Cause, what: str = "", fault: str | None = None) -> None:
        if isinstance(self._activity, Halting):
            self._activity.again()
            self.say_state()
        else:
            self._become(Halting(self, fault), cause, what)

    def _break_off(self, cause: Cause, what: str = "") -> None:
        """Halt what goes on if it has no end of its own."""
        if self._activity.unended and not isinstance(self._activity, Halting):
            log.warning("a camera is stopped", camera=self.name, why=cause.sentence.format(what=what))
            self._halt(cause, what)

    def spawn(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        assert self._group is not None
        return self._group.create_task(work)

    def told(self, move: Move) -> None:
        self._say_move(move)

    def restarted_while_it_was_learned(self) -> None:
        self._break_off(causes.RESTARTED, self.name)

    def ended(
        self, activity: Activity, phase: Phase, code: str | None = None, sentence: str | None = None, *, halt: bool
    ) -> None:
        if activity is not self._activity:
            return  # something else has begun meanwhile
        settled = phase is Phase.SETTLED
        following = Halting(self) if halt else AtRest(self, self.contact.framing if settled else None)
        if following.unended:
            self._term.begin()
        following.begin(activity)
        self._activity = following
        activity.end()
        if activity.move is not None:
            activity.move.phase = phase
            self._say_move(activity.move, code, sentence)
        self.say_state()
        self._watch.look_now()

    def rested(self) -> None:
        older = self._activity
        self._activity = AtRest(self, self.contact.framing)
        older.end()
        self.say_state()
        self._watch.look_now()

    def strayed(self) -> None:
        halts = self._lock is not None or self.settings.strange_motion == "halt"
        if self._fault is None:
            log.warning("a camera moves without an order", camera=self.name, halted=halts)
        self._fault = (
            "it moved though nobody here had ordered it: somebody else moves it, it was knocked, or it obeyed an order "
            "from before; look at it before you recall again"
        )
        if halts:
            self._halt(causes.STRAYED)
        else:
            self._activity = AtRest(self)
            self.say_state()

    def silent(self) -> None:
        self.contact.fell_silent()
        older = self._activity
        if isinstance(older, AtRest):
            older.forget()
        elif older.unended:
            if not isinstance(older, Halting):
                fault = "it fell silent while it was being moved: it may still be moving"
                self._halt(causes.SILENT, self.name, fault)
        else:
            until = older.move.given_up_at if older.move is not None else self._loop.time()
            self._become(AtRest(self, ours_until=until), causes.SILENT, self.name)
        self.say_state()

    def _restarted(self) -> None:
        self.contact.condition = None  # everything is asked anew: power, start-up, focus mode, digital zoom
        self._watch.restarted()
        activity, slow = self._activity, self.contact.slow
        # The usual steps may be many times faster than its plan's.
        broke_off = isinstance(activity, Shaped) and activity.reads and activity.plan.slow_mode and slow.state == "on"
        slow.forget()
        if isinstance(activity, AtRest):
            activity.forget()
        if broke_off:
            self._halt(causes.RESTARTED, self.name)
        self._watch.look_now()

    # Running

    async def run(self) -> None:
        """Talk to the camera until cancelled."""
        async with asyncio.TaskGroup() as group:
            self._group = group
            if self._activity.unended:
                self._term.begin()
            try:
                group.create_task(self.contact.line.run())
                await self._watch.run()
            finally:
                if not isinstance(self._activity, AtRest):
                    self._halt(causes.BROKEN, self.name, "its conversation broke off: it may still be moving")
                self._term.end()
                self._group = None
                self.contact.up = False
                self.contact.condition = None

    async def come_to_rest(self, patience_seconds: float) -> bool:
        """Stop and wait until the camera is still, for a daemon that ends. Returns whether it was seen to be.

        A slow mode that was turned on is turned off meanwhile: whoever drives the camera next may know nothing of it.
        """
        if isinstance(self._activity, AtRest) and not self.contact.up:
            return False  # and nothing that it may still be doing could be ended
        self._halt(causes.ENDING)
        until = self._loop.time() + patience_seconds
        while (self.moving or self.contact.slow.left_on) and self._loop.time() < until:
            self.contact.read.clear()
            try:
                async with asyncio.timeout_at(min(until, self._loop.time() + HALTING_PAUSE_SECONDS)):
                    await self.contact.read.wait()
            except TimeoutError:
                pass
        return not self.moving

    def _heard(self, framing: Framing) -> None:
        self._activity.heard(framing, self._loop.time())

    # Saying

    def say_state(self) -> None:
        contact, activity = self.contact, self._activity
        made_of = None
        if activity.move is None:  # most readings are of a camera at rest and bring nothing new
            fault = activity.fault if isinstance(activity, Halting) else None
            known = (contact.up, contact.condition, contact.framing, activity.kind, self.moving)
            made_of = (*known, self._tally, self._lock, self._fault, fault)
        self._voice.state(made_of, self.state)

    def _say_move(self, move: Move, code: str | None = None, sentence: str | None = None) -> None:
        self._voice.move(move, self.contact.framing, self._loop.time() - move.started_at, code, sentence)
