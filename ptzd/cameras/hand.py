"""Driving by hand: how far each axis is deflected becomes drive commands."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from ptzd.visca import (
    Command,
    Dialect,
    Direction,
    FocusFar,
    FocusNear,
    FocusStop,
    PanTiltDrive,
    PanTiltStop,
    ZoomStop,
    ZoomTele,
    ZoomWide,
)

LENS_SPEEDS = 7  # zoom and focus speeds are 0..7


class Deflection(NamedTuple):
    """Each axis from -1 to 1 of its fastest: right, up, tele and far are positive."""

    pan: float
    tilt: float
    zoom: float
    focus: float


def drive_orders(dialect: Dialect, old: Deflection | None, new: Deflection) -> list[Command]:
    """Return the commands for a change, none if nothing changed; `old` is None at the start.

    Every axis is told anew: what was told before may have been lost on the way, a stop among it, and is repeated no
    more once these commands interrupt it.
    """
    if new == old:
        return []
    return [
        _pan_tilt(dialect, new.pan, new.tilt),
        _lens(new.zoom, ZoomStop(), ZoomTele, ZoomWide),
        _lens(new.focus, FocusStop(), FocusFar, FocusNear),
    ]


def _pan_tilt(dialect: Dialect, pan: float, tilt: float) -> Command:
    if not pan and not tilt:
        return PanTiltStop()
    return PanTiltDrive(
        max(1, math.ceil(abs(pan) * dialect.pan.fastest_step)),
        max(1, math.ceil(abs(tilt) * dialect.tilt.fastest_step)),
        _direction(pan),
        _direction(tilt),
    )


def _direction(deflection: float) -> Direction:
    if not deflection:
        return 0
    return 1 if deflection > 0 else -1


def _lens(
    deflection: float, stop: Command, onward: Callable[[int], Command], back: Callable[[int], Command]
) -> Command:
    if not deflection:
        return stop
    speed = round(abs(deflection) * LENS_SPEEDS)
    return onward(speed) if deflection > 0 else back(speed)
