"""What one camera does: exactly one thing at a time, from one to the next, for as long as it is attended to.

A *watch* asks where the camera stands, see `watch`; what it hears goes to the activity. For as long as the camera may
be moving without an end of its own, a *term* is renewed with the guard. Whatever changes is said.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from datetime import datetime
from typing import Any

import structlog

from ptzd.guard import Guard
from ptzd.line import Framing
from ptzd.links import Link
from ptzd.visca import Timing

from . import activity as causes
from .activity import Activity, Cause
from .contact import Contact
from .halting import AtRest, Halting
from .learning.activity import Learner
from .meant import Meant
from .move import Move
from .reports import LOCKED_UNSEEN, CameraState, Lock, MoveReport, Phase, Tally, TallySource, counts_as_on_air
from .settings import CameraSettings
from .shaped import Shaped
from .term import Term
from .voice import Voice
from .watch import HALTING_PAUSE_SECONDS, Watch

log = structlog.get_logger()

BEYOND_DEG = 0.5  # of its window: less may be a mount that swings
OWN_SWEEP_SECONDS = 5.0  # after motion that nobody ordered a camera says that it starts up, if that is what it does


class Doing:
    """See the module. `Camera` adds what may be asked of it."""

    def __init__(
        self,
        settings: CameraSettings,
        link: Link,
        *,
        guard: Guard,
        calendar: Callable[[], datetime],
        report: Callable[[CameraState | MoveReport], None],
        stands_in: Callable[[Framing], str | None],
        locks: tuple[Lock, ...] = (),
        off_air_untold: bool = False,
        timing: Timing | None = None,
    ) -> None:
        """`report` hears of every change and must return at once; `stands_in` names a framing's stored position.

        With `off_air_untold` the camera counts as off air until somebody tells; else it counts as on air.
        """
        self.settings = settings
        self.contact = Contact(
            link,
            settings.dialect,
            on_restart=self._restarted,
            on_lost=self._lost,
            on_reading=self._heard,
            timing=timing,
        )
        self._guard = guard
        self._calendar = calendar
        self._voice = Voice(settings.name, report, calendar)
        self._stands_in = stands_in
        self._loop = asyncio.get_running_loop()
        self._group: asyncio.TaskGroup | None = None
        self._watch = Watch(self)
        self._tally: Tally = "off" if off_air_untold else "unknown"
        self._tally_source: TallySource | None = "configuration" if off_air_untold else None
        self._tally_since: datetime | None = None
        self._locks = locks
        self._meant = Meant(settings)
        self._strayed_at = float("-inf")
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

    @property
    def name(self) -> str:
        return self.settings.name

    @property
    def attended(self) -> bool:
        """Whether somebody keeps its conversation going."""
        return self._group is not None

    @property
    def locks(self) -> tuple[Lock, ...]:
        """Who keeps it still; while there is one, nobody moves it."""
        return self._locks

    @property
    def tally(self) -> Tally:
        return self._tally

    @property
    def on_air(self) -> bool:
        """Whether it is seen, or may be, since nobody tells."""
        return counts_as_on_air(self._tally)

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
        if self.contact.power == "starting" and self._loop.time() - self._strayed_at < OWN_SWEEP_SECONDS:
            self._fault = None  # nobody moves it: it sweeps, and is told as that
        dialect, window = self.settings.dialect, self.settings.window
        own = (
            self._activity.fault if isinstance(self._activity, Halting) else None,
            self._fault,
            LOCKED_UNSEEN if self._locks and not self.contact.up else None,
            None if self.contact.up or self.contact.line.trouble is None else f"its line: {self.contact.line.trouble}",
            None if self.contact.refuses is None else f"it {self.contact.refuses}, and so can't be moved",
            None if self.contact.other_head is None else f"it {self.contact.other_head}",
            None if window is None or framing is None else window.leaves_out(dialect, framing, beyond_deg=BEYOND_DEG),
        )
        unsure = framing is None or self.moving or self.contact.lost_place
        position = None if framing is None or unsure else self._stands_in(framing)
        left = None if self.moving or self.contact.power != "on" else self._meant.left
        return CameraState(
            camera=self.name,
            link="up" if self.contact.up else "down",
            power=self.contact.power,
            phase=move.phase if move is not None else Phase.IDLE,
            framing=framing,
            pan_deg=None if framing is None else round(dialect.pan.degrees(framing.pan_counts), 3),
            tilt_deg=None if framing is None else round(dialect.tilt.degrees(framing.tilt_counts), 3),
            position=position,
            was_in=None if left is None else self._stands_in(left),
            seconds_to_settled=None if move is None else round(max(0.0, move.settled_at - self._loop.time()), 2),
            tally=self._tally,
            locks=self._locks,
            faults=(*(fault for fault in own if fault is not None), *(condition.faults if condition else ())),
            as_of=self._calendar(),
            activity=None if isinstance(self._activity, AtRest) and self.moving else self._activity.kind,
            tally_source=self._tally_source,
            tally_since=self._tally_since,
            focus_in_doubt=self.contact.focus_in_doubt,
        )

    # From one activity to the next

    def _become(self, new: Activity, cause: Cause, what: str = "") -> None:
        """Begin something new and end what goes on."""
        older = self._activity
        if not isinstance(new, AtRest | Halting):  # these send it nowhere
            self._meant.ordered(None if new.move is None else new.move.recall.framing)
        if older.unended and not new.unended:
            self._term.begin()
        self._follow(new, cause.phase, cause.code, cause.sentence.format(what=what))
        if isinstance(older, Learner):
            older.ended_by = cause.learning.format(what=what)

    def _follow(
        self, new: Activity, phase: Phase = Phase.IDLE, code: str | None = None, sentence: str | None = None
    ) -> None:
        """Put something new in the place of what goes on, whose move, if it is one, ends in a phase."""
        older = self._activity
        if new.unended:
            self._term.begin()
        new.begin(older)
        self._activity = new
        older.end()
        if older.move is not None:
            older.move.phase = phase
            self._say_move(older.move, code, sentence)
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

    def is_not_on(self) -> None:
        self._halt(causes.SWEEPS if self.contact.starting else causes.SWITCHED_OFF)

    def ended(
        self, activity: Activity, phase: Phase, code: str | None = None, sentence: str | None = None, *, halt: bool
    ) -> None:
        if activity is not self._activity:
            return  # something else has begun meanwhile
        settled = phase is Phase.SETTLED
        following = Halting(self) if halt else AtRest(self, self.contact.framing if settled else None)
        self._follow(following, phase, code, sentence)

    def rested(self) -> None:
        self._follow(AtRest(self, self.contact.framing))

    def strayed(self) -> None:
        halts = bool(self._locks) or self.settings.strange_motion == "halt"
        if self._fault is None:
            log.warning("a camera moves without an order", camera=self.name, halted=halts)
            self._strayed_at = self._loop.time()
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
        self._meant.lost()
        older = self._activity
        if isinstance(older, AtRest):
            older.forget()
        elif older.unended:
            if not isinstance(older, Halting):
                fault = "it fell silent while it was being moved: it may still be moving"
                self._halt(causes.SILENT_DRIVEN, fault=fault)
        else:
            until = older.move.given_up_at if older.move is not None else self._loop.time()
            self._become(AtRest(self, ours_until=until), causes.SILENT)
        self.say_state()

    def _restarted(self) -> None:
        self.contact.restarted()
        self._meant.lost()
        self._watch.restarted()
        activity, slow = self._activity, self.contact.slow
        # The usual steps may be many times faster than its plan's.
        broke_off = isinstance(activity, Shaped) and activity.reads and activity.plan.slow_mode and slow.state == "on"
        slow.forget()
        if isinstance(activity, AtRest):
            activity.forget()
        if broke_off:
            self._halt(causes.RESTARTED)
        self._watch.look_now()

    def _lost(self) -> None:
        """The connection is gone, or another one: what drives may go on, with nobody to see it."""
        if self._activity.unended and not isinstance(self._activity, Halting):
            fault = "the connection to it was lost while it was being moved: it may still be moving"
            self._halt(causes.SILENT_DRIVEN, fault=fault)

    def stalled(self, seconds: float) -> None:
        """Take note that nothing ran here for so long: what has no end of its own is halted."""
        self._break_off(causes.STALLED, f"{seconds:.1f}")

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
                    self._halt(causes.BROKEN, fault="its conversation broke off: it may still be moving")
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
        return await self.until_at_rest(patience_seconds)

    async def until_at_rest(self, patience_seconds: float) -> bool:
        """Wait until the camera is still, and no slow mode is left on. Returns whether it was seen to be still."""
        until = self._loop.time() + patience_seconds
        while (self.moving or self.contact.slow.left_on) and self._loop.time() < until:
            self.contact.read.clear()
            try:
                async with asyncio.timeout_at(min(until, self._loop.time() + HALTING_PAUSE_SECONDS)):
                    await self.contact.read.wait()
            except TimeoutError:
                pass
        return self.contact.up and not self.moving

    def _heard(self, framing: Framing) -> None:
        self._activity.heard(framing, self._loop.time())
        stands = isinstance(self._activity, AtRest) and self._activity.stands is not None
        if stands and self.contact.standing.still and self.contact.power == "on":
            self._meant.rests(framing)

    # Saying

    def say_state(self) -> None:
        contact, activity = self.contact, self._activity
        if contact.power in ("starting", "standby"):
            self._meant.lost()
        made_of = None
        if activity.move is None:  # most readings are of a camera at rest and bring nothing new
            fault = activity.fault if isinstance(activity, Halting) else None
            contact_says = (contact.up, contact.power, contact.refuses, contact.other_head, contact.condition)
            where = (contact.framing, contact.focus_in_doubt, activity.kind, self.moving, self._meant.left)
            made_of = (*contact_says, *where, self._tally, self._tally_source, self._locks, self._fault, fault)
        self._voice.state(made_of, self.state)

    def _say_move(self, move: Move, code: str | None = None, sentence: str | None = None) -> None:
        if sentence is not None:
            sentence = f"camera {self.name} to {move.recall.goal}: {sentence}"
        self._voice.move(move, self.contact.framing, self._loop.time() - move.started_at, code, sentence)
