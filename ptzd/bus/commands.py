"""Every command of the bus: one class each, and all of them in one table at the end.

A class says all that there is to know of its command: topic, payloads, whether it may be retained, what it does to a
camera, how it is answered. Topics, intake, the AsyncAPI document and the tables of the README are read from that; what
does a command is the one function in `ptzd/daemon` that handles its class. So a new command is a class here, with a
topic (`on`), and a function there.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, JsonValue, model_validator
from pydantic_core import PydanticCustomError

from ptzd.files import LONGEST_LABEL, LONGEST_NOTE, Seconds, Speed
from ptzd.names import NAME_PATTERN

from . import messages
from .fields import (
    ONE_LINE,
    AngleRange,
    Box,
    Counts,
    CueMoves,
    CueNumber,
    Deflection,
    HeadCounts,
    LensCounts,
    Point,
    PositionName,
    SentAt,
    Share,
    Switch,
    Tighter,
    Turn,
)

LONGEST_ID = 64  # characters
LONGEST_WHO = 64
SOMEBODY = "somebody"  # in whose name a camera is locked where nobody can tell who did it
LONGEST_REASON = 200
LARGEST_BYTES = 65_536
LARGEST_IMPORT_BYTES = 5_000_000


@dataclass(frozen=True, slots=True)
class Bare:
    """A text that is no JSON object but the value of one `field`; `read` raises ValueError for what can't be one."""

    field: str
    pattern: str
    read: Callable[[str], object] = str


def _cue_number(text: str) -> Decimal:
    if not re.fullmatch(_CUE_NUMBER, text):
        raise ValueError(text)
    return Decimal(text)


_CUE_NUMBER = r"^[0-9]{1,5}(\.[0-9]{1,3})?$"
A_NAME = Bare("position", NAME_PATTERN)
A_TALLY = Bare("tally", "^(program|preview|off)$")
A_NUMBER = Bare("number", _CUE_NUMBER, _cue_number)


class Command(BaseModel):
    """What every command may carry. Nothing unknown may stand in one, nothing is taken for something else."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    on: ClassVar[str]  # the topic below the base; NAME stands for a camera's name
    examples: ClassVar[tuple[str, ...]]  # of payloads; the empty one is written as ""
    bare: ClassVar[Bare | None] = None
    may_be_empty: ClassVar[bool] = False
    any_payload: ClassVar[bool] = False  # means the same whatever it carries
    may_be_retained: ClassVar[bool] = False
    largest_bytes: ClassVar[int] = LARGEST_BYTES
    answer: ClassVar[Literal["outcome", "outcome-if-asked", "move"]] = "outcome"
    results: ClassVar[tuple[type[messages.Result], ...]] = ()  # what its outcome may bring

    # It makes a camera stand still: it waits behind nothing that was sent before, and is done as often as it comes.
    halts: ClassVar[bool] = False
    # It asks for something and changes nothing.
    only_asks: ClassVar[bool] = False
    # It is meant for the moment in which it was sent, whatever date it bears.
    momentary: ClassVar[bool] = False

    id: str | None = Field(
        default=None,
        max_length=LONGEST_ID,
        description=f"a text of at most {LONGEST_ID} characters; outcomes repeat it",
    )

    @property
    def would_move(self) -> bool:
        """Whether it would send a camera somewhere."""
        return False

    @property
    def undone_by_a_stop(self) -> bool:
        """Whether a stop or lock of its camera, sent later and carried out sooner, ends what it is for."""
        return self.would_move

    @property
    def stale_once_it_waited(self) -> bool:
        """Whether nothing says that it is still meant where it waited for a daemon that stood still."""
        return self.would_move and (self.momentary or getattr(self, "sent_at", None) is None)

    @classmethod
    def though_unread(cls, id: str | None) -> tuple[Self | None, str]:
        """What is done where its payload can't be read, and how that is told after what was wrong with it.

        `id` is the one that was found in it.
        """
        return None, ""

    @classmethod
    def in_words(cls) -> str:
        """How it is written, for a sentence."""
        *first, last = (example or "nothing" for example in cls.examples)
        return f"{', '.join(first)} or {last}" if first else last


class _Moving(Command):
    """It sends cameras somewhere."""

    @property
    def would_move(self) -> bool:
        return True


class _OfAPosition(Command):
    """It is about one position."""

    position: PositionName


class _Alone(Command):
    """Its topic says it all."""

    examples = ("", "{}")
    may_be_empty = True


class _AtAPace(_OfAPosition):
    """A position with the pace of its move: a speed or seconds, not both; with neither the camera's own."""

    bare: ClassVar[Bare | None] = A_NAME

    speed: Speed = None
    seconds: Seconds = None

    @model_validator(mode="after")
    def _one_pace(self) -> Self:
        if self.speed is not None and self.seconds is not None:
            raise PydanticCustomError("conflict", "speed and seconds are both given: leave one out, it follows")
        return self


class _Aiming(_Moving):
    """It sends a camera to a framing."""

    answer = "move"

    on_air: Switch = False  # "yes, although the camera is on program"
    sent_at: SentAt | None = None


class RecallCommand(_Aiming, _AtAPace):
    """Bring the camera to a stored position."""

    on = "camera/NAME/recall"
    examples = ("choir-wide", '{"position": "choir-wide", "seconds": 4}')


class ForeseeCommand(_AtAPace):
    """Ask what a recall would do now, of one position or (off air) of all; nothing moves."""

    on = "camera/NAME/foresee"
    only_asks = True
    examples = ("choir-wide", '{"position": "choir-wide", "seconds": 4}', "")
    may_be_empty = True
    results = (messages.ForeseenResult,)

    position: PositionName | None = None  # type: ignore[assignment]


class StoreCommand(_AtAPace):
    """Keep where the camera stands, with the pace of its recalls."""

    on = "camera/NAME/store"
    examples = ("choir-wide", '{"position": "choir-wide", "replace": true}')
    results = (messages.StoreResult,)

    note: str = Field(
        default="", max_length=LONGEST_NOTE, pattern=ONE_LINE, description="one line of text, at most 1000 characters"
    )
    replace: Switch = False


class DriveCommand(_Moving):
    """Move by hand for half a second: right, up, tele and far are positive, 1 is the fastest.

    With a `grip`, 1 goes across the picture in a set time, and halves or doubles it in that, whatever the lens shows.
    """

    on = "camera/NAME/drive"
    examples = ('{"pan": 0.5, "tilt": -0.2}', '{"pan": 1, "grip": "fine"}')
    results = (messages.DriveResult,)
    answer = "outcome-if-asked"  # drives come many a second
    momentary = True

    pan: Deflection = 0.0
    tilt: Deflection = 0.0
    zoom: Deflection = 0.0
    focus: Deflection = 0.0
    grip: Literal["fine", "fast"] | None = Field(default=None, description='"fine" or "fast"')
    sent_at: SentAt | None = None


class NudgeCommand(_Aiming):
    """Move a little, by shares of the picture, or by degrees and counts; what follows adds up."""

    on = "camera/NAME/nudge"
    examples = ('{"right": 0.01}', '{"tighter": 0.05}', '{"pan_deg": -0.2, "tilt_deg": 0.1}')
    momentary = True

    right: Share = 0.0
    up: Share = 0.0
    tighter: Tighter = 0.0
    pan_deg: Turn = 0.0
    tilt_deg: Turn = 0.0
    zoom_counts: Counts = 0
    focus_counts: Counts = 0

    @property
    def by_picture(self) -> bool:
        """Whether it goes by shares of the picture."""
        return bool(self.right or self.up or self.tighter)

    @model_validator(mode="after")
    def _one_measure(self) -> Self:
        if self.by_picture and (self.pan_deg or self.tilt_deg or self.zoom_counts):
            raise PydanticCustomError(
                "conflict", "shares of the picture and degrees or zoom counts are both given: leave one out"
            )
        if not (self.by_picture or self.pan_deg or self.tilt_deg or self.zoom_counts or self.focus_counts):
            raise PydanticCustomError("conflict", 'it moves nothing: say how far, such as {"right": 0.01}')
        return self


class FrameCommand(_Aiming):
    """Bring a point of the picture to its middle, or let a part of the picture fill it."""

    on = "camera/NAME/frame"
    examples = ('{"point": [0.7, 0.4]}', '{"box": [0.2, 0.1, 0.6, 0.5]}')
    momentary = True

    point: Point | None = None
    box: Box | None = None

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.point is None) == (self.box is None):
            raise PydanticCustomError("conflict", 'say either a point, such as {"point": [0.7, 0.4]}, or a box')
        return self


class StopCommand(Command):
    """End all motion of the camera now."""

    on = "camera/NAME/stop"
    examples = ("",)
    any_payload = True
    halts = True


class StopAllCommand(StopCommand):
    """End all motion of every camera now."""

    on = "all/stop"


Who = Annotated[
    str,
    Field(
        min_length=1,
        max_length=LONGEST_WHO,
        pattern=ONE_LINE,
        description="one line that says who, 1 to 64 characters",
    ),
]


class _ByWhom(Command):
    by: Who
    reason: str = Field(
        default="", max_length=LONGEST_REASON, pattern=ONE_LINE, description="one line of at most 200 characters"
    )


class LockCommand(_ByWhom):
    """Stop the camera, and let nobody move it until all who locked it have let go."""

    on = "camera/NAME/lock"
    examples = ('{"by": "stage left", "reason": "rigging"}',)
    results = (messages.LocksResult,)
    halts = True

    @classmethod
    def though_unread(cls, id: str | None) -> tuple[Self, str]:
        return cls(by=SOMEBODY, id=id), f"the camera is locked all the same, by {SOMEBODY}"


class UnlockCommand(_ByWhom):
    """Take the own lock off, or with `whose` that of somebody else; the last lets the camera be moved again."""

    on = "camera/NAME/unlock"
    examples = ('{"by": "stage left"}', '{"by": "stage left", "whose": "the rigger"}')
    results = (messages.LocksResult,)

    whose: Who | None = None  # whose lock it is to be, where it is not one's own
    sent_at: SentAt | None = None  # a network that held it up may bring it after a later lock

    @property
    def undone_by_a_stop(self) -> bool:
        return True

    @property
    def stale_once_it_waited(self) -> bool:
        return self.sent_at is None


class _Switching(_Moving):
    """It switches a camera, which may sweep its whole range: somebody has to say that this endangers nobody."""

    momentary = True

    clear: Switch = False  # "yes, I have seen to it that nobody and nothing is near"
    on_air: Switch = False
    sent_at: SentAt | None = None


class PowerCommand(_Switching):
    """Switch the camera on, whereupon most heads sweep their whole range, or to standby."""

    on = "camera/NAME/power"
    examples = ('{"power": "on", "clear": true}', '{"power": "standby", "clear": true}')

    power: Literal["on", "standby"] = Field(description="on or standby")


class ResetCommand(_Switching):
    """Have the head find its ends anew, by a sweep of its whole range."""

    on = "camera/NAME/reset"
    examples = ('{"clear": true}',)


class TallyCommand(Command):
    """Say whether the camera's picture is on air."""

    on = "camera/NAME/tally"
    examples = ("program", "preview", "off", '{"tally": "program"}')
    bare = A_TALLY
    may_be_retained = True

    tally: Literal["program", "preview", "off"] = Field(description="program, preview or off")


class PaceCommand(_AtAPace):
    """Give a position another pace, or none where neither speed nor seconds is sent; nothing moves."""

    on = "camera/NAME/pace"
    examples = ('{"position": "choir-wide", "seconds": 4}', '{"position": "choir-wide"}')
    bare = None  # a name alone is what a recall has: sent here by mistake it would take the pace away


class RenameCommand(_OfAPosition):
    """Give a position another name."""

    on = "camera/NAME/rename"
    examples = ('{"position": "choir-wide", "to": "choir-full"}',)
    results = (messages.NamedResult,)

    to: PositionName


class ArrangeCommand(Command):
    """Put the positions into an order, by which they have their numbers; those that are not named come behind."""

    on = "camera/NAME/arrange"
    examples = ('{"positions": ["choir-wide", "soloist"]}',)

    positions: list[PositionName] = Field(max_length=10_000, description="names of positions, each once")


class DeleteCommand(_OfAPosition):
    """Take a position away; its history stays."""

    on = "camera/NAME/delete"
    examples = ('{"position": "choir-wide"}',)
    results = (messages.NamedResult,)


class RevertCommand(_OfAPosition):
    """Bring back a framing of a position's history; nothing moves."""

    on = "camera/NAME/revert"
    examples = ('{"position": "choir-wide", "number": 2}',)

    number: int = Field(ge=1, le=2**31, description="a number of the position's history, a whole number from 1")


class HistoryCommand(_OfAPosition):
    """Ask for every framing that a position has had."""

    on = "camera/NAME/history"
    only_asks = True
    examples = ('{"position": "choir-wide"}',)
    results = (messages.HistoryResult,)


class SightCommand(_OfAPosition):
    """Note that what the camera shows now is a stored position; after a knock, to `align` it; nothing moves.

    With `as_wide` its picture is as wide as it was, too. With counts it is sighted where a `match` found it.
    """

    on = "camera/NAME/sight"
    examples = ("choir-wide", '{"position": "choir-wide", "as_wide": true}')
    bare = A_NAME
    results = (messages.SightingsResult,)

    as_wide: Switch = False
    pan_counts: HeadCounts | None = None
    tilt_counts: HeadCounts | None = None
    zoom_counts: LensCounts | None = None

    @model_validator(mode="after")
    def _all_counts(self) -> Self:
        counts = (self.pan_counts, self.tilt_counts, self.zoom_counts)
        if any(each is None for each in counts) and any(each is not None for each in counts):
            raise PydanticCustomError("conflict", "say pan_counts, tilt_counts and zoom_counts, or none of them")
        return self


class UnsightCommand(Command):
    """Forget the sighting of a position, or all of the camera's."""

    on = "camera/NAME/unsight"
    examples = ("choir-wide", "")
    bare = A_NAME
    may_be_empty = True
    results = (messages.SightingsResult,)

    position: PositionName | None = None


class MatchCommand(_OfAPosition):
    """Ask where a position lies now by its still, as the camera's picture shows it; nothing moves, nothing is noted."""

    on = "camera/NAME/match"
    only_asks = True
    examples = ("choir-wide",)
    bare = A_NAME
    results = (messages.MatchResult,)


class AlignCommand(Command):
    """Tell what the sightings say of all positions, and with `apply` correct these in one step; nothing moves."""

    on = "camera/NAME/align"
    examples = ("", '{"apply": true, "leave": ["soloist"]}')
    may_be_empty = True
    results = (messages.AlignResult,)

    apply: Switch = False
    leave: list[PositionName] = Field(default=[], max_length=10_000, description="names of positions to be left alone")


class UnalignCommand(_Alone):
    """Take back the last correction of the camera's positions, where none of them has changed since."""

    on = "camera/NAME/unalign"
    results = (messages.UnalignResult,)


class LearnCommand(Command):
    """Measure how the head moves, within ranges that are free of people and cables.

    With `estimate` nothing moves: the answer is how long it would take, or why it would be refused.
    """

    on = "camera/NAME/learn"
    examples = ('{"pan_deg": [-30, 30], "tilt_deg": [-10, 20]}',)
    results = (messages.LearnResult, messages.LearnEstimate)

    pan_deg: AngleRange
    tilt_deg: AngleRange
    near_ends: Switch = False  # whether it may come nearer than 5 degrees to its ends
    estimate: Switch = False
    sent_at: SentAt | None = None

    @property
    def would_move(self) -> bool:
        return not self.estimate


class RestoreCommand(_Moving):
    """Set the camera's own memories anew, as after a swap: it goes to each of its positions, one after the other."""

    on = "camera/NAME/restore"
    examples = ('{"clear": true}',)
    results = (messages.RestoreResult,)
    momentary = True

    clear: Switch = False  # "yes, I have seen to it that nobody and nothing is near"
    sent_at: SentAt | None = None


class ExportCommand(Command):
    """Ask for all positions as text, or for those of one camera; with `stills` their pictures are in it."""

    on = "show/export"
    only_asks = True
    examples = ("{}", '{"camera": "gallery", "stills": true}')
    may_be_empty = True
    results = (messages.ExportResult,)

    camera: PositionName | None = Field(default=None, description="a camera's name, or nothing for all")
    stills: Switch = False


class ImportCommand(Command):
    """Take positions from a text, at most 5 MB, as an export returns it."""

    on = "show/import"
    examples = ('{"show": "…", "replace": false}',)
    largest_bytes = LARGEST_IMPORT_BYTES
    results = (messages.ImportResult,)

    show: str = Field(description="the text of a show file, as an export returns it")
    replace: Switch = False


class _OfACue(_Moving):
    """A cue by its number, or the next."""

    examples = ("12.5", '{"number": 12.5}', "")
    bare = A_NUMBER
    may_be_empty = True

    number: CueNumber | None = None
    sent_at: SentAt | None = None


class StandbyCommand(_OfACue):
    """Send the cameras off air to their framings in a cue, or in the next."""

    on = "cue/standby"
    results = (messages.StandbyResult,)


class PlacesCommand(_Alone, _Moving):
    """Send every camera off air to where the show wants it before the next cue."""

    on = "cue/places"
    results = (messages.PlacesResult,)

    sent_at: SentAt | None = None


class GoCommand(_OfACue):
    """Run a cue, or the next."""

    on = "cue/go"
    results = (messages.GoResult,)


class BackCommand(_Alone):
    """Take back the last `go`; nothing moves."""

    on = "cue/back"

    sent_at: SentAt | None = None


class JumpCommand(Command):
    """Make a cue the next; nothing moves."""

    on = "cue/jump"
    examples = ("12.5", '{"number": 12.5}')
    bare = A_NUMBER

    number: CueNumber
    sent_at: SentAt | None = None


class HoldCommand(_Alone):
    """Let no cue start a move until the release."""

    on = "cue/hold"


class ReleaseCommand(_Alone):
    """End the hold; nothing moves by that."""

    on = "cue/release"


class LoadCommand(_Alone):
    """Read the show file anew; nothing moves, and no cue is in standby."""

    on = "cue/load"
    results = (messages.LoadResult,)


class ListCommand(_Alone):
    """Ask for the cues of the show that is loaded, as they are written."""

    on = "cue/list"
    only_asks = True
    results = (messages.CuesResult,)


class WriteCommand(Command):
    """Write a cue into the show file, with the fields that it has there; nothing moves."""

    on = "cue/write"
    examples = (
        '{"number": 12.5, "after": 20, "take": "left", "moves": [{"camera": "right", "position": "hands"}]}',
        '{"number": 12.5, "on_call": true, "expected": 20, "replace": true}',
    )
    results = (messages.WrittenResult,)

    number: CueNumber
    label: str = Field(
        default="",
        max_length=LONGEST_LABEL,
        pattern=ONE_LINE,
        description=f"one line of text, at most {LONGEST_LABEL} characters",
    )
    at: str | None = Field(default=None, description="a time into the show as text, such as 0:12:30")
    after: float | None = Field(default=None, allow_inf_nan=False, description="seconds after the cue before")
    on_call: Switch = False
    expected: float | None = Field(
        default=None, allow_inf_nan=False, description="the seconds expected before a cue on call"
    )
    take: str | None = Field(default=None, description="the name of the camera that goes on air")
    switch_on: list[str] = Field(default=[], description="a list of names of cameras that are switched on")
    moves: CueMoves = []
    replace: Switch = False


class RemoveCommand(Command):
    """Take a cue out of the show file; nothing moves."""

    on = "cue/remove"
    examples = ("12.5", '{"number": 12.5}')
    bare = A_NUMBER
    results = (messages.WrittenResult,)

    number: CueNumber


class RehearseCommand(Command):
    """Ask which moves of the show do not fit, as it is loaded or would be with a cue; nothing moves."""

    on = "show/rehearse"
    only_asks = True
    examples = ("", '{"cue": {"number": 12.5, "after": 20, "take": "left"}}')
    may_be_empty = True
    results = (messages.RehearsedResult,)

    cue: dict[str, JsonValue] | None = Field(
        default=None, description='a cue as cue/write takes it, such as {"number": 12.5, "after": 20}'
    )


COMMANDS: tuple[type[Command], ...] = tuple(
    each
    for each in list(vars().values())
    if isinstance(each, type) and issubclass(each, Command) and "on" in vars(each)
)
