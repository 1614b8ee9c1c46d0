"""What a camera says back.

[A] SRG-300H technical manual; [F] FCB-EH4300 VISCA reference.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.visca import Ack, Answer, Completion, ErrorCode, ErrorReply, MessageError, Reply, parse_reply


@pytest.mark.parametrize(
    ("wire", "reply"),
    [
        ("90 41 FF", Ack(1)),  # [A]
        ("90 42 FF", Ack(2)),  # [A]
        ("90 51 FF", Completion(1)),  # [A]
        ("90 52 FF", Completion(2)),  # [A]
        ("90 50 FF", Completion(0)),  # IF_Clear's answer [A]
        ("90 50 02 FF", Answer(b"\x02")),  # [A]
        ("90 50 00 01 05 11 01 02 02 FF", Answer(bytes.fromhex("00 01 05 11 01 02 02"))),  # version [F]
        ("90 60 01 FF", ErrorReply(0, ErrorCode.MESSAGE_LENGTH)),  # [F]
        ("90 60 02 FF", ErrorReply(0, ErrorCode.SYNTAX)),  # [A]
        ("90 60 03 FF", ErrorReply(0, ErrorCode.BUFFER_FULL)),  # [A]
        ("90 61 04 FF", ErrorReply(1, ErrorCode.CANCELLED)),  # [A]
        ("90 62 05 FF", ErrorReply(2, ErrorCode.NO_SOCKET)),  # [A]
        ("90 61 41 FF", ErrorReply(1, ErrorCode.NOT_EXECUTABLE)),  # [A]
    ],
)
def test_a_reply_is_the_published_bytes(wire: str, reply: Reply) -> None:
    assert parse_reply(bytes.fromhex(wire)) == reply
    assert reply.encode() == bytes.fromhex(wire)


def test_an_error_that_is_in_no_list_is_an_error_all_the_same() -> None:
    assert parse_reply(bytes.fromhex("90 60 77 FF")) == ErrorReply(0, ErrorCode.OTHER)


def test_what_is_no_error_reply_is_not_sent_as_one() -> None:
    with pytest.raises(ValueError, match="UNREADABLE is no error reply"):
        ErrorReply(0, ErrorCode.UNREADABLE).encode()


@pytest.mark.parametrize(
    "wire",
    [
        "",
        "FF",
        "90 FF",
        "90 41",  # never ends
        "90 50 02",  # never ends
        "A0 41 FF",  # another camera's, in a chain
        "80 41 FF",
        "90 41 00 FF",
        "90 51 02 FF",
        "90 60 FF",
        "90 60 02 02 FF",
        "90 41 FF 90 51 FF",  # two at once: the first FF ends a message
        "90 50 02 FF 90 41 FF",
        "90 38 FF",  # network change, serial only [F]
    ],
)
def test_what_is_no_reply_is_not_read(wire: str) -> None:
    with pytest.raises(MessageError):
        parse_reply(bytes.fromhex(wire))


@given(st.binary(max_size=18) | st.binary(max_size=14).map(lambda middle: b"\x90" + middle + b"\xff"))
def test_any_bytes_are_a_reply_or_are_refused(message: bytes) -> None:
    try:
        reply = parse_reply(message)
    except MessageError:
        return
    if isinstance(reply, ErrorReply) and reply.code is ErrorCode.OTHER:
        return
    assert reply.encode() == message
