"""What a simulated camera does when told and says when asked, whoever told or asked it, and however.

Here a command becomes motion and an inquiry becomes an answer; sockets, numbers and peers are the wire's.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Any, Literal

from ptzd.visca import (
    Command,
    Corner,
    Dialect,
    DigitalZoomInquiry,
    DigitalZoomOff,
    DigitalZoomOn,
    ErrorCode,
    FastestSpeeds,
    FastestSpeedsInquiry,
    FocusAuto,
    FocusDirect,
    FocusFar,
    FocusInquiry,
    FocusManual,
    FocusMode,
    FocusModeInquiry,
    FocusNear,
    FocusOnePush,
    FocusStop,
    Initialisation,
    Inquiry,
    MemoryRecall,
    MemoryRecallSpeed,
    MemoryReset,
    MemorySet,
    Movement,
    PanTiltAbsolute,
    PanTiltDrive,
    PanTiltHome,
    PanTiltLimitClear,
    PanTiltLimitSet,
    PanTiltPosition,
    PanTiltPositionInquiry,
    PanTiltRelative,
    PanTiltReset,
    PanTiltStatus,
    PanTiltStatusInquiry,
    PanTiltStop,
    Power,
    PowerInquiry,
    PowerOn,
    PowerStandby,
    RampCurve,
    SlowModeInquiry,
    SlowModeOff,
    SlowModeOn,
    TallyLampOff,
    TallyLampOn,
    Version,
    VersionInquiry,
    ZoomDirect,
    ZoomFocusDirect,
    ZoomInquiry,
    ZoomStop,
    ZoomTele,
    ZoomWide,
)

from .habits import Habits
from .head import Head
from .lens import Lens
from .mount import Mount
from .truth import Truth

Motors = frozenset[Literal["head", "zoom", "focus"]]
NONE: Motors = frozenset()
HEAD: Motors = frozenset({"head"})
ZOOM: Motors = frozenset({"zoom"})
FOCUS: Motors = frozenset({"focus"})
STOPPED: dict[type[Command], Motors] = {PanTiltStop: HEAD, ZoomStop: ZOOM, FocusStop: FOCUS}

_MANUAL_FOCUS = (FocusStop, FocusFar, FocusNear, FocusDirect, FocusOnePush, ZoomFocusDirect)
_WHILE_STARTING = (  # what needs no motor
    PowerOn,
    PowerStandby,
    DigitalZoomOn,
    DigitalZoomOff,
    TallyLampOn,
    TallyLampOff,
    MemoryReset,
    MemoryRecallSpeed,
    RampCurve,
    SlowModeOn,
    SlowModeOff,
)


class Refusal(Exception):
    """The camera answers with this error instead."""

    def __init__(self, code: ErrorCode) -> None:
        super().__init__(code.name)
        self.code = code


@dataclass(frozen=True, slots=True)
class Done:
    """What a command did: which motors it took, and when they rest if its completion waits for that."""

    motors: Motors = NONE
    rests_at: float | None = None


@dataclass(frozen=True, slots=True)
class _Memory:
    """A framing in the camera's own memory, finer than counts."""

    pan_deg: float
    tilt_deg: float
    zoom: float
    focus: float
    autofocus: bool


class Body:
    """Head, lens, memories and switches of one camera."""

    def __init__(self, dialect: Dialect, truth: Truth, mount: Mount, habits: Habits, rng: random.Random) -> None:
        """`start_up` or `wake_at_home` comes next."""
        self._dialect = dialect
        self._habits = habits
        self.head = Head(dialect, truth, mount, rng)
        self.lens = Lens(dialect, truth, rng)
        self.powered = True
        self.tally_lamp = False
        self.refuses: dict[type[Inquiry[Any]], ErrorCode] = {}  # questions that this unit does not answer
        self._memories: dict[int, _Memory] = {}  # kept without power
        self._recall_steps: dict[int, int] = {}

    def start_up(self, now: float) -> None:
        """Switch on: head and lens run over their whole range."""
        self.powered = True
        self.tally_lamp = False
        self.head.start_up(now)
        self.lens.start_up(now)

    def wake_at_home(self, now: float) -> None:
        """Be on, at home and ready, as if start-up had been long ago."""
        self.head.wake_at_home(now)

    def power_cut(self, now: float) -> None:
        """Lose power for a moment, and start up anew from wherever that leaves the head."""
        self.head.stop(now)
        self.start_up(now)

    def halt(self, motors: Motors, now: float) -> None:
        """Stop these motors, as a cancelled command does. A head in start-up goes on until it knows its ends."""
        if "head" in motors and not self.head.starting(now):
            self.head.stop(now)
        if "zoom" in motors:
            self.lens.zoom.stop(now)
        if "focus" in motors:
            self.lens.focus.stop(now)

    def rests_at(self, motors: Motors) -> float:
        """When all of these motors rest, if nobody tells them otherwise."""
        ends = {"head": self.head.ends_at, "zoom": self.lens.zoom.ends_at, "focus": self.lens.focus.ends_at}
        return max(ends[motor] for motor in motors)

    def require_able(self, command: Command, now: float) -> None:
        """Raise `Refusal` where a command can't be performed in the state that the camera is in."""
        if not self.powered and not isinstance(command, PowerOn):
            raise Refusal(ErrorCode.NOT_EXECUTABLE)
        if self.head.starting(now) and not isinstance(command, _WHILE_STARTING):
            raise Refusal(ErrorCode.NOT_EXECUTABLE)
        if self.lens.autofocus and isinstance(command, _MANUAL_FOCUS):
            raise Refusal(ErrorCode.NOT_EXECUTABLE)

    def perform(self, command: Command, now: float) -> Done:
        """Do what a command asks. Raises `Refusal`, and then nothing was done."""
        self.require_able(command, now)
        match command:
            case PowerOn() | PowerStandby():
                return self._switch(command, now)
            case TallyLampOn() | TallyLampOff():
                self.tally_lamp = isinstance(command, TallyLampOn)
                return Done()
            case MemorySet() | MemoryReset() | MemoryRecallSpeed() | MemoryRecall():
                return self._remember(command, now)
            case RampCurve() | SlowModeOn() | SlowModeOff() | PanTiltLimitSet() | PanTiltLimitClear():
                return self._configure_head(command)
        done = self._drive_lens(command, now) or self._move_head(command, now)
        if self.lens.autofocus and done.motors:
            self._focus_by_itself(now)
        return done

    def _focus_by_itself(self, now: float) -> None:
        self.lens.focus_by_itself(now, *self.head.aim_deg)

    def _switch(self, command: PowerOn | PowerStandby, now: float) -> Done:
        if isinstance(command, PowerOn):
            if not self.powered:
                self.start_up(now)
            return Done()
        self.powered = False
        self.head.ready_at = now  # a start-up ends here too; switching on begins another
        everything = HEAD | ZOOM | FOCUS
        self.halt(everything, now)
        return Done(everything)

    def _move_head(self, command: Command, now: float) -> Done:
        head, pan, tilt = self.head, self._dialect.pan, self._dialect.tilt
        match command:
            case PanTiltAbsolute():
                pan_deg, tilt_deg = pan.degrees(command.pan_counts), tilt.degrees(command.tilt_counts)
                self._go_to(now, pan_deg, tilt_deg, command.pan_step, command.tilt_step)
            case PanTiltRelative():
                pan_deg = pan.degrees(head.pan_counts(now) + command.pan_counts)
                tilt_deg = tilt.degrees(head.tilt_counts(now) + command.tilt_counts)
                self._go_to(now, pan_deg, tilt_deg, command.pan_step, command.tilt_step)
            case PanTiltHome():
                self._go_to(now, 0.0, 0.0, pan.fastest_step, tilt.fastest_step)
            case PanTiltReset():
                head.start_up(now)
                return Done(HEAD, head.ready_at)
            case PanTiltDrive():
                head.drive(now, command.pan, command.tilt, command.pan_step, command.tilt_step)
                return Done(HEAD)
            case PanTiltStop():
                head.stop(now)
                return Done(HEAD)
            case _:
                raise Refusal(ErrorCode.SYNTAX)
        return Done(HEAD, head.ends_at)

    def _go_to(self, now: float, pan_deg: float, tilt_deg: float, pan_step: int, tilt_step: int) -> None:
        if not self.head.moving(now) or self._habits.renewal == "smooth":
            self.head.go_to(now, pan_deg, tilt_deg, pan_step, tilt_step)
        elif self._habits.renewal == "stops":
            self.head.stop_and_go_to(now, pan_deg, tilt_deg, pan_step, tilt_step)
        else:
            raise Refusal(ErrorCode.NOT_EXECUTABLE)

    def _drive_lens(self, command: Command, now: float) -> Done | None:
        lens = self.lens
        match command:
            case ZoomDirect():
                lens.zoom_to(now, command.zoom_counts)
                return Done(ZOOM, lens.zoom.ends_at)
            case ZoomFocusDirect():
                lens.zoom_to(now, command.zoom_counts)
                lens.focus_to(now, command.focus_counts)
                return Done(ZOOM | FOCUS, max(lens.zoom.ends_at, lens.focus.ends_at))
            case ZoomTele() | ZoomWide():
                lens.zoom_drive(now, 1 if isinstance(command, ZoomTele) else -1, command.speed)
                return Done(ZOOM)
            case ZoomStop():
                lens.zoom.stop(now)
                return Done(ZOOM)
            case DigitalZoomOn() | DigitalZoomOff():
                lens.set_digital_zoom(now, isinstance(command, DigitalZoomOn))
                return Done()
            case FocusAuto():
                lens.autofocus = True  # and it focuses as with every order from now on
                return Done(FOCUS)
            case FocusManual():
                lens.autofocus = False
                lens.focus.stop(now)
                return Done(FOCUS)
            case FocusDirect():
                lens.focus_to(now, command.focus_counts)
                return Done(FOCUS, lens.focus.ends_at)
            case FocusOnePush():
                self._focus_by_itself(now)
                return Done(FOCUS, lens.focus.ends_at)
            case FocusFar() | FocusNear():
                lens.focus_drive(now, 1 if isinstance(command, FocusFar) else -1, command.speed)
                return Done(FOCUS)
            case FocusStop():
                lens.focus.stop(now)
                return Done(FOCUS)
        return None

    def _configure_head(
        self, command: RampCurve | SlowModeOn | SlowModeOff | PanTiltLimitSet | PanTiltLimitClear
    ) -> Done:
        head, pan, tilt = self.head, self._dialect.pan, self._dialect.tilt
        match command:
            case RampCurve():
                head.ramp(command.level)
            case SlowModeOn() | SlowModeOff():
                head.slow(isinstance(command, SlowModeOn))
            case PanTiltLimitSet(corner=Corner.UP_RIGHT):
                head.limit_up_right(pan.degrees(command.pan_counts), tilt.degrees(command.tilt_counts))
            case PanTiltLimitSet():
                head.limit_down_left(pan.degrees(command.pan_counts), tilt.degrees(command.tilt_counts))
            case PanTiltLimitClear(corner=Corner.UP_RIGHT):
                head.limit_up_right(math.inf, math.inf)
            case PanTiltLimitClear():
                head.limit_down_left(-math.inf, -math.inf)
        return Done()

    def _remember(self, command: MemorySet | MemoryReset | MemoryRecallSpeed | MemoryRecall, now: float) -> Done:
        head, lens, number = self.head, self.lens, command.number
        match command:
            case MemorySet():
                zoom, focus = lens.zoom.position(now), lens.focus.position(now)
                self._memories[number] = _Memory(head.pan_deg(now), head.tilt_deg(now), zoom, focus, lens.autofocus)
                return Done()
            case MemoryReset():
                self._memories.pop(number, None)
                return Done()
            case MemoryRecallSpeed():
                self._recall_steps[number] = command.step
                return Done()
        memory = self._memories.get(number)
        if memory is None:
            raise Refusal(ErrorCode.NOT_EXECUTABLE)
        step = self._recall_steps.get(number, self._dialect.pan.fastest_step)
        self._go_to(now, memory.pan_deg, memory.tilt_deg, step, step)
        lens.zoom_to(now, memory.zoom)
        lens.autofocus = memory.autofocus
        if memory.autofocus:
            self._focus_by_itself(now)
        else:
            lens.focus_to(now, memory.focus)
        rests_at = max(head.ends_at, lens.zoom.ends_at, lens.focus.ends_at)
        return Done(HEAD | ZOOM | FOCUS, rests_at)

    def answer(self, inquiry: Inquiry[Any], now: float) -> bytes:
        """Return the bytes of the answer. In standby a camera only says who it is and that it is in standby."""
        if not self.powered and not isinstance(inquiry, PowerInquiry | VersionInquiry):
            raise Refusal(ErrorCode.NOT_EXECUTABLE)
        if type(inquiry) in self.refuses:
            raise Refusal(self.refuses[type(inquiry)])
        head, lens = self.head, self.lens
        match inquiry:  # what is asked most comes first
            case PanTiltPositionInquiry():
                position = PanTiltPosition(head.pan_counts(now), head.tilt_counts(now))
                return inquiry.answer(position, self._dialect)
            case ZoomInquiry():
                return inquiry.answer(lens.zoom_counts(now), self._dialect)
            case FocusInquiry():
                return inquiry.answer(lens.focus_counts(now), self._dialect)
            case FocusModeInquiry():
                return inquiry.answer(FocusMode.AUTO if lens.autofocus else FocusMode.MANUAL, self._dialect)
            case PowerInquiry():
                return inquiry.answer(Power.ON if self.powered else Power.STANDBY, self._dialect)
            case PanTiltStatusInquiry():
                return inquiry.answer(self._status(now), self._dialect)
            case DigitalZoomInquiry():
                return inquiry.answer(lens.digital_zoom, self._dialect)
            case SlowModeInquiry() if self._dialect.slow_mode:
                return inquiry.answer(head.in_slow_mode, self._dialect)
            case FastestSpeedsInquiry():
                fastest = FastestSpeeds(self._dialect.pan.fastest_step, self._dialect.tilt.fastest_step)
                return inquiry.answer(fastest, self._dialect)
            case VersionInquiry():
                # Nobody's: this camera imitates no make.
                version = Version(vendor=0, model=0, rom=1, sockets=self._habits.sockets)
                return inquiry.answer(version, self._dialect)
        raise Refusal(ErrorCode.SYNTAX)

    def _status(self, now: float) -> PanTiltStatus:
        head = self.head
        left, right, up, down = head.at_ends(now)
        asked = Movement.UNDER_WAY if head.moving(now) else Movement.COMPLETED
        return PanTiltStatus(
            Initialisation.IN_PROGRESS if head.starting(now) else Initialisation.DONE,
            asked if head.asked_to_move else Movement.NONE_ASKED,
            tilt_fault=head.tilt_fault,
            pan_fault=head.pan_fault,
            at_down_end=down,
            at_up_end=up,
            at_right_end=right,
            at_left_end=left,
        )
