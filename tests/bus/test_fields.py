"""The bounds of the numbers in commands are those that their descriptions tell people."""

from __future__ import annotations

import re
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from ptzd.bus import fields

TOLD = re.compile(r"from (-?[\d.]+) to (-?[\d.]+)")
NUMBERS = [
    (name, *map(float, told.groups()))
    for name, kind in vars(fields).items()
    for about in getattr(kind, "__metadata__", ())
    if isinstance(about, FieldInfo)
    and kind.__origin__ in (int, float)
    and (told := TOLD.search(about.description or ""))
]


@pytest.mark.parametrize(("name", "least", "most"), NUMBERS)
def test_a_number_is_taken_up_to_its_bounds_and_no_further(name: str, least: float, most: float) -> None:
    kind: TypeAdapter[Any] = TypeAdapter(getattr(fields, name))
    whole = getattr(fields, name).__origin__ is int
    step = 1 if whole else 0.01
    for number in (least, most):
        assert kind.validate_python(int(number) if whole else number) == number
    for number in (least - step, most + step):
        with pytest.raises(ValidationError):
            kind.validate_python(int(number) if whole else number)


def test_all_of_them_were_tried() -> None:
    assert {"Deflection", "Share", "Tighter", "Turn", "Counts", "HeadCounts", "LensCounts"} <= {
        name for name, _, _ in NUMBERS
    }
