"""What `ptzd check` asks of one camera. It asks only: none of these messages moves anything."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from statistics import median
from typing import TypeVar

from ptzd.cameras.overheard import Overheard
from ptzd.cameras.reading import read_framing
from ptzd.config import ExpectsConfig
from ptzd.line import (
    JITTER_COUNTS,
    FocusMode,
    Framing,
    InquiryRefused,
    Line,
    LineDown,
    PushedAside,
    Standing,
    alike,
    out_of_reach,
)
from ptzd.links import Link
from ptzd.visca import (
    Dialect,
    DigitalZoomInquiry,
    DigitalZoomOff,
    ErrorCode,
    FastestSpeedsInquiry,
    FocusInquiry,
    FocusModeInquiry,
    Initialisation,
    Inquiry,
    MessageError,
    PanTiltPositionInquiry,
    PanTiltStatusInquiry,
    Power,
    PowerInquiry,
    VersionInquiry,
    ZoomInquiry,
)

from .check_dialect import PositionAsTold, Told
from .check_findings import Notes

T = TypeVar("T")

ASKED = ("answers", "round trip", "others", "version", "power", "head", "dialect", "stands", "digital zoom", "focus")
ENDS_ASKING = ("answers", "others", "power", "dialect", "stands")
PAUSE_SECONDS = 0.02  # between two questions that only tell how long answers take
LOOK_SECONDS = 0.1  # between two readings of where it stands
PAUSE_ON_A_STREAM_SECONDS = 0.2  # seven cameras share a serial line of 960 bytes a second
SLOW_SECONDS = 0.1  # after which the first repeat is sent to a camera of which nothing is known: see `Timing`
MOST_LOST = 0.05  # more, and every twentieth order is late by a repeat
STRAGGLER_SECONDS = 0.3  # that a reply may be late and counts as no loss


async def question(link: Link, dialect: Dialect, expects: ExpectsConfig | None, seconds: float, notes: Notes) -> None:
    """Ask a camera all that a show depends on, having seen for some seconds how it answers."""
    overheard = Overheard(link)
    try:
        async with _speaking(overheard, dialect) as line:
            before = await _first_seen(line, dialect)
            await _look_at_line(line, overheard, seconds, notes)
            if overheard.others < 2:
                await _ask_all(line, dialect, expects, before, notes)
    except LineDown:
        strange = "something answers there, but not in this form; check the link in the configuration"
        why = "" if link.trouble is None else f" ({link.trouble})"
        silent = f"does not answer{why}; check its power, its cable or network and the link in the configuration"
        notes.forget("answers")
        if overheard.others < 2:  # else its silence is the other's doing
            notes.failed("answers", strange if overheard.heard and not overheard.answered else silent)
    except PushedAside:
        overheard.others += 2
    if overheard.others:
        tell_of_others(overheard, notes)
    failed = [each.what for each in notes.findings if each.state == "failed" and each.what in ENDS_ASKING]
    notes.unseen_rest(ASKED, f"not asked: see {failed[0]}" if failed else "it does not tell")


async def switch_digital_zoom_off(link: Link, dialect: Dialect) -> bool | None:
    """Have a camera zoom with its lens alone; return whether digital zoom is on afterwards, None where nobody knows."""
    try:
        async with _speaking(link, dialect) as line:
            await line.perform(DigitalZoomOff(), completion_seconds=2.0).ended
            return await _ask(line, DigitalZoomInquiry())
    except (LineDown, PushedAside):
        return None


@asynccontextmanager
async def _speaking(link: Link, dialect: Dialect) -> AsyncIterator[Line]:
    line = Line(link, dialect, on_restart=lambda: None)
    carrying = asyncio.create_task(line.run())
    try:
        line.restart()
        yield line
    finally:
        carrying.cancel()
        await asyncio.wait([carrying])


async def _first_seen(line: Line, dialect: Dialect) -> tuple[Framing, float] | None:
    """Read where it is, and when that was; None where it does not tell, or not in this dialect."""
    with suppress(InquiryRefused, MessageError):
        head = PanTiltPositionInquiry().read(await line.ask(PositionAsTold()), dialect)
        lens = (await line.ask(ZoomInquiry()), await line.ask(FocusInquiry()))
        return Framing(head.pan_counts, head.tilt_counts, *lens, "auto"), asyncio.get_running_loop().time()
    return None


async def _look_at_line(line: Line, overheard: Overheard, seconds: float, notes: Notes) -> None:
    """Ask the same again and again: how long answers take, how many are lost, who else speaks."""
    loop = asyncio.get_running_loop()
    pause_seconds = PAUSE_ON_A_STREAM_SECONDS if overheard.form == "stream" else PAUSE_SECONDS
    with suppress(InquiryRefused):  # what is lost before a connection stands, or addresses are set, is no loss
        await line.ask(PowerInquiry())
    if overheard.lost:
        await asyncio.sleep(STRAGGLER_SECONDS)
    lost_before, sent_before = overheard.lost, overheard.sent
    ends_at = loop.time() + seconds
    took: list[float] = []
    while not took or (loop.time() < ends_at and overheard.others < 2):
        asked_at = loop.time()
        with suppress(InquiryRefused):
            await line.ask(PowerInquiry())
        took.append(loop.time() - asked_at)
        await asyncio.sleep(max(0.0, pause_seconds - took[-1]))
    if overheard.lost:
        await asyncio.sleep(STRAGGLER_SECONDS)
    lost, sent = max(0, overheard.lost - lost_before), overheard.sent - sent_before
    usual, worst = (f"{1000 * each:.0f} ms" for each in (median(took), max(took)))
    said = f"answers within {usual}, {worst} at worst; "
    said += f"{lost} of {sent} questions were lost" if lost else f"of {sent} none was lost"
    if lost > MOST_LOST * sent:
        notes.failed("round trip", f"{said}; check cables, switches and what else is on that network")
    elif lost or median(took) > SLOW_SECONDS:
        notes.caution("round trip", f"{said}; a stop may come late by as much")
    else:
        notes.ok("round trip", said)
    if not overheard.others:
        notes.ok("others", f"in {seconds:g} s nobody else was heard to speak to it")


def tell_of_others(overheard: Overheard, notes: Notes) -> None:
    notes.forget("others")
    if overheard.others == 1 and overheard.lost:
        notes.caution("others", "lost count of messages once: by what was lost, or somebody else speaks to it")
    else:
        notes.failed("others", "another controller spoke to it at the same time; end that and check again")


async def _ask_all(
    line: Line,
    dialect: Dialect,
    expects: ExpectsConfig | None,
    before: tuple[Framing, float] | None,
    notes: Notes,
) -> None:
    version = await _ask(line, VersionInquiry())
    if version is None:
        notes.ok("answers", "answers, and does not tell its version")
        notes.unseen("version", "it does not tell" + (", and one is expected" if expects else ""))
    else:
        told = {"vendor": version.vendor, "model": version.model, "rom": version.rom}
        words = {name: f"{number:04X}" for name, number in told.items()}
        said = f"vendor {words['vendor']}, model {words['model']}, ROM {words['rom']}, {version.sockets} sockets"
        notes.ok("answers", f"answers: {said}")
        unlike = {} if expects is None else expects.unlike(words)
        if unlike:
            expected = ", ".join(f"{name} {text}" for name, text in unlike.items())
            notes.failed(
                "version", f"is another than expected ({expected}): see whether it is the right camera, then `expects`"
            )
        elif expects is not None:
            notes.ok("version", "is the one that is expected")
        else:
            notes.unseen("version", "the configuration does not tell which to expect (`expects`)")
    power = await _ask(line, PowerInquiry())
    if power is Power.STANDBY:
        notes.failed("power", "is in standby; switch it on where its start-up sweep endangers nobody")
        return
    if power is Power.ON:
        notes.ok("power", "is on")
    await _ask_head(line, dialect, before, notes)
    await _ask_lens(line, notes)


async def _ask_head(line: Line, dialect: Dialect, before: tuple[Framing, float] | None, notes: Notes) -> None:
    status = await _ask(line, PanTiltStatusInquiry())
    if status is None:
        notes.unseen("head", "does not tell whether its head has found its ends; watch it start up")
    elif status.initialisation is Initialisation.IN_PROGRESS:
        notes.failed("head", "is still starting up; wait until its sweep has ended and check again")
    elif status.initialisation is Initialisation.FAILED:
        notes.failed("head", "failed to find its ends at start-up; restart it where it may sweep safely")
    elif status.pan_fault or status.tilt_fault:
        notes.failed("head", "has lost its pan or tilt position; restart it where it may sweep safely")
    else:
        notes.ok("head", "its head has found its ends and tells no fault")

    fastest = await _ask(line, FastestSpeedsInquiry())
    position = await _ask(line, PositionAsTold())
    if position is None:
        notes.failed("stands", "does not tell where it stands, so no move of it could be verified")
        return
    told = Told(position, fastest)
    others = " or ".join(told.others(dialect))
    if (unlike := told.unlike(dialect)) is not None and others:
        notes.failed(
            "dialect", f"is no head of the dialect {dialect.name}: {unlike}; what it tells fits {others}, so write that"
        )
        return
    if (unreadable := told.unreadable_in(dialect)) is not None:
        notes.failed(
            "dialect",
            f"is no head of the dialect {dialect.name}: {unreadable}; no other that comes with ptzd fits what it tells "
            "either, so write a file for its own",
        )
        return
    known = (dialect.pan.fastest_step, dialect.tilt.fastest_step)
    alike = f"; what it tells fits {others} as well, so see which it is" if others else ""
    if fastest is None:
        notes.caution(
            "dialect",
            f"does not tell its fastest steps; {dialect.name} has {known[0]} and {known[1]}{alike}",
        )
    elif (steps := (fastest.pan_step, fastest.tilt_step)) != known:
        notes.caution(
            "dialect",
            f"tells {steps[0]} and {steps[1]} as its fastest pan and tilt steps, {dialect.name} has {known[0]} and "
            f"{known[1]}, and no other dialect that comes with ptzd fits it",
        )
    else:
        notes.ok("dialect", f"its fastest steps, {steps[0]} and {steps[1]}, are those of {dialect.name}{alike}")

    if status is not None and status.initialisation is Initialisation.IN_PROGRESS:
        notes.unseen("stands", "it does not stand while it starts up")
        return
    try:
        await _see_it_stand(line, dialect, before, notes)
    except InquiryRefused:
        notes.failed("stands", "does not tell where its lens stands, so no move of it could be verified")


async def _see_it_stand(line: Line, dialect: Dialect, before: tuple[Framing, float] | None, notes: Notes) -> None:
    """Tell where it stands, if all that is read since `before` agrees, and long enough for the slowest head."""
    loop, standing = asyncio.get_running_loop(), Standing(dialect)
    by_hand = (mode := await _ask(line, FocusModeInquiry())) is not None and mode.name != "AUTO"
    focus_mode: FocusMode = "manual" if by_hand else "auto"
    framing, read_at = before or (await read_framing(line, focus_mode), loop.time())
    first = replace(framing, focus_mode=focus_mode)
    standing.take(first, read_at)
    while not standing.still:
        framing = await read_framing(line, focus_mode)
        if not alike(first, framing):
            way = _travelled(dialect, first, framing)
            notes.failed("stands", f"moves though nobody here moves it ({way}); `ptzd halt` stops it, then check again")
            return
        standing.take(framing, loop.time())
        await asyncio.sleep(LOOK_SECONDS)
    pan, tilt = dialect.pan.degrees(framing.pan_counts), dialect.tilt.degrees(framing.tilt_counts)
    beyond = out_of_reach(dialect, framing)
    if beyond is not None:
        notes.failed("stands", f"{beyond}, yet there it stands; see whether {dialect.name} is its dialect")
    else:
        notes.ok(
            "stands",
            f"stands at pan {pan:.1f}°, tilt {tilt:.1f}°; the reach of {dialect.name} is {_reach(dialect)}",
        )


def _travelled(dialect: Dialect, first: Framing, last: Framing) -> str:
    """Return from where to where each axis went that is not where it was."""
    ways: list[str] = []
    if abs(last.pan_counts - first.pan_counts) > JITTER_COUNTS:
        ways.append(f"pan {dialect.pan.degrees(first.pan_counts):.2f}° → {dialect.pan.degrees(last.pan_counts):.2f}°")
    if abs(last.tilt_counts - first.tilt_counts) > JITTER_COUNTS:
        ways.append(
            f"tilt {dialect.tilt.degrees(first.tilt_counts):.2f}° → {dialect.tilt.degrees(last.tilt_counts):.2f}°"
        )
    if abs(last.zoom_counts - first.zoom_counts) > JITTER_COUNTS:
        ways.append(f"zoom {first.zoom_counts} → {last.zoom_counts}")
    return ", ".join(ways) or f"focus {first.focus_counts} → {last.focus_counts}"


def _reach(dialect: Dialect) -> str:
    (left, right), (down, up) = dialect.pan.reach_deg, dialect.tilt.reach_deg
    return f"pan {left:.0f}° to {right:.0f}°, tilt {down:.0f}° to {up:.0f}°"


async def _ask_lens(line: Line, notes: Notes) -> None:
    digital_zoom = await _ask(line, DigitalZoomInquiry())
    if digital_zoom is None:
        notes.unseen(
            "digital zoom", "does not tell whether digital zoom is off; switch it off in the camera's own menu"
        )
    elif digital_zoom:
        notes.caution(
            "digital zoom",
            "is on, so zoom may come back otherwise; a recall switches it off, and so does --switch-off-digital-zoom",
        )
    else:
        notes.ok("digital zoom", "digital zoom is off")
    mode = await _ask(line, FocusModeInquiry())
    if mode is not None:
        by_itself = mode.name == "AUTO"
        notes.ok("focus", "focuses by itself" if by_itself else "is focused by hand, so focus is stored and recalled")


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
