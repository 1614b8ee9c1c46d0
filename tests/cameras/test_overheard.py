"""What went over a line tells how much was lost, and whether somebody else speaks to the camera.

0F 01 to a number out of order, and one count of messages for all who speak to a camera: SRG-300H technical manual,
"VISCA over IP".
"""

from __future__ import annotations

import random

import pytest
from ptzsim import virtual_time

from ptzd.cameras.overheard import Overheard
from ptzd.links import Form, memory_pair
from ptzd.visca import RESET, Packet, PayloadType

POWER, ON = bytes.fromhex("81 09 04 00 FF"), bytes.fromhex("90 50 02 FF")
OUT_OF_ORDER = bytes.fromhex("0F 01")


def ask(number: int) -> bytes:
    return Packet(PayloadType.INQUIRY, number, POWER).encode()


def answer(number: int, payload: bytes = ON) -> bytes:
    return Packet(PayloadType.REPLY, number, payload).encode()


def refusal(number: int) -> bytes:
    return Packet(PayloadType.CONTROL, number, OUT_OF_ORDER).encode()


RESETS = Packet(PayloadType.CONTROL, 0, RESET).encode()
IS_RESET = Packet(PayloadType.CONTROL_REPLY, 0, RESET).encode()

TALKS: dict[str, tuple[Form, str, int, int]] = {
    # what is said (> to the camera, < from it), then how much of it is lost and how often another was noticed
    "every question has its answer": ("numbered", "> r < r > 1 < 1 > 2 < 2", 0, 0),
    "what has no answer is lost": ("numbered", "> r < r > 1 > 1 < 1 > 2", 2, 0),
    "nothing is heard of a camera that is off": ("numbered", "> r > 1", 2, 0),
    "a number before any was said is another's": ("numbered", "< 1", 0, 1),
    "a RESET that is answered twice is answered once": ("numbered", "> r < r < r", 0, 0),
    "a reply that comes twice is one": ("numbered", "> r < r > 1 < 1 < 1 > 2", 1, 0),
    "repeats have an answer each": ("numbered", "> 1 > 1 < 1 < 1", 0, 0),
    "a number of nobody here is another's": ("numbered", "> 1 < 1 < 7", 0, 1),
    "a first sending out of order tells of another": ("numbered", "> 1 < x1", 0, 1),
    "a repeat is out of order by itself": ("numbered", "> 1 > 1 < 1 < x1", 0, 0),
    "numbers begin anew with a RESET": ("numbered", "> 1 > 1 > r < r > 1 < x1", 2, 1),
    "what was asked before a RESET is not answered after it": ("numbered", "> 1 > 2 > r < 2 < r > 1 < 1", 2, 0),
    "RESETs have an answer each": ("numbered", "> r > r < r > 1 < r < 1", 0, 0),
    "what can't be read is no answer": ("numbered", "> 1 < ?", 1, 0),
    "bare answers are counted": ("stream", "> 1 > 2 < 1", 1, 0),
    "two in one piece are two": ("stream", "> 12 < 12", 0, 0),
    "an answer too many is another's": ("datagrams", "> 1 < 1 < 1", 0, 1),
}


@pytest.mark.parametrize("talk", TALKS)
def test_what_is_lost_and_who_else_speaks_is_told_by_replies(talk: str) -> None:
    form, said, lost, others = TALKS[talk]
    numbered = form == "numbered"
    to_camera = {"r": RESETS, "1": ask(1), "2": ask(2)} if numbered else {"1": POWER, "2": POWER, "12": 2 * POWER}
    from_camera = (
        {"r": IS_RESET, "1": answer(1), "2": answer(2), "7": answer(7), "x1": refusal(1), "?": b"lamp ready"}
        if numbered
        else {"1": ON, "12": 2 * ON}
    )

    async def play() -> Overheard:
        here, there = memory_pair(rng=random.Random(1))
        here.form = form
        overheard = Overheard(here)
        words = said.split()
        for way, what in zip(words[::2], words[1::2], strict=True):
            if way == ">":
                overheard.send(to_camera[what])
                assert await there.receive() == to_camera[what]
            else:
                there.send(from_camera[what])
                assert await overheard.receive() == from_camera[what]
        return overheard

    overheard = virtual_time.run(play())
    assert (overheard.lost, overheard.others) == (lost, others)
    assert overheard.heard == ("<" in said)
