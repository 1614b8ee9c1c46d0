"""The bounds of the numbers in commands are those that their descriptions tell people."""

from __future__ import annotations

import re
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from ptzd.bus import fields
from ptzd.bus.commands import COMMANDS, Command

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


FLOATS = [
    (command, name)
    for command in COMMANDS
    for name, about in command.model_fields.items()
    if re.search(r"\bfloat\b", str(about.annotation))
]


@pytest.mark.parametrize(("command", "name"), FLOATS)
def test_no_command_takes_a_number_that_is_without_end_or_none_at_all(command: type[Command], name: str) -> None:
    assert len(FLOATS) > 10
    for number in (float("inf"), float("-inf"), float("nan")):
        with pytest.raises(ValidationError) as refused:
            command.model_validate({name: number})
        assert [wrong for wrong in refused.value.errors() if wrong["loc"] == (name,)]


def test_all_of_them_were_tried() -> None:
    assert {"Deflection", "Share", "Tighter", "Turn", "Counts", "HeadCounts", "LensCounts"} <= {
        name for name, _, _ in NUMBERS
    }
