"""One camera: where it stands, and the one thing that it does.

Theory of operation. Everything that a camera can be asked comes in here, is refused or brings an activity (see
`activity`), whose first orders leave in that very call; how one follows another is in `doing`.

Some heads have a slow mode, which shaped moves may use, see `slowmode`. Whatever else moves such a head has the order
that turns it off ahead of its own, unless it is known to be off; a stop has not. Where a move broke off in slow mode,
the watch turns it off once the camera is at rest.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from dataclasses import replace
from math import inf

from ptzd.line import Arrival, Framing, InquiryRefused, LineDown, PushedAside, alike
from ptzd.motion import Grip, LearnedHead
from ptzd.refusal import Refusal
from ptzd.visca import Completed, Interrupted, MemorySet, Refused, Unanswered

from . import activity as causes
from .direct import MOVING_PAUSE_SECONDS, Direct
from .doing import Doing
from .grip import Deflection, seconds_across
from .halting import AtRest, Halting
from .hand import DRIVE_SECONDS, ByHand
from .learning import LearnLimits, Progress, Seeing, estimate_seconds, learn, rooms_within
from .learning.activity import Learner
from .move import Move, Recall
from .permission import (
    require_free_to_be_learned,
    require_free_to_be_recalled,
    require_guarded,
    require_not_refused_on_air,
    require_reachable,
    require_ready,
    require_switchable,
)
from .plan import MovePlan, MoveRefused, Pace, plan_move, pose_standing
from .power import ORDERS, SWEEP_SECONDS, TAKEN_SECONDS, Switching, caution
from .reading import read_focus_mode, read_framing
from .reports import Lock, Phase, Tally, TallySource
from .shaped import Shaped
from .window import within

HELD_ON_SECONDS = 1.5  # unheard, until a push is over: a network or a broker may have held it up
LOST_PLACE = (
    "the head says that it has lost its place, so nobody knows where this ends, whatever its readings tell: let it "
    "find its ends where it may sweep safely"
)


class Camera(Doing):
    """A camera behind a link. `run` keeps it going; all else returns at once, but for the coroutines."""

    _driven_at = -inf  # loop time of the last push that was done
    _held_on_at = -inf  # and of the last that was stopped or refused
    _let_go = False  # whether somebody has let go since
    _by_mixer: Tally | None = None
    _mixer_kept = False  # whether all that is known of the mixer's word is what a broker had from before
    _by_cues: Tally | None = None

    def recall(self, recall: Recall) -> None:
        """Start a move to a framing; every phase of it is reported, a refusal too."""
        try:
            seen = self.on_air or recall.seen
            plan = self._planned(recall, seen=seen)
            if seen:
                recall = replace(recall, memory=None)  # what is seen goes the way that was planned
            measured = self.settings.head_measured
            swings = plan.prediction.swings_seconds if measured and plan.shaped is None else None
            arrival = Arrival(self.settings.dialect, recall.framing, self.settings.tolerance, swings)
            lost = LOST_PLACE if self.contact.lost_place else None
            warning = "; ".join(each for each in (recall.warning, plan.warning, lost) if each is not None) or None
            move = Move(recall, plan, self.settings.dialect, arrival, self._loop.time(), measured, warning)
            activity = Direct(self, move) if plan.shaped is None else Shaped(self, move)
            require_guarded(self, self._guard, activity)
        except Refusal as refusal:
            self.refuse(recall.position, recall.id, recall.token, refusal)
            return
        self._fault = None
        self._become(activity, causes.RECALLED, recall.goal)

    def require_possible(self, recall: Recall) -> None:
        """Raise the Refusal that a move to a framing would meet if it set out now and were seen; nothing moves."""
        self._planned(recall, seen=True)

    def foresee(self, recall: Recall) -> MovePlan:
        """Return the move that `recall` would start now; nothing moves. Raises the Refusal that it would meet."""
        return self._planned(recall, seen=self.on_air)

    def heading_for(self) -> Framing:
        """Return the framing that it is on its way to, or else the one in which it stands. Raises Refusal."""
        here = require_ready(self)
        if (move := self._activity.move) is not None:
            return move.recall.framing
        if self.moving:
            raise Refusal("moving", f"camera {self.name} is moving; try again when it has come to rest")
        return here

    def refuse(self, position: str | None, id: str | None, token: object, refusal: Refusal) -> None:
        """Report that a move to a stored position does not come about."""
        self._voice.refusal(position, id, token, refusal)

    def stop(self) -> None:
        """End all motion of the camera now, ahead of everything else. Whoever drives it has to let go first."""
        self._halt(causes.STOPPED)

    def _halt(self, cause: causes.Cause, what: str = "", fault: str | None = None) -> None:
        if cause not in (causes.LET_GO, causes.DRIVEN) and self._loop.time() < self._driven_at + HELD_ON_SECONDS:
            self._held_on_at = self._loop.time()
        super()._halt(cause, what, fault)

    def held_on(self) -> None:
        """Take what pushes may come next for ones that go on: no head sets out without somebody's doing so just then.

        It is over when none has come for a while: who lets go says so once, but somebody else may have said it.
        """
        self._held_on_at, self._let_go = self._loop.time(), False

    def push_unheard(self) -> None:
        """Take note of a push that came too late to be done: one that was stopped goes on."""
        if self._goes_on():
            self.held_on()

    def _goes_on(self) -> bool:
        return self._loop.time() < self._held_on_at + (DRIVE_SECONDS if self._let_go else HELD_ON_SECONDS)

    def stalled(self, seconds: float) -> None:
        """Take note that nothing ran here for so long: what has no end of its own is halted, and pushes go on."""
        super().stalled(seconds)
        self.held_on()

    def drive(self, pan: float, tilt: float, zoom: float, focus: float, *, grip: Grip | None = None) -> None:
        """Move by hand until 0.5 s after the last call: each axis -1..1 of its fastest, or as a grip scales it.

        A push that was stopped or refused is refused for as long as it goes on, also when the lock has come off or the
        camera is back.
        Raises Refusal, and ValueError or OverflowError for what is no number; then nothing moves by it.
        """
        wanted = Deflection(pan, tilt, zoom, focus)
        if not any(wanted):
            self._let_go = True
        try:
            self._drive(wanted, grip)
        except Refusal:
            if any(wanted):
                self.held_on()
            raise
        if any(wanted):
            self._driven_at, self._held_on_at, self._let_go = self._loop.time(), -inf, False

    def _drive(self, wanted: Deflection, grip: Grip | None) -> None:
        require_ready(self)
        require_not_refused_on_air(self)
        if not any(wanted):
            if not isinstance(self._activity, AtRest | Halting):
                self._halt(causes.DRIVEN)
        elif self._goes_on():
            raise Refusal(
                "held-on",
                f"this push was stopped, or camera {self.name} not to be driven: let go for a moment, then push anew",
            )
        elif isinstance(self._activity, ByHand):
            self._activity.deflect(wanted, grip)
        else:
            by_hand = ByHand(self, wanted, grip, let_go=lambda: self._halt(causes.LET_GO))
            require_guarded(self, self._guard, by_hand)
            self._fault = None
            self._become(by_hand, causes.DRIVEN)

    def seconds_across(self, grip: Grip) -> float | None:
        """Return how long a full push to a side takes across the picture; None where nobody knows how wide that is."""
        framing = self.contact.framing
        return None if framing is None else seconds_across(self.settings, framing, grip)

    def read_seconds_ago(self) -> tuple[float, float] | None:
        """Return how long ago it told where its head stands, and its zoom; None before it has."""
        contact, now = self.contact, self._loop.time()
        return None if contact.framing is None else (now - contact.read_at, now - contact.zoom_read_at)

    def lock(self, lock: Lock) -> None:
        """Stop all motion at once and refuse all to come. It takes the place of an earlier lock by the same person."""
        self._locks = (*(other for other in self._locks if other.by != lock.by), lock)
        self._halt(causes.LOCKED)

    def unlock(self, lock: Lock) -> None:
        """Take this very lock off; where no other is left, the camera may move again."""
        self._locks = tuple(other for other in self._locks if other is not lock)
        self.say_state()

    def set_tally(self, tally: Tally, source: TallySource = "message", *, kept: bool = False) -> None:
        """Take note of what the vision mixer shows, or the cues have it show, which counts where no mixer has spoken.

        What a broker `kept` may be of another evening: it takes no camera off air that the cues have on air.
        A camera that goes on air in mid-move finishes it and is told of; one that is being learned is stopped.
        """
        if source == "cues":
            self._by_cues = tally
        else:
            self._mixer_kept = kept and (self._by_mixer is None or self._mixer_kept)
            self._by_mixer = tally
        if self._by_cues is not None and (self._by_mixer is None or (self._mixer_kept and self._by_cues == "program")):
            tally, source = self._by_cues, "cues"
        elif self._by_mixer is not None:
            tally, source = self._by_mixer, "message"
        went_on_air = tally == "program" and not self.on_air
        if tally != self._tally:  # the first message of all may be one that a broker has kept for hours
            seen = source == "cues" or self._tally_source in ("message", "cues")
            self._tally_since = self._calendar() if seen else None
        self._tally, self._tally_source = tally, source
        if went_on_air and (move := self._activity.move) is not None:
            move.warning = f"camera {self.name} went on air while it moves; the picture is not at rest yet"
            self.told(move)
        if went_on_air and isinstance(self._activity, Learner):
            self._halt(causes.ON_PROGRAM)
        self.say_state()

    def positions_changed(self) -> None:
        """Say the state anew: the name of the position it stands in may be another."""
        self._voice.forget()
        self.say_state()

    async def read_framing(self) -> Framing:
        """Ask the camera where it stands, to keep that. Raises Refusal while it moves or can't tell."""
        require_reachable(self)
        still = Refusal("moving", f"camera {self.name} is moving; try again when it has come to rest")
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
            raise Refusal("unreachable", f"camera {self.name} did not tell its position; try again") from None
        if self.moving or not alike(first, second):
            raise still
        if self.contact.lost_place:
            raise Refusal(
                "lost-place",
                f"camera {self.name} says that it has lost its place, so where it tells to stand would point elsewhere "
                "later: let it find its ends where it may sweep safely, and frame again",
            )
        if second.zoom_counts > self.settings.dialect.zoom.tele_counts:
            raise Refusal(
                "digital-zoom",
                f"camera {self.name} is zoomed in digitally, which does not come back the same; "
                "switch digital zoom off and frame again",
            )
        return second

    async def remember(self, number: int) -> None:
        """Have the camera keep where it stands in one of its own memories. Raises Refusal where it did not."""
        require_reachable(self)
        if self.moving:
            raise Refusal("moving", f"camera {self.name} is moving; its memory {number} was not set")
        ending = await self.contact.line.perform(MemorySet(number), TAKEN_SECONDS).ended
        if not isinstance(ending, Completed) or self.moving:
            raise Refusal("no-memory", f"camera {self.name} did not set its own memory {number}")

    async def switch(self, switching: Switching, *, clear: bool, on_air: bool = False) -> None:
        """Switch it on or to standby, or have its head find its ends: mostly a sweep over its whole range.

        `clear` says that somebody has seen to it that this endangers nobody. Raises Refusal where that was not said,
        where it may not be, or where the camera does not take it.
        """
        require_switchable(self, switching, on_air=on_air)
        if not clear:
            raise caution(self.settings, switching)
        self._fault = None
        sweeping = AtRest(self, sweeps_until=self._loop.time() + SWEEP_SECONDS)
        self._become(sweeping, causes.SWITCHED_OFF if switching == "standby" else causes.SWEEPS)
        exchange = self.contact.line.perform(ORDERS[switching], TAKEN_SECONDS)
        await exchange.begun
        refused = exchange.ended.done() and isinstance(exchange.ended.result(), Refused | Unanswered | Interrupted)
        self.contact.restarted()
        self._watch.restarted()
        if refused:
            raise Refusal("refused", f"camera {self.name} did not take that; look at it, and ask again")

    async def learn(self, limits: LearnLimits, progress: Callable[[Progress], None], rng: random.Random) -> LearnedHead:
        """Measure how the head moves, and plan with that from then on.

        A stop, a recall, a drive, a lock or going on air ends it. Raises Refusal where it can't begin, or did not
        come to its end.
        """
        start = self._where_learning_begins(limits)
        learner = Learner(
            learn(
                self.contact.line,
                self.settings.dialect,
                start,
                self._inside(limits),
                slow=self.contact.slow,
                seeing=Seeing(self.settings.tolerance, MOVING_PAUSE_SECONDS),
                progress=progress,
                rng=rng,
                calendar=self._calendar,
                heard=self.contact.take,
                ask_power=self._watch.ask_power,
            )
        )
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
        start, window, inside = require_free_to_be_learned(self), self.settings.window, self._inside(limits)
        try:
            rooms_within(self.settings.dialect, inside, start)
        except Refusal as refusal:
            if window is None or inside == limits or refusal.code != "too-small":
                raise
            edges = "pan {:g}° to {:g}°, tilt {:g}° to {:g}°".format(*window.pan_deg, *window.tilt_deg)
            sentence = f"too little of this range lies in the window of camera {self.name}, {edges}; give another"
            raise Refusal(refusal.code, sentence) from None
        return start

    def _inside(self, limits: LearnLimits) -> LearnLimits:
        return within(self.settings.window, limits)

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
        if isinstance(plan, MoveRefused) and not plan.of_framing and not recall.exactly:
            return plan.nearest_instead()
        if isinstance(plan, MoveRefused):
            raise Refusal(plan.code, f"camera {self.name} to {recall.goal}: {plan.sentence}")
        return plan
