"""Switching a camera on or to standby, and having its head find its ends: what may sweep a head over its whole range.

No document says what a head does as it is put to sleep; some turn to a rest (common practice).
"""

from __future__ import annotations

from typing import Literal

from ptzd.refusal import Refusal
from ptzd.visca import Command, PanTiltReset, PowerOn, PowerStandby

from .settings import CameraSettings

Switching = Literal["on", "standby", "reset"]

ORDERS: dict[Switching, Command] = {"on": PowerOn(), "standby": PowerStandby(), "reset": PanTiltReset()}
TAKEN_SECONDS = 5.0  # for a camera to say that it has done it; most say so at once, some when the sweep has ended
SWEEP_SECONDS = 90.0  # a whole range at its own pace, three times what motors take that are in no hurry; assumed
_WHAT_IT_DOES: dict[Switching, str] = {
    "on": "start up and sweep its whole range",
    "standby": "switch its picture off, and may turn to a rest of its own",
    "reset": "sweep its whole range to find its ends",
}
_HINT = 'send "clear": true'


def caution(settings: CameraSettings, switching: Switching) -> Refusal:
    """Return what is said to whoever has not said that all is clear of a camera that is to be switched."""
    return not_clear(settings, _WHAT_IT_DOES[switching])


def not_clear(settings: CameraSettings, would: str) -> Refusal:
    """Return what is said to whoever has not said that all is clear of a camera, which `would` move by itself."""
    overhead = "it hangs over people: let nobody be below; " if settings.overhead else ""
    return Refusal(
        "not-clear",
        f"camera {settings.name} would {would}; {overhead}see that no hand is near it, that nothing can catch on head, "
        f"lens or cables, and then {_HINT}",
        _HINT,
    )
