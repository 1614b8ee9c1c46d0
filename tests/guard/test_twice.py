"""A stop that leaves twice is carried out once, and the refusal of its copy is nobody's business."""

from __future__ import annotations

import random

from ptzsim.virtual_time import run

from ptzd.guard.twice import TwiceLink
from ptzd.links import memory_pair
from ptzd.visca import RESET, SEQUENCE_ABNORMAL, Packet, PanTiltStop, PayloadType, ZoomInquiry, load_dialect

DIALECT = load_dialect("nibble4-51")


def packet(kind: PayloadType, number: int, payload: bytes) -> bytes:
    return Packet(kind, number, payload).encode()


STOP = packet(PayloadType.COMMAND, 1, PanTiltStop().encode(DIALECT))
QUESTION = packet(PayloadType.INQUIRY, 2, ZoomInquiry().encode(DIALECT))
REFUSAL = packet(PayloadType.CONTROL, 1, SEQUENCE_ABNORMAL)
ACK = packet(PayloadType.REPLY, 1, bytes.fromhex("9041ff"))


def test_a_stop_leaves_twice_and_a_question_once() -> None:
    async def main() -> None:
        ours, theirs = memory_pair(rng=random.Random(1))
        link = TwiceLink(ours)
        link.send(STOP)
        link.send(QUESTION)
        assert [await theirs.receive() for _ in range(3)] == [STOP, STOP, QUESTION]

    run(main())


def test_the_refusal_of_a_copy_is_kept_back_and_every_other_one_is_passed_on() -> None:
    async def main() -> None:
        ours, theirs = memory_pair(rng=random.Random(1))
        link = TwiceLink(ours)
        link.send(STOP)
        for reply in (ACK, REFUSAL, REFUSAL, ACK):
            theirs.send(reply)
        assert [await link.receive() for _ in range(3)] == [ACK, REFUSAL, ACK]
        link.send(STOP)
        link.send(packet(PayloadType.CONTROL, 0, RESET))  # both sides number anew
        theirs.send(REFUSAL)
        assert await link.receive() == REFUSAL

    run(main())
