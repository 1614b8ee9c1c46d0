"""The payload of each command as JSON.

A field's description is part of what people read: it goes after "it must be" in a refusal, and into the JSON Schema.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Self

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from ptzd.cameras import Tally
from ptzd.files import FASTEST_STEP, LONGEST_NOTE, LONGEST_SECONDS, NAME_PATTERN

LONGEST_ID = 64  # characters
LONGEST_WHO = 64
LONGEST_REASON = 200
HIGHEST_CUE = 99_999

_ONE_LINE = r"^[^\x00-\x1f\x7f-\x9f]*$"  # these texts end on terminals: nothing in them may steer one

PositionName = Annotated[
    str,
    Field(
        pattern=NAME_PATTERN,
        description="a name of 1 to 32 lower-case letters, digits and hyphens, starting with a letter or digit, "
        "such as choir-wide",
    ),
]
Speed = Annotated[int, Field(ge=1, le=FASTEST_STEP, description=f"a whole number from 1 to {FASTEST_STEP}")]
Seconds = Annotated[
    float,
    Field(
        gt=0,
        le=LONGEST_SECONDS,
        allow_inf_nan=False,
        description=f"a number of seconds above 0 and at most {LONGEST_SECONDS:.0f}",
    ),
]
Deflection = Annotated[
    float,
    Field(ge=-1, le=1, allow_inf_nan=False, description="a number from -1 to 1, a share of the axis's fastest speed"),
]
SentAt = Annotated[
    AwareDatetime, Field(description="a date and time with its offset (RFC 3339), such as 2031-05-17T19:30:00.250Z")
]


def _rising(value: tuple[float, float]) -> tuple[float, float]:
    first, second = value
    if first > second:
        raise PydanticCustomError("range", f"the smaller angle must come first: write [{second:g}, {first:g}]")
    if first == second:
        raise PydanticCustomError("range", "the two angles must differ: write a range such as [-30, 30]")
    return value


Angle = Annotated[float, Field(ge=-360, le=360, allow_inf_nan=False)]
AngleRange = Annotated[
    tuple[Angle, Angle],
    Field(
        strict=False,
        description="two angles in degrees from -360 to 360, [least, most], the smaller first, such as [-30, 30]",
    ),
    AfterValidator(_rising),
]
Switch = Annotated[bool, Field(description="true or false")]
CueNumber = Annotated[
    Decimal,
    Field(
        ge=0,
        le=HIGHEST_CUE,
        decimal_places=3,
        description=f"a cue number from 0 to {HIGHEST_CUE} with up to three decimals, such as 12.5",
    ),
]


class Command(BaseModel):
    """What every command may carry. Nothing unknown may stand in one, nothing is taken for something else."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    id: str | None = Field(
        default=None,
        max_length=LONGEST_ID,
        description=f"a text of at most {LONGEST_ID} characters; outcomes repeat it",
    )


class _AtAPace(Command):
    """A position with the pace of its move: a speed or seconds, not both; with neither the camera's own."""

    position: PositionName
    speed: Speed | None = None
    seconds: Seconds | None = None

    @model_validator(mode="after")
    def _one_pace(self) -> Self:
        if self.speed is not None and self.seconds is not None:
            raise PydanticCustomError("conflict", "speed and seconds are both given: leave one out, it follows")
        return self


class RecallCommand(_AtAPace):
    """`camera/NAME/recall`: bring the camera to a stored position. The bare name as text says the same."""

    on_air: Switch = False  # "yes, although the camera is on program"
    sent_at: SentAt | None = None


class StoreCommand(_AtAPace):
    """`camera/NAME/store`: keep where the camera stands. The bare name as text says the same."""

    note: str = Field(
        default="", max_length=LONGEST_NOTE, pattern=_ONE_LINE, description="one line of text, at most 1000 characters"
    )
    replace: Switch = False


class DriveCommand(Command):
    """`camera/NAME/drive`: move by hand for half a second: right, up, tele and far are positive."""

    pan: Deflection = 0.0
    tilt: Deflection = 0.0
    zoom: Deflection = 0.0
    focus: Deflection = 0.0
    sent_at: SentAt | None = None


class StopCommand(Command):
    """`camera/NAME/stop` and `all/stop`: motion ends, whatever the payload; an `id` in it is repeated."""


class LockCommand(Command):
    """`camera/NAME/lock`: nobody moves that camera."""

    by: str = Field(
        min_length=1,
        max_length=LONGEST_WHO,
        pattern=_ONE_LINE,
        description="one line that says who, 1 to 64 characters",
    )
    reason: str = Field(
        default="", max_length=LONGEST_REASON, pattern=_ONE_LINE, description="one line of at most 200 characters"
    )


class UnlockCommand(LockCommand):
    """`camera/NAME/unlock`: whoever may move that camera may do so again."""


class TallyCommand(Command):
    """`camera/NAME/tally` (may be retained): `program`, `preview` or `off`, which as bare text says the same."""

    tally: Tally = Field(description="program, preview or off")


class RenameCommand(Command):
    """`camera/NAME/rename`: give a position another name."""

    position: PositionName
    to: PositionName


class DeleteCommand(Command):
    """`camera/NAME/delete`: take a position away; its history stays."""

    position: PositionName


class RevertCommand(Command):
    """`camera/NAME/revert`: bring back a framing of a position's history."""

    position: PositionName
    number: int = Field(ge=1, le=2**31, description="a number of the position's history, a whole number from 1")


class HistoryCommand(Command):
    """`camera/NAME/history`: ask for every framing a position has had."""

    position: PositionName


class LearnCommand(Command):
    """`camera/NAME/learn`: measure how the head moves, within ranges that are free of people and cables.

    With `estimate` nothing moves: the answer is how long it would take, or why it would be refused.
    """

    pan_deg: AngleRange
    tilt_deg: AngleRange
    near_ends: Switch = False  # whether it may come nearer than 5 degrees to its ends
    estimate: Switch = False
    sent_at: SentAt | None = None


class ExportCommand(Command):
    """`show/export`: ask for the whole show as text. An empty payload says the same."""


class ImportCommand(Command):
    """`show/import`: take positions from a show's text, at most 5 MB."""

    show: str = Field(description="the text of a show file, as an export returns it")
    replace: Switch = False


class CueCommand(Command):
    """`cue/standby` and `cue/go`: a cue by its number, or the next. The bare number or nothing says the same."""

    number: CueNumber | None = None
    sent_at: SentAt | None = None


class BackCommand(Command):
    """`cue/back`: take back the last `go`; nothing moves. An empty payload says the same."""

    sent_at: SentAt | None = None


class JumpCommand(Command):
    """`cue/jump`: make a cue the next; nothing moves. The bare number says the same."""

    number: CueNumber
    sent_at: SentAt | None = None


class HoldCommand(Command):
    """`cue/hold`: no cue starts a move until the release. An empty payload says the same."""


class ReleaseCommand(Command):
    """`cue/release`: the hold is over; nothing moves by that. An empty payload says the same."""
