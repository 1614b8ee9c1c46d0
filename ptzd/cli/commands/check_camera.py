"""What `ptzd check` asks of one camera. It asks only: none of these messages moves anything."""

from __future__ import annotations

import asyncio
from typing import TypeVar

from ptzd.cameras import out_of_reach
from ptzd.cameras.line import InquiryRefused, Line, LineDown, PushedAside
from ptzd.cameras.reading import read_framing
from ptzd.links import Link
from ptzd.visca import (
    Dialect,
    DigitalZoomInquiry,
    ErrorCode,
    FastestSpeedsInquiry,
    FocusModeInquiry,
    Initialisation,
    Inquiry,
    PanTiltStatusInquiry,
    Power,
    PowerInquiry,
    VersionInquiry,
)

from .check_dialect import PositionAsTold, Told
from .check_findings import Notes

T = TypeVar("T")


async def question(link: Link, dialect: Dialect, notes: Notes) -> None:
    """Ask a camera all that a show depends on."""
    line = Line(link, dialect, on_restart=lambda: None)
    carrying = asyncio.create_task(line.run())
    try:
        line.restart()
        await _ask_all(line, dialect, notes)
    except LineDown:
        why = "" if link.trouble is None else f" ({link.trouble})"
        notes.failed(f"does not answer{why}; check its power, its cable or network and the link in the configuration")
    except PushedAside:
        notes.failed("another controller spoke to it at the same time; end that and check again")
    finally:
        carrying.cancel()
        await asyncio.wait([carrying])


async def _ask_all(line: Line, dialect: Dialect, notes: Notes) -> None:
    version = await _ask(line, VersionInquiry())
    if version is None:
        notes.ok("answers, and does not tell its version")
    else:
        notes.ok(
            f"answers: vendor {version.vendor:04X}, model {version.model:04X}, ROM {version.rom:04X}, "
            f"{version.sockets} sockets",
        )
    power = await _ask(line, PowerInquiry())
    if power is not Power.ON:
        notes.failed("is in standby; switch it on where its start-up sweep endangers nobody")
        return
    notes.ok("is on")
    await _ask_head(line, dialect, notes)
    await _ask_lens(line, notes)


async def _ask_head(line: Line, dialect: Dialect, notes: Notes) -> None:
    status = await _ask(line, PanTiltStatusInquiry())
    if status is None:
        notes.caution("does not tell whether its head has found its ends; watch it start up")
    elif status.initialisation is Initialisation.IN_PROGRESS:
        notes.failed("is still starting up; wait until its sweep has ended and check again")
    elif status.initialisation is Initialisation.FAILED:
        notes.failed("failed to find its ends at start-up; restart it where it may sweep safely")
    elif status.pan_fault or status.tilt_fault:
        notes.failed("has lost its pan or tilt position; restart it where it may sweep safely")
    else:
        notes.ok("its head has found its ends and tells no fault")

    fastest = await _ask(line, FastestSpeedsInquiry())
    position = await _ask(line, PositionAsTold())
    if position is None:
        notes.failed("does not tell where it stands, so no move of it could be verified")
        return
    told = Told(position, fastest)
    others = " or ".join(told.others(dialect))
    if (unlike := told.unlike(dialect)) is not None and others:
        notes.failed(f"is no head of the dialect {dialect.name}: {unlike}; what it tells fits {others}, so write that")
        return
    if (unreadable := told.unreadable_in(dialect)) is not None:
        notes.failed(
            f"is no head of the dialect {dialect.name}: {unreadable}; no other that comes with ptzd fits what it tells "
            "either, so write a file for its own"
        )
        return
    known = (dialect.pan.fastest_step, dialect.tilt.fastest_step)
    alike = f"; what it tells fits {others} as well, so see which it is" if others else ""
    if fastest is None:
        notes.caution(f"does not tell its fastest steps; {dialect.name} has {known[0]} and {known[1]}{alike}")
    elif (steps := (fastest.pan_step, fastest.tilt_step)) != known:
        notes.caution(
            f"tells {steps[0]} and {steps[1]} as its fastest pan and tilt steps, {dialect.name} has {known[0]} and "
            f"{known[1]}, and no other dialect that comes with ptzd fits it",
        )
    else:
        notes.ok(f"its fastest steps, {steps[0]} and {steps[1]}, are those of {dialect.name}{alike}")

    try:
        framing = await read_framing(line, "auto")
    except InquiryRefused:
        notes.failed("does not tell where its lens stands, so no move of it could be verified")
        return
    pan, tilt = dialect.pan.degrees(framing.pan_counts), dialect.tilt.degrees(framing.tilt_counts)
    beyond = out_of_reach(dialect, framing)
    if beyond is not None:
        notes.failed(f"{beyond}, yet there it stands; see whether {dialect.name} is its dialect")
    else:
        notes.ok(
            f"stands at pan {pan:.1f}°, tilt {tilt:.1f}°; the reach of {dialect.name} is {_reach(dialect)}",
        )


def _reach(dialect: Dialect) -> str:
    return ", ".join(
        f"{axis} {scale.degrees(scale.least_counts):.0f}° to {scale.degrees(scale.most_counts):.0f}°"
        for axis, scale in (("pan", dialect.pan), ("tilt", dialect.tilt))
    )


async def _ask_lens(line: Line, notes: Notes) -> None:
    digital_zoom = await _ask(line, DigitalZoomInquiry())
    if digital_zoom is None:
        notes.caution("does not tell whether digital zoom is off; switch it off in the camera's own menu")
    elif digital_zoom:
        notes.caution("has digital zoom on, so zoom may come back otherwise; a recall switches it off")
    else:
        notes.ok("digital zoom is off")
    mode = await _ask(line, FocusModeInquiry())
    if mode is not None:
        by_itself = mode.name == "AUTO"
        notes.ok("focuses by itself" if by_itself else "is focused by hand, so focus is stored and recalled")


async def _ask(line: Line, inquiry: Inquiry[T]) -> T | None:
    """Return the answer, or None where the camera does not know the question."""
    for attempt in range(5):
        try:
            return await line.ask(inquiry)
        except InquiryRefused as refusal:
            if refusal.code is not ErrorCode.NOT_EXECUTABLE or attempt == 4:
                return None
            await asyncio.sleep(0.2)
    return None
