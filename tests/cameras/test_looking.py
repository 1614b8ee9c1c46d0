"""How soon a camera that stands is seen to stand, by how long it takes for an answer; sums by hand."""

from __future__ import annotations

import asyncio
import random
from typing import TYPE_CHECKING, cast

import pytest
from ptzsim.virtual_time import run
from rigs import framing

from ptzd.cameras.looking import Looking
from ptzd.line import Arrival, Tolerance
from ptzd.visca import (
    FocusInquiry,
    FocusMode,
    FocusModeInquiry,
    PanTiltPosition,
    PanTiltPositionInquiry,
    ZoomInquiry,
    load_dialect,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from ptzd.line import Line

WANTED = framing(1000, 200, 0x1000)


class Answers:
    """A camera that answers one question after the other, each after about as long."""

    def __init__(self, seconds: float, zoom_counts: Callable[[float], int] = lambda now: WANTED.zoom_counts) -> None:
        self.seconds = seconds
        self.asked: list[type] = []
        self.pan_counts: Callable[[float], int] = lambda now: WANTED.pan_counts
        self._zoom_counts = zoom_counts
        self._rng = random.Random(4)

    async def ask(self, question: object) -> object:
        loop = asyncio.get_running_loop()
        self.asked.append(type(question))
        await asyncio.sleep(self.seconds * self._rng.uniform(0.97, 1.03))
        now = loop.time()
        return {
            PanTiltPositionInquiry: PanTiltPosition(self.pan_counts(now), WANTED.tilt_counts),
            ZoomInquiry: self._zoom_counts(now),
            FocusInquiry: WANTED.focus_counts,
            FocusModeInquiry: FocusMode.MANUAL,
        }[type(question)]


async def seen(camera: Answers, swings_seconds: float | None) -> float:
    """Return after how many seconds it is seen to be still."""
    loop = asyncio.get_running_loop()
    arrival = Arrival(load_dialect("nibble4-51"), WANTED, Tolerance(), swings_seconds)
    began = loop.time()
    arrival.told_its_end(began)
    looking = Looking(cast("Line", camera), arrival)
    async with asyncio.timeout(20.0):
        while (framing := await looking.look()) is None or not arrival.still(loop.time()):
            pass
    assert framing == WANTED
    return loop.time() - began


@pytest.mark.parametrize("swings_seconds", [None, 0.0, 0.1, 0.5, 1.2])
@pytest.mark.parametrize("answer_seconds", [0.004, 0.02, 0.06, 0.12, 0.17])
def test_it_is_seen_as_soon_as_its_answers_allow(answer_seconds: float, swings_seconds: float | None) -> None:
    took = run(seen(Answers(answer_seconds), swings_seconds))
    # Zoom, focus, focus mode, and pan and tilt before and after; these agree for 0.3 s, after the swing is over.
    questions = 5 * answer_seconds
    agreeing = max(answer_seconds, swings_seconds or 0.0) + 0.3
    assert max(0.97 * questions, agreeing) <= took + 0.001
    # A question more than fits now and then, and two times three hundredths of a second, by which it looks late.
    assert took <= max(questions + answer_seconds * bool(swings_seconds), agreeing) + 0.09


@pytest.mark.parametrize("answer_seconds", [0.01, 0.08, 0.15])
def test_what_swings_longer_than_is_known_is_not_still_before_it_was_there_for_long_enough(
    answer_seconds: float,
) -> None:
    for last_outside in (0.35, 0.5, 0.65, 0.8, 0.95):

        async def scene(last_outside: float = last_outside) -> float:
            camera, began = Answers(answer_seconds), asyncio.get_running_loop().time()
            camera.pan_counts = lambda now: WANTED.pan_counts + (2 if now - began < last_outside else 0)
            return await seen(camera, 0.4)

        assert run(scene()) >= last_outside + 0.299


def test_a_lens_that_goes_on_after_it_has_told_its_end_is_asked_for_until_it_is_there() -> None:
    async def scene() -> None:
        began = asyncio.get_running_loop().time()
        camera = Answers(0.01, lambda now: WANTED.zoom_counts - (40 if now - began < 0.7 else 0))
        assert await seen(camera, 0.0) >= 0.7
        assert camera.asked.count(ZoomInquiry) > 2

    run(scene())


def test_a_lens_that_is_there_is_asked_for_once() -> None:
    camera = Answers(0.02)
    run(seen(camera, 0.8))
    assert [camera.asked.count(each) for each in (ZoomInquiry, FocusInquiry, FocusModeInquiry)] == [1, 1, 1]
    assert camera.asked[-1] is PanTiltPositionInquiry
