"""Within what names, speeds, times, notes and labels are written, in whatever text or message."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from ptzd.names import checked_name

SLOWEST_STEP, FASTEST_STEP = 1, 24  # pan speed steps, 01..18 in hexadecimal [A, B]
LONGEST_SECONDS = 600.0
LONGEST_NOTE = 1000  # characters
LONGEST_LABEL = 200

Name = Annotated[str, AfterValidator(checked_name)]
Label = Annotated[
    str,
    Field(max_length=LONGEST_LABEL, description=f"a text for people of at most {LONGEST_LABEL} characters"),
]
Speed = Annotated[
    int | None,
    Field(
        ge=SLOWEST_STEP,
        le=FASTEST_STEP,
        description=f"a speed step, a whole number from {SLOWEST_STEP} to {FASTEST_STEP}",
    ),
]
Seconds = Annotated[
    float | None,
    Field(
        gt=0,
        le=LONGEST_SECONDS,
        allow_inf_nan=False,
        description=f"a time of travel in seconds, above 0 and at most {LONGEST_SECONDS:.0f}",
    ),
]
