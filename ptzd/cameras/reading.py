"""Asking a camera what it is and where it stands. Nothing here is believed, all of it is asked."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TypeVar

from ptzd.line import FocusMode, Framing, InquiryRefused, Line, PushedAside
from ptzd.visca import (
    DigitalZoomInquiry,
    ErrorCode,
    FocusInquiry,
    FocusModeInquiry,
    Initialisation,
    Inquiry,
    PanTiltPosition,
    PanTiltPositionInquiry,
    PanTiltStatus,
    PanTiltStatusInquiry,
    Power,
    PowerInquiry,
    ZoomInquiry,
)

from .reports import PowerState

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Condition:
    """What changes rarely: asked at the first contact and every few seconds at rest."""

    power: PowerState
    focus_mode: FocusMode
    digital_zoom: bool | None  # None: this camera does not know the question
    faults: tuple[str, ...]
    lost_place: bool = False  # it tells where it stands, and says itself that this can't be trusted


async def read_framing(line: Line, focus_mode: FocusMode, given_up: Callable[[], bool] = lambda: False) -> Framing:
    """Ask for pan, tilt, zoom and focus. Raises as `Line.ask` does, and `PushedAside` once it is `given_up`."""

    async def ask(inquiry: Inquiry[T]) -> T:
        if given_up():
            raise PushedAside
        return await line.ask(inquiry)

    pan_tilt = await ask(PanTiltPositionInquiry())
    zoom_counts = await ask(ZoomInquiry())
    focus_counts = await ask(FocusInquiry())
    return Framing(pan_tilt.pan_counts, pan_tilt.tilt_counts, zoom_counts, focus_counts, focus_mode)


async def read_pan_tilt(line: Line, known: Framing) -> Framing:
    """Ask for pan and tilt; zoom and focus are taken as `known`."""
    return with_head(known, await line.ask(PanTiltPositionInquiry()))


def with_head(known: Framing, head: PanTiltPosition) -> Framing:
    """Return a framing with other pan and tilt."""
    return replace(known, pan_counts=head.pan_counts, tilt_counts=head.tilt_counts)


async def read_focus_mode(line: Line) -> FocusMode:
    """Ask whether the camera focuses by itself."""
    mode = await line.ask(FocusModeInquiry())
    return "auto" if mode.name == "AUTO" else "manual"


async def read_condition(line: Line, saw_head: Callable[[PanTiltPosition], None]) -> Condition:
    """Ask for power, start-up, digital zoom and faults.

    A head that is not starting up is asked twice where it stands, for `saw_head`, ahead of what can wait: it may be
    moving though nobody has ordered it.
    """
    if await line.ask(PowerInquiry()) is not Power.ON:
        return Condition("standby", "auto", None, ())
    faults: list[str] = []
    first = await _unless_refused(line, PanTiltPositionInquiry())  # while it starts up, which its status tells
    status = await _status(line)
    state = _power_of(status)
    if status is not None:
        if status.initialisation is Initialisation.FAILED:
            faults.append("the head failed to find its ends at start-up; its positions can't be trusted")
        if status.pan_fault:
            faults.append("the head has lost its pan position; restart it where it may sweep safely")
        if status.tilt_fault:
            faults.append("the head has lost its tilt position; restart it where it may sweep safely")
    if state == "on" and first is not None:
        saw_head(first)
        saw_head(await line.ask(PanTiltPositionInquiry()))
    lost_place = bool(faults)
    # Heads without this question answer it with one error or another.
    digital_zoom = await _unless_refused(line, DigitalZoomInquiry())
    if digital_zoom:
        faults.append("digital zoom is on: zoom positions may not come back the same")
    return Condition(state, await read_focus_mode(line), digital_zoom, tuple(faults), lost_place)


async def read_power(line: Line, given_up: Callable[[], bool]) -> PowerState:
    """Ask whether it is on, and has started up, and nothing else. Raises as `read_framing` does.

    One question tells that it starts up: whoever stops it again and again leaves a slow camera no time for two.
    """
    state: PowerState = "on"
    with suppress(InquiryRefused):  # perhaps it is off
        state = _power_of(await _status(line))
    if state == "starting":
        return state
    if given_up():
        raise PushedAside
    return state if await line.ask(PowerInquiry()) is Power.ON else "standby"


def _power_of(status: PanTiltStatus | None) -> PowerState:
    """What a camera that is powered tells of its start-up."""
    return "starting" if status is not None and status.initialisation is Initialisation.IN_PROGRESS else "on"


async def _unless_refused(line: Line, inquiry: Inquiry[T]) -> T | None:
    with suppress(InquiryRefused):
        return await line.ask(inquiry)
    return None


async def _status(line: Line) -> PanTiltStatus | None:
    try:
        return await line.ask(PanTiltStatusInquiry())
    except InquiryRefused as refusal:
        if refusal.code is ErrorCode.NOT_EXECUTABLE:
            raise
        return None  # heads without this question answer "syntax error"
