"""Bare messages, on a stream or in datagrams: whose a reply is, though nothing numbers it.

Messages and replies: SRG-300H technical manual, "Command list". The order of replies is common practice.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.visca import (
    Acknowledged,
    Answered,
    Bare,
    Command,
    Completed,
    Conversation,
    ErrorCode,
    Event,
    FocusInquiry,
    Ignored,
    Inquiry,
    Interrupted,
    Linked,
    PanTiltAbsolute,
    PanTiltRelative,
    PanTiltStop,
    Refused,
    Unanswered,
    ZoomInquiry,
    ZoomStop,
    load_dialect,
)

DIALECT = load_dialect("nibble4-51")
MOVE = PanTiltAbsolute(512, 0, 12, 11)


class Talk:
    """A conversation over a bare link, with the test itself as the camera."""

    def __init__(self, *, stream: bool) -> None:
        self.conversation = Conversation(DIALECT, framing=Bare(stream=stream))
        self.now = 100.0
        self.conversation.start(self.now)
        assert self.said() == ["81 01 00 01 FF"]
        assert self.hears("90 50 FF") == [Linked()]

    def said(self) -> list[str]:
        return [message.hex(" ").upper() for message in self.conversation.datagrams()]

    def hears(self, wire: str) -> list[Event]:
        return self.conversation.receive(bytes.fromhex(wire), self.now)

    def send(self, message: Command | Inquiry[int]) -> int:
        return self.conversation.send(message, self.now)

    def wait(self, seconds: float) -> list[Event]:
        events: list[Event] = []
        until = self.now + seconds
        while self.now < until:
            self.now += 0.01
            events += self.conversation.tick(self.now)
        return events


@pytest.fixture(params=["stream", "datagrams"])
def talk(request: pytest.FixtureRequest) -> Talk:
    return Talk(stream=request.param == "stream")


def test_a_move_is_followed_by_its_socket(talk: Talk) -> None:
    move, asked = talk.send(MOVE), talk.send(ZoomInquiry())
    assert talk.said() == ["81 01 06 02 0C 0B 00 02 00 00 00 00 00 00 FF"]
    assert talk.hears("90 41 FF") == [Acknowledged(move, 1)]
    assert talk.said() == ["81 09 04 47 FF"]
    assert talk.hears("90 51 FF 90 50 01 02 03 04 FF") == [Completed(move), Answered(asked, 0x1234)]


def test_the_stops_of_a_burst_are_told_apart_by_their_order(talk: Talk) -> None:
    head, zoom = talk.conversation.interrupt([PanTiltStop(), ZoomStop()], talk.now)
    assert talk.said() == ["81 01 06 01 01 01 03 03 FF", "81 01 04 07 00 FF"]
    assert talk.hears("90 41 FF 90 42 FF") == [Acknowledged(head, 1), Acknowledged(zoom, 2)]
    assert talk.hears("90 52 FF 90 51 FF") == [Completed(zoom), Completed(head)]


def test_a_stop_cancels_the_move_in_its_socket(talk: Talk) -> None:
    move = talk.send(MOVE)
    talk.hears("90 41 FF")
    talk.said()
    (stop,) = talk.conversation.interrupt([PanTiltStop()], talk.now)
    assert talk.said() == ["81 21 FF", "81 01 06 01 01 01 03 03 FF"]
    assert talk.hears("90 61 04 FF 90 42 FF 90 52 FF") == [Interrupted(move), Acknowledged(stop, 2), Completed(stop)]


def test_an_ack_is_the_stops_where_what_was_asked_before_got_no_reply(talk: Talk) -> None:
    talk.send(MOVE)
    talk.hears("90 41 FF")
    talk.send(ZoomInquiry())
    (stop,) = talk.conversation.interrupt([PanTiltStop()], talk.now)
    assert talk.said()[-3:] == ["81 09 04 47 FF", "81 21 FF", "81 01 06 01 01 01 03 03 FF"]
    assert talk.hears("90 42 FF") == [Interrupted(1), Interrupted(2), Acknowledged(stop, 2)]


def test_a_command_may_be_ended_without_an_ack_and_a_socket(talk: Talk) -> None:
    move = talk.send(MOVE)
    assert talk.hears("90 50 FF") == [Completed(move)]


def test_no_answer_is_taken_for_that_to_another_question(talk: Talk) -> None:
    zoom = talk.send(ZoomInquiry())
    talk.wait(0.15)  # the camera is slow: it is asked once more
    assert talk.said() == ["81 09 04 47 FF"] * 2
    assert talk.hears("90 50 01 00 00 00 FF") == [Answered(zoom, 0x1000)]
    focus = talk.send(FocusInquiry())
    (late,) = talk.hears("90 50 01 00 00 00 FF")  # the zoom's, once more, and a focus might be read like this
    assert isinstance(late, Ignored)
    assert talk.hears("90 50 02 00 00 00 FF") == [Answered(focus, 0x2000)]


def test_after_a_lost_answer_no_question_gets_that_of_another_though_each_is_asked_twice(talk: Talk) -> None:
    zoom = talk.send(ZoomInquiry())
    talk.wait(0.15)
    assert talk.hears("90 50 01 00 00 00 FF") == [Answered(zoom, 0x1000)]  # one of two: the other was lost
    talk.said()
    focus = talk.send(FocusInquiry())
    (first,) = talk.hears("90 50 02 00 00 00 FF")
    assert isinstance(first, Ignored)
    talk.wait(0.25)  # twice as long as before, since something had to be repeated
    assert talk.said() == ["81 09 04 48 FF"] * 2
    assert talk.hears("90 50 02 00 00 00 FF") == [Answered(focus, 0x2000)]


def test_an_answer_tells_that_the_acks_of_what_was_asked_before_were_lost(talk: Talk) -> None:
    stop, zoom_stop = talk.conversation.interrupt([PanTiltStop(), ZoomStop()], talk.now)
    talk.hears("90 42 FF")  # one of two ACKs, and nobody knows whose
    assert talk.hears("90 52 FF") == [Completed(stop)]
    talk.wait(0.15)  # the other is told to stop once more
    assert "81 01 04 07 00 FF" in talk.said()
    assert talk.hears("90 41 FF 90 51 FF") == [Acknowledged(zoom_stop, 1), Completed(zoom_stop)]


def test_a_relative_move_is_never_sent_twice(talk: Talk) -> None:
    talk.send(PanTiltRelative(100, 0, 12, 11))
    talk.wait(2.0)
    assert len(talk.said()) == 1


def test_a_relative_move_after_a_clear_is_another_though_both_are_the_first(talk: Talk) -> None:
    talk.send(PanTiltRelative(100, 0, 12, 11))
    talk.conversation.start(talk.now)
    assert talk.hears("90 50 FF")[-1] == Linked()
    talk.said()
    talk.send(PanTiltRelative(100, 0, 12, 11))
    assert len(talk.said()) == 1


def test_a_refusal_is_about_the_oldest_that_waits(talk: Talk) -> None:
    move = talk.send(MOVE)
    assert [type(event) for event in talk.hears("90 60 02 FF")] == [Refused]
    assert move == 1


def test_a_move_that_has_begun_may_be_refused(talk: Talk) -> None:
    move = talk.send(MOVE)
    talk.hears("90 41 FF")
    assert talk.hears("90 61 41 FF") == [Refused(move, ErrorCode.NOT_EXECUTABLE)]


def test_a_refusal_with_the_socket_of_a_command_is_no_answer_to_a_question(talk: Talk) -> None:
    move, zoom = talk.send(MOVE), talk.send(ZoomInquiry())
    talk.hears("90 41 FF")
    (refused,) = talk.hears("90 61 41 FF")
    assert isinstance(refused, Refused)
    assert refused.ticket == move
    assert talk.hears("90 50 01 02 03 04 FF") == [Answered(zoom, 0x1234)]


def test_what_was_asked_before_a_clear_is_not_answered_after_it(talk: Talk) -> None:
    talk.send(ZoomInquiry())
    talk.conversation.start(talk.now)
    talk.conversation.tick(talk.now)
    zoom = talk.send(ZoomInquiry())
    (old,) = talk.hears("90 50 01 00 00 00 FF")
    assert isinstance(old, Ignored)
    assert talk.hears("90 50 FF") == [Linked()]
    assert talk.hears("90 50 02 00 00 00 FF") == [Answered(zoom, 0x2000)]


def test_what_was_asked_before_a_clear_and_lost_takes_no_answer_after_it(talk: Talk) -> None:
    talk.send(FocusInquiry())
    talk.hears("90 50 01 00 00 00 FF")
    talk.send(ZoomInquiry())
    talk.conversation.start(talk.now)
    assert talk.hears("90 50 FF")[-1] == Linked()
    zoom = talk.send(ZoomInquiry())
    assert talk.hears("90 50 02 00 00 00 FF") == [Answered(zoom, 0x2000)]


def test_the_answer_to_a_second_clear_ends_no_command(talk: Talk) -> None:
    talk.conversation.start(talk.now)
    talk.wait(0.15)  # it is repeated
    talk.hears("90 50 FF")
    talk.send(MOVE)
    (late,) = talk.hears("90 50 FF")
    assert isinstance(late, Ignored)


def test_on_a_new_connection_nothing_is_waited_for_that_was_sent_on_the_one_before(talk: Talk) -> None:
    zoom = talk.send(ZoomInquiry())
    talk.wait(0.5)  # it is repeated
    talk.conversation.lose(talk.now)
    assert talk.conversation.tick(talk.now) == [Unanswered(zoom)]
    talk.said()
    talk.conversation.lose(talk.now)
    assert talk.said() == ["81 01 00 01 FF"]
    assert talk.hears("90 50 FF") == [Linked()]
    move = talk.send(MOVE)
    assert talk.hears("90 50 FF") == [Completed(move)]  # and no late answer to a clear that was lost with the other


def test_a_message_on_a_stream_comes_in_any_pieces() -> None:
    talk = Talk(stream=True)
    zoom = talk.send(ZoomInquiry())
    for byte in ("90", "50", "01", "02", "03", "04"):
        assert talk.hears(byte) == []
    assert talk.hears("FF") == [Answered(zoom, 0x1234)]


def test_half_a_message_from_before_a_clear_does_not_spoil_its_answer() -> None:
    talk = Talk(stream=True)
    talk.hears("90 50 01")
    talk.conversation.start(talk.now)
    assert talk.hears("90 50 FF") == [Linked()]


def test_noise_before_a_message_is_passed_over() -> None:
    talk = Talk(stream=True)
    zoom = talk.send(ZoomInquiry())
    assert talk.hears("00 7F 13 90 50 01 02 03 04 FF") == [Answered(zoom, 0x1234)]


def test_a_message_without_an_end_is_given_up_after_sixteen_bytes() -> None:  # the longest there is
    talk = Talk(stream=True)
    zoom = talk.send(ZoomInquiry())
    (noise,) = talk.hears("00 " * 16)
    assert isinstance(noise, Ignored)
    assert talk.hears("90 50 01 02 03 04 FF") == [Answered(zoom, 0x1234)]


def test_half_a_message_in_a_datagram_is_no_beginning_of_the_next() -> None:
    talk = Talk(stream=False)
    zoom = talk.send(ZoomInquiry())
    (half,) = talk.hears("90 50 01")
    assert isinstance(half, Ignored)
    assert talk.hears("90 50 01 02 03 04 FF") == [Answered(zoom, 0x1234)]


@given(st.booleans(), st.lists(st.binary(max_size=24), max_size=30))
def test_whatever_a_wire_brings_nothing_is_raised_and_no_more_than_a_message_is_kept(
    stream: bool, pieces: list[bytes]
) -> None:
    framing = Bare(stream=stream)
    conversation = Conversation(DIALECT, framing=framing)
    conversation.start(0.0)
    for piece in pieces:
        conversation.receive(piece, 0.0)
    conversation.datagrams()
    conversation.start(1.0)
    linked = conversation.receive(bytes.fromhex("FF 90 50 FF"), 1.0)
    assert any(isinstance(event, Linked) for event in linked)
