"""A camera that answers, and refuses a question that its moves depend on: that is said, and not that it is silent."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from ptzsim import virtual_time
from rigs import framing, rigged

from ptzd.cameras import Phase, Recall
from ptzd.refusal import Refusal
from ptzd.visca import (
    DigitalZoomInquiry,
    ErrorCode,
    FocusInquiry,
    FocusModeInquiry,
    Inquiry,
    PanTiltPositionInquiry,
    PanTiltStatusInquiry,
    PowerInquiry,
    ZoomInquiry,
)

pytestmark = pytest.mark.usefixtures("nothing_fails_unseen")

KEYS = framing(1900, 300, 0x1800)
CODES = (ErrorCode.SYNTAX, ErrorCode.NOT_EXECUTABLE)
NEEDED: list[tuple[type[Inquiry[Any]], ErrorCode]] = [
    *((inquiry, code) for inquiry in (PowerInquiry, PanTiltPositionInquiry, ZoomInquiry) for code in CODES),
    *((inquiry, code) for inquiry in (FocusInquiry, FocusModeInquiry) for code in CODES),
    (PanTiltStatusInquiry, ErrorCode.NOT_EXECUTABLE),
]


@pytest.mark.parametrize(("inquiry", "code"), NEEDED)
@pytest.mark.parametrize("known_before", [False, True])
def test_what_it_refuses_to_tell_is_said_for_as_long_as_it_does(
    inquiry: type[Inquiry[Any]], code: ErrorCode, known_before: bool
) -> None:
    async def play() -> None:
        async with rigged() as rig:
            if known_before:
                await rig.ready()
            rig.simulated.body.refuses[inquiry] = code
            await asyncio.sleep(12.0)
            state, refuses = rig.camera.state(), f"refuses to tell {inquiry.asks} (error {code:02X}, "
            assert state.link == "up"
            assert [fault for fault in state.faults if refuses in fault], state.faults
            with pytest.raises(Refusal, match="refuses to tell") as refused:
                rig.camera.drive(0.2, 0.0, 0.0, 0.0)
            assert refused.value.code == "unreachable"
            assert refuses in refused.value.sentence and "does not answer" not in refused.value.sentence
            rig.simulated.body.refuses.clear()
            await rig.ready()
            assert rig.camera.state().faults == ()
            assert (await rig.recall(Recall("keys", KEYS, id="1"))).phase is Phase.SETTLED

    virtual_time.run(play())


@pytest.mark.parametrize("code", CODES)
def test_a_head_that_does_not_know_of_digital_zoom_is_recalled_all_the_same(code: ErrorCode) -> None:
    async def play() -> None:
        async with rigged() as rig:
            rig.simulated.body.refuses[DigitalZoomInquiry] = code
            await rig.ready()
            assert (await rig.recall(Recall("keys", KEYS, id="1"))).phase is Phase.SETTLED
            assert rig.camera.state().faults == ()

    virtual_time.run(play())


def test_a_question_that_is_refused_once_is_asked_again_and_nothing_is_said() -> None:
    async def play() -> None:
        async with rigged() as rig:
            await rig.ready()
            for _ in range(3):
                rig.simulated.body.refuses[ZoomInquiry] = ErrorCode.NOT_EXECUTABLE
                await rig.until(lambda: rig.camera.contact.condition is None)  # so it was refused
                rig.simulated.body.refuses.clear()
                await asyncio.sleep(3.0)
            assert not [said for said in rig.said if "refuses to tell" in str(said)]

    virtual_time.run(play())
