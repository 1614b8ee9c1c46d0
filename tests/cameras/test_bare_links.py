"""A camera on a bare link is recalled, stopped and read as one on VISCA over IP is."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from ptzsim import virtual_time
from rigs import Rig, framing, rigged

from ptzd.cameras import Recall
from ptzd.line import Line, LineDown
from ptzd.links import LOST, Form
from ptzd.visca import FocusInquiry, PanTiltAbsolute, PanTiltPositionInquiry, PanTiltStop, ZoomInquiry, load_dialect

CLEAR, CLEARED = bytes.fromhex("81 01 00 01 FF"), bytes.fromhex("90 50 FF")  # SRG-300H, command list
STOP = bytes.fromhex("81 01 06 01 01 01 03 03 FF")
ZOOM, AT_0X1000 = bytes.fromhex("81 09 04 47 FF"), bytes.fromhex("90 50 01 00 00 00 FF")


@pytest.mark.parametrize("form", ["stream", "datagrams"])
@pytest.mark.parametrize("seed", range(4))
def test_a_camera_on_a_bare_link_goes_where_it_is_sent(form: Form, seed: int) -> None:
    async def play() -> None:
        async with rigged(form=form, seed=seed) as rig:
            await rig.ready()
            ended = await rig.recall(Recall("choir-wide", framing(2048, -205, 0x2000), id="one"))
            assert ended.phase.value == "settled"
            now = asyncio.get_running_loop().time()
            assert abs(rig.simulated.head.pan_deg(now) - 40.0) < 0.06  # 2048 counts at 51.2 a degree, and a tolerance
            assert abs(rig.simulated.head.tilt_deg(now) + 4.0) < 0.06
            assert await rig.camera.read_framing() == rig.camera.state().framing

    virtual_time.run(play())


@pytest.mark.parametrize(("form", "loss"), [("stream", 0.0), ("datagrams", 0.0), ("datagrams", 0.05)])
def test_a_drive_over_a_bare_link_is_stopped(form: Form, loss: float) -> None:
    async def play() -> None:
        async with rigged(form=form, loss=loss, seed=7) as rig:
            await rig.ready()
            for _ in range(10):
                rig.camera.drive(0.5, 0.2, 0.3, 0.0)
                await asyncio.sleep(0.2)
            rig.camera.stop()
            await asyncio.sleep(0.6)
            assert rig.speed() == 0
            await rig.until(lambda: not rig.camera.moving, 10.0)

    virtual_time.run(play())


class SlowLink:
    """A link on which what is sent waits, and the test is the camera."""

    form: Form = "stream"
    trouble: str | None = None

    def __init__(self) -> None:
        self.waiting: list[bytes] = []
        self.came: asyncio.Queue[bytes] = asyncio.Queue()

    def send(self, datagram: bytes) -> None:
        self.waiting.append(datagram)

    def overtake(self) -> None:
        self.waiting.clear()

    async def receive(self) -> bytes:
        return await self.came.get()

    async def hears(self, wire: bytes) -> None:
        self.came.put_nowait(wire)
        await asyncio.sleep(0.001)


@asynccontextmanager
async def slowly_linked() -> AsyncIterator[tuple[SlowLink, Line]]:
    link = SlowLink()
    line = Line(link, load_dialect("nibble4-51"), on_restart=lambda: None)
    running = asyncio.create_task(line.run())
    line.restart()
    await link.hears(CLEARED)
    link.waiting.clear()
    try:
        yield link, line
    finally:
        running.cancel()
        await asyncio.wait([running])


def test_a_stop_takes_back_what_has_not_left() -> None:
    async def play() -> None:
        async with slowly_linked() as (link, line):
            line.perform(PanTiltAbsolute(512, 0, 12, 11), 5.0)
            assert len(link.waiting) == 1
            line.interrupt([PanTiltStop()], 1.0)
            cancels = [bytes.fromhex("81 21 FF"), bytes.fromhex("81 22 FF")]
            assert link.waiting == [*cancels, STOP]

    virtual_time.run(play())


@pytest.mark.parametrize("lost", [True, False], ids=["a lost connection", "a guard that has left"])
def test_after_it_no_answer_is_taken_before_the_camera_was_cleared(lost: bool) -> None:
    async def play() -> None:
        async with slowly_linked() as (link, line):
            before = asyncio.ensure_future(line.ask(ZoomInquiry()))
            await asyncio.sleep(0)
            if lost:
                await link.hears(LOST)
            else:
                line.overheard()
            with pytest.raises(LineDown):
                await before
            assert link.waiting[-1] == CLEAR
            after = asyncio.ensure_future(line.ask(ZoomInquiry()))
            await link.hears(AT_0X1000)  # to a question of somebody else, or from before
            await link.hears(CLEARED)
            assert link.waiting[-1] == ZOOM
            assert not after.done()
            await link.hears(AT_0X1000)
            assert await after == 0x1000

    virtual_time.run(play())


@pytest.mark.parametrize("form", ["stream", "datagrams"])
def test_what_is_lost_for_a_moment_delays_one_question_and_none_after_it(form: Form) -> None:
    async def play() -> list[float]:
        async with asking(form, seed=1, stranger=False) as (rig, line):
            loop, took = asyncio.get_running_loop(), []
            for number in range(20):
                if number == 3:
                    rig.link.cut = True
                    loop.call_later(0.05, setattr, rig.link, "cut", False)
                asked_at = loop.time()
                await line.ask(PanTiltPositionInquiry())
                took.append(loop.time() - asked_at)
                await asyncio.sleep(0.02)
            return took

    took = virtual_time.run(play())
    usual = 1.5 * max(took[:3])
    assert took[3] > usual
    assert max(took[5:]) < usual, took


@pytest.mark.parametrize("seed", range(12))
def test_no_answer_is_taken_for_that_to_another_question_whatever_is_lost(seed: int) -> None:
    async def play() -> None:
        async with asking("datagrams", seed=seed, stranger=True, loss=(0.02, 0.05, 0.1)[seed % 3]) as (rig, line):
            rng, lens = random.Random(seed), rig.simulated.lens
            for _ in range(100):
                now = asyncio.get_running_loop().time()
                if rng.random() < 0.5:
                    assert await line.ask(ZoomInquiry()) == lens.zoom_counts(now)
                else:
                    assert await line.ask(FocusInquiry()) == lens.focus_counts(now)
                await asyncio.sleep(rng.choice((0.0, 0.01, 0.1)))

    virtual_time.run(play())


@asynccontextmanager
async def asking(form: Form, **rig: Any) -> AsyncIterator[tuple[Rig, Line]]:
    """A camera that nobody attends to any more, and a line of its own to it."""
    async with rigged(form=form, **rig) as made:
        await made.ready()
        await asyncio.sleep(1.0)  # its lens has come to rest
        made.run.cancel()
        line = Line(made.link, made.camera.settings.dialect, on_restart=lambda: None)
        carrying = asyncio.create_task(line.run())
        line.restart()
        yield made, line
        carrying.cancel()
        await asyncio.wait([carrying])
