"""A conversation over a link that runs."""

from __future__ import annotations

import asyncio
import random

from ptzsim import virtual_time
from rigs import CutLink

from ptzd.line import Line
from ptzd.links import memory_pair
from ptzd.visca import Clear, Power, PowerInquiry, load_dialect

QUESTION, ON = PowerInquiry.message, bytes.fromhex("90 50 02 FF")
CLEARED = bytes.fromhex("90 50 FF")  # SRG-300H technical manual, "Command list"


def test_less_than_a_message_in_a_datagram_spoils_none_that_comes_after_it() -> None:
    async def play() -> None:
        here, there = memory_pair(rng=random.Random(1))
        line = Line(CutLink(here, "datagrams"), load_dialect("nibble4-51"), on_restart=lambda: None)
        carrying = asyncio.create_task(line.run())
        answer = asyncio.create_task(line.ask(PowerInquiry()))
        assert await there.receive() == Clear.message
        there.send(CLEARED)
        assert await there.receive() == QUESTION
        there.send(ON[:2])
        there.send(ON)
        async with asyncio.timeout(0.05):  # sooner than it would ask again
            assert await answer is Power.ON
        carrying.cancel()

    virtual_time.run(play())
