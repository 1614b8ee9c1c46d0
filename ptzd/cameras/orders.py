"""The commands that bring a framing back."""

from __future__ import annotations

from ptzd.line import Framing
from ptzd.visca import (
    Command,
    DigitalZoomOff,
    Direction,
    FocusAuto,
    FocusManual,
    MemoryRecall,
    MemoryRecallSpeed,
    PanTiltAbsolute,
    ZoomDirect,
    ZoomFocusDirect,
)

from .settings import OwnMemories


def pan_tilt_order(framing: Framing, pan_step: int, tilt_step: int) -> PanTiltAbsolute:
    """The longest way goes first, so that it starts with the first packet."""
    return PanTiltAbsolute(framing.pan_counts, framing.tilt_counts, pan_step, tilt_step)


def direction_of(way: float) -> Direction:
    """The direction in which an axis is driven: that of a way, or of a push, with its sign."""
    if not way:
        return 0
    return 1 if way > 0 else -1


def memory_orders(memories: OwnMemories, number: int, step: int) -> list[Command]:
    """Recall one of the camera's own memories, at a pan step where it takes that; the recall comes last."""
    speed: list[Command] = [MemoryRecallSpeed(number, step)] if memories.speed else []
    return [*speed, MemoryRecall(number)]


def lens_orders(framing: Framing, *, digital_zoom: bool | None) -> list[Command]:
    """Zoom and focus, in an order that never needs a third socket beside the pan-tilt move.

    A focus position is refused in auto focus, so manual comes first. Digital zoom spoils zoom positions, so it
    is switched off where it is not known to be off.
    """
    orders: list[Command] = []
    if digital_zoom is not False:
        orders.append(DigitalZoomOff())
    if framing.focus_mode == "manual":
        orders += [FocusManual(), ZoomFocusDirect(framing.zoom_counts, framing.focus_counts)]
    else:
        orders += [ZoomDirect(framing.zoom_counts), FocusAuto()]
    return orders
