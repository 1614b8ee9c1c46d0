"""The kinds of fields that commands have.

A field's description is part of what people read: it goes after "it must be" in a refusal, and into the JSON Schema.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime, Field, JsonValue, WithJsonSchema
from pydantic_core import PydanticCustomError

from ptzd.files import HIGHEST_NUMBER, CueMove
from ptzd.names import NAME_PATTERN

NARROWEST_BOX = 0.01  # of the picture


def _numbers(count: int, least: int, most: int, description: str) -> dict[str, JsonValue]:
    """The schema of so many numbers within a range, as every draft of JSON Schema understands it."""
    item: dict[str, JsonValue] = {"type": "number", "minimum": least, "maximum": most}
    return {"type": "array", "items": item, "minItems": count, "maxItems": count, "description": description}


ONE_LINE = r"^[^\x00-\x1f\x7f-\x9f]*$"  # these texts end on terminals: nothing in them may steer one

PositionName = Annotated[
    str,
    Field(
        pattern=NAME_PATTERN,
        description="a name of 1 to 32 lower-case letters, digits and hyphens, starting with a letter or digit, "
        "such as choir-wide",
    ),
]
Deflection = Annotated[
    float,
    Field(ge=-1, le=1, allow_inf_nan=False, description="a number from -1 to 1, a share of the axis's fastest speed"),
]
Share = Annotated[
    float,
    Field(
        ge=-1, le=1, allow_inf_nan=False, description="a number from -1 to 1, a share of the picture's width or height"
    ),
]
Tighter = Annotated[
    float,
    Field(
        ge=-4,
        le=0.9,
        allow_inf_nan=False,
        description="a number from -4 to 0.9, the share by which the picture becomes narrower, or wider below 0",
    ),
]
Turn = Annotated[
    float, Field(ge=-360, le=360, allow_inf_nan=False, description="degrees from -360 to 360, to the right or upwards")
]
Counts = Annotated[int, Field(ge=-65_535, le=65_535, description="whole counts from -65535 to 65535, to tele or near")]
HeadCounts = Annotated[
    int, Field(ge=-0x80000, le=0x7FFFF, description="whole counts from -524288 to 524287, to the right or upwards")
]
LensCounts = Annotated[int, Field(ge=0, le=0xFFFF, description="whole counts from 0 to 65535")]
_InPicture = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
_POINT = "[x, y], shares of the picture's width and height from its top left, each from 0 to 1, such as [0.5, 0.5]"
Point = Annotated[
    tuple[_InPicture, _InPicture],
    Field(strict=False, description=_POINT),
    WithJsonSchema(_numbers(2, 0, 1, _POINT)),
]
_BOX = (
    "[x0, y0, x1, y1], top left and bottom right of a part of the picture in shares of it, such as [0.2, 0.1, 0.6, 0.5]"
)


def _box(value: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = value
    if min(x1 - x0, y1 - y0) < NARROWEST_BOX:
        raise PydanticCustomError("range", f"it must be {_BOX}, and at least {NARROWEST_BOX} wide and high")
    return value


Box = Annotated[
    tuple[_InPicture, _InPicture, _InPicture, _InPicture],
    Field(strict=False, description=_BOX),
    AfterValidator(_box),
    WithJsonSchema(_numbers(4, 0, 1, _BOX)),
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
_ANGLE_RANGE = "two angles in degrees from -360 to 360, [least, most], the smaller first, such as [-30, 30]"
AngleRange = Annotated[
    tuple[Angle, Angle],
    Field(strict=False, description=_ANGLE_RANGE),
    AfterValidator(_rising),
    WithJsonSchema(_numbers(2, -360, 360, _ANGLE_RANGE)),
]
CueMoves = Annotated[
    list[dict[str, JsonValue]],
    Field(description='a list of moves such as [{"camera": "right", "position": "hands"}]'),
    # What is wrong with one is told where the file's moves are read, by the field.
    WithJsonSchema({"type": "array", "items": CueMove.model_json_schema()}),
]
Switch = Annotated[bool, Field(description="true or false")]
CueNumber = Annotated[
    Decimal,
    Field(
        ge=0,
        le=HIGHEST_NUMBER,
        decimal_places=3,
        description=f"a cue number from 0 to {HIGHEST_NUMBER} with up to three decimals, such as 12.5",
    ),
]
