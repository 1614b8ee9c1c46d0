"""What a first question tells of whatever is there, on each kind of link, and what it never takes for an answer.

Messages: SRG-300H technical manual, "Command list" and "VISCA over IP".
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from itertools import pairwise

import pytest
from ptzsim import virtual_time

from ptzd.line.asking import Asker, Spacing
from ptzd.links import Form
from ptzd.visca import RESET, Packet, PayloadType, PowerInquiry, ZoomInquiry, load_dialect

DIALECT = load_dialect("nibble4-51")
ON, ZOOM = bytes.fromhex("90 50 02 FF"), bytes.fromhex("90 50 01 02 03 04 FF")
REFUSED = bytes.fromhex("90 60 02 FF")
LAMP = b"\xa5lamp ready"


class Scripted:
    """The end of a wire to something that answers as `answers` has it, whatever is sent."""

    trouble = None

    def __init__(self, form: Form, answers: Callable[[bytes], list[bytes]]) -> None:
        self.form: Form = form
        self._answers = answers
        self._coming: asyncio.Queue[bytes] = asyncio.Queue()
        self.sent: list[tuple[float, bytes]] = []

    def send(self, datagram: bytes) -> None:
        self.sent.append((asyncio.get_running_loop().time(), datagram))
        for each in self._answers(datagram):
            self._coming.put_nowait(each)

    def overtake(self) -> None: ...

    async def receive(self) -> bytes:
        return await self._coming.get()


def asked(question: bytes) -> bytes:
    return ZOOM if b"\x09\x04\x47" in question else ON


def uncounted(question: bytes) -> list[bytes]:
    """A camera that answers whatever the number is."""
    packet = Packet.decode(question)
    return [Packet(PayloadType.REPLY, packet.sequence, asked(packet.payload)).encode()]


def late(question: bytes) -> list[bytes]:
    """One that first answers a RESET of long ago, and then the question before."""
    packet = Packet.decode(question)
    replies = [
        Packet(PayloadType.CONTROL_REPLY, packet.sequence, RESET),
        Packet(PayloadType.REPLY, packet.sequence - 1, bytes.fromhex("90 50 03 FF")),
        Packet(PayloadType.REPLY, packet.sequence, asked(packet.payload)),
    ]
    return [each.encode() for each in replies]


def in_pieces(question: bytes) -> list[bytes]:
    return [bytes((byte,)) for byte in asked(question)]


def with_anothers_ack(question: bytes) -> list[bytes]:
    return [bytes.fromhex("90 41 FF") + asked(question)]


@pytest.mark.parametrize(
    ("form", "answers"),
    [
        ("numbered", uncounted),
        ("numbered", late),
        ("stream", in_pieces),
        ("stream", with_anothers_ack),
        ("datagrams", with_anothers_ack),
    ],
)
def test_a_camera_that_answers_is_there_and_told_what_it_told_and_never_reset(
    form: Form, answers: Callable[[bytes], list[bytes]]
) -> None:
    async def play() -> None:
        link = Scripted(form, answers)
        asker = Asker(link, Spacing(1.0))
        assert await asker.there(PowerInquiry(), DIALECT)
        assert not asker.keeps_count
        assert await asker.ask(ZoomInquiry(), DIALECT) == 0x1234
        assert len(link.sent) == 2
        assert all(later - earlier >= 1.0 for (earlier, _), (later, _) in pairwise(link.sent))
        if form != "numbered":
            assert [datagram for _, datagram in link.sent] == [b"\x81\x09\x04\x00\xff", b"\x81\x09\x04\x47\xff"]

    virtual_time.run(play())


@pytest.mark.parametrize(
    ("form", "says", "strange"),
    [
        ("numbered", b"", None),
        ("numbered", LAMP, LAMP),
        ("stream", b"", None),
        ("stream", bytes(17), bytes(17)),  # sixteen bytes are the longest message there is
        ("stream", b"\xa5\x5a\xff", b"\xa5\x5a\xff"),
        ("datagrams", bytes(17), bytes(17)),
    ],
)
def test_what_is_no_camera_is_none_and_what_it_said_is_kept(form: Form, says: bytes, strange: bytes | None) -> None:
    async def play() -> None:
        link = Scripted(form, lambda question: [says] if says else [])
        asker = Asker(link, Spacing(1.0))
        assert not await asker.there(PowerInquiry(), DIALECT)
        assert asker.strange == strange
        assert len(link.sent) == (6 if form == "stream" else 2), "a connection takes its time; else it asks twice"
        assert all(later - earlier >= 1.0 for (earlier, _), (later, _) in pairwise(link.sent))

    virtual_time.run(play())


@pytest.mark.parametrize("to_reset", [[], [b"no packet"]])
def test_a_camera_that_counts_is_there_though_it_answers_no_reset_and_each_is_paced(to_reset: list[bytes]) -> None:
    def answers(question: bytes) -> list[bytes]:
        packet = Packet.decode(question)
        if packet.payload == RESET:
            return to_reset
        return [Packet(PayloadType.CONTROL, packet.sequence, bytes.fromhex("0F 01")).encode()]

    async def play() -> None:
        link = Scripted("numbered", answers)
        asker = Asker(link, Spacing(1.0))
        assert await asker.there(PowerInquiry(), DIALECT)
        assert asker.keeps_count
        first, *resets = (Packet.decode(datagram) for _, datagram in link.sent)
        assert first.payload_type is PayloadType.INQUIRY
        assert {(each.payload_type, each.sequence, each.payload) for each in resets} == {
            (PayloadType.CONTROL, 0, RESET)
        }
        assert len(resets) > 1, "what is no reply is none"
        assert all(later - earlier >= 1.0 for (earlier, _), (later, _) in pairwise(link.sent))

    virtual_time.run(play())


def test_a_question_that_is_refused_has_no_answer_and_is_not_asked_again() -> None:
    async def play() -> None:
        link = Scripted("stream", lambda question: [REFUSED])
        asker = Asker(link, Spacing(1.0))
        assert await asker.there(PowerInquiry(), DIALECT)
        assert await asker.ask(ZoomInquiry(), DIALECT) is None
        assert len(link.sent) == 2

    virtual_time.run(play())
