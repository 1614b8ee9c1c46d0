"""What a controller says to a camera over a network that loses things, and what it makes of what it hears.

[A] SRG-300H technical manual, "VISCA over IP" (the table of losses, sockets, numbers). When to repeat, and the recovery
by RESET: common practice.
"""

from __future__ import annotations

from typing import Any

import pytest
from visca.talk import RESET_DONE, Talk

from ptzd.visca import (
    MESSAGE_ABNORMAL,
    Acknowledged,
    Answered,
    Cancel,
    Clear,
    Command,
    Completed,
    Desynchronised,
    ErrorCode,
    Event,
    FocusInquiry,
    FocusManual,
    Ignored,
    Inquiry,
    Linked,
    Overdue,
    Packet,
    PanTiltAbsolute,
    PanTiltPosition,
    PanTiltPositionInquiry,
    PanTiltStop,
    PayloadType,
    PerformedUnheard,
    PowerInquiry,
    Refused,
    Timing,
    Unanswered,
    ZoomDirect,
    ZoomInquiry,
)

RESET_SAID = [(0, "01")]
POWER_ASKED = "81 09 04 00 FF"
ZOOM_ASKED = "81 09 04 47 FF"
FOCUS_ASKED = "81 09 04 48 FF"
MANUAL = "81 01 04 38 03 FF"
TELE = "81 01 04 47 04 00 00 00 FF"
WIDE = "81 01 04 47 00 00 00 00 FF"
MOVE = PanTiltAbsolute(512, 0, 12, 11)
MOVE_SAID = "81 01 06 02 0C 0B 00 02 00 00 00 00 00 00 FF"


@pytest.fixture
def talk() -> Talk:
    return Talk().linked()


def send(talk: Talk, message: Command | Inquiry[Any], seconds: float = 5.0) -> int:
    return talk.conversation.send(message, talk.now, completion_seconds=seconds)


def ignored(events: list[Event]) -> bool:
    return len(events) == 1 and isinstance(events[0], Ignored)


# Beginning


def test_nothing_leaves_before_the_reset_is_answered() -> None:  # common practice
    talk = Talk()
    talk.conversation.start(talk.now)
    send(talk, PowerInquiry())
    assert talk.said() == RESET_SAID
    assert talk.hears(RESET_DONE) == [Linked()]
    assert talk.said() == [(1, POWER_ASKED)]  # the camera's number became 0 [A]


def test_a_lost_reset_is_sent_again_at_growing_intervals() -> None:
    talk = Talk()
    talk.conversation.start(talk.now)
    assert talk.times_of_sending(10) == [0, 0.1, 0.3, 0.55, 0.8, 1.05, 1.3]


def test_a_reset_that_is_never_answered_leaves_everything_unanswered() -> None:
    talk = Talk()
    talk.conversation.start(talk.now)
    tickets = [send(talk, PowerInquiry()), send(talk, MOVE)]
    events = talk.wait(10)
    assert events == [Unanswered(ticket) for ticket in tickets]
    assert len(talk.said()) == 7
    assert talk.conversation.deadline() is None


def test_what_is_sent_to_a_silent_camera_knocks_with_a_reset_first() -> None:
    talk = Talk()
    ticket = send(talk, PowerInquiry())
    assert talk.said() == RESET_SAID
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, POWER_ASKED)]
    assert talk.answer(1, "02")[0].ticket == ticket  # type: ignore[union-attr]


def test_a_start_in_mid_conversation_counts_from_1_again(talk: Talk) -> None:
    send(talk, PowerInquiry())
    talk.answer(1, "02")
    pending = send(talk, MOVE)
    talk.sent()
    talk.conversation.start(talk.now)
    assert talk.now_says() == [Unanswered(pending)]
    assert talk.said() == RESET_SAID
    talk.hears(RESET_DONE)
    send(talk, ZoomInquiry())
    assert talk.said() == [(1, ZOOM_ASKED)]


def test_an_answer_to_a_reset_that_nobody_sent_changes_nothing(talk: Talk) -> None:
    send(talk, PowerInquiry())
    talk.sent()
    assert ignored(talk.hears(RESET_DONE))
    send(talk, ZoomInquiry())
    talk.answer(1, "02")
    assert talk.said() == [(2, ZOOM_ASKED)]


def test_a_reset_seen_as_control_is_no_answer_to_ours() -> None:  # 0201 is [A]
    talk = Talk()
    talk.conversation.start(talk.now)
    assert ignored(talk.hears(Packet(PayloadType.CONTROL, 0, b"\x01").encode()))


# In order


def test_a_command_is_acknowledged_and_completed(talk: Talk) -> None:  # [A]
    ticket = send(talk, MOVE)
    assert talk.sent() == [Packet(PayloadType.COMMAND, 1, bytes.fromhex(MOVE_SAID))]
    assert talk.ack(1, 1) == [Acknowledged(ticket, 1)]
    assert talk.completion(1, 1) == [Completed(ticket)]
    assert talk.conversation.deadline() is None


def test_an_inquiry_is_answered_without_ack(talk: Talk) -> None:  # [A]
    ticket = send(talk, PanTiltPositionInquiry())
    assert talk.sent() == [Packet(PayloadType.INQUIRY, 1, bytes.fromhex("81090612FF"))]
    assert talk.answer(1, "0D 0E 00 00 01 02 00 00") == [Answered(ticket, PanTiltPosition(-8704, 4608))]


def test_a_wide_pan_field_is_read_in_its_dialect() -> None:  # from memory
    talk = Talk("shared5-205").linked()
    ticket = send(talk, PanTiltPositionInquiry())
    assert talk.answer(1, "0F 07 08 00 00 0F 00 00 00") == [Answered(ticket, PanTiltPosition(-34816, -4096))]


def test_the_next_message_waits_for_the_first_reply_to_the_one_before(talk: Talk) -> None:  # [A]
    for message in (FocusManual(), ZoomInquiry(), ZoomDirect(0x4000)):
        send(talk, message)
    assert talk.said() == [(1, MANUAL)]
    talk.ack(1, 1)
    assert talk.said() == [(2, ZOOM_ASKED)]
    talk.answer(2, "00 00 00 00")
    assert talk.said() == [(3, TELE)]


def test_two_commands_are_performed_at_a_time_and_end_in_any_order(talk: Talk) -> None:  # two sockets [A]
    move, zoom = send(talk, MOVE), send(talk, ZoomDirect(0x4000))
    assert talk.ack(1, 1) == [Acknowledged(move, 1)]
    assert talk.ack(2, 2) == [Acknowledged(zoom, 2)]
    assert talk.completion(2, 2) == [Completed(zoom)]
    assert talk.completion(1, 1) == [Completed(move)]


def test_clear_is_answered_without_an_ack(talk: Talk) -> None:  # 90 50 FF [A]
    ticket = send(talk, Clear())
    assert talk.reply(1, "90 50 FF") == [Completed(ticket)]


@pytest.mark.parametrize(("code", "event"), [(ErrorCode.CANCELLED, Completed(1)), (ErrorCode.NO_SOCKET, Completed(1))])
def test_a_cancel_is_done_when_nothing_is_in_the_socket(talk: Talk, code: ErrorCode, event: Event) -> None:  # [A]
    send(talk, Cancel(2))
    assert talk.said() == [(1, "81 22 FF")]
    assert talk.error(1, 2, code) == [event]


def test_numbers_go_on_from_the_greatest_to_0(talk: Talk) -> None:  # [A]
    talk.conversation._number = 0xFFFFFFFD  # four thousand million messages later
    said = []
    for _ in range(4):
        ticket = send(talk, PowerInquiry())
        ((number, _),) = talk.said()
        said.append(number)
        (event,) = talk.answer(number, "02")
        assert isinstance(event, Answered)
        assert event.ticket == ticket
    assert said == [0xFFFFFFFE, 0xFFFFFFFF, 0, 1]


def test_a_lost_ack_is_understood_across_the_greatest_number_too(talk: Talk) -> None:  # [A]
    talk.conversation._number = talk.conversation._counted = 0xFFFFFFFE
    send(talk, PowerInquiry())
    talk.answer(0xFFFFFFFF, "02")
    ticket = send(talk, MOVE)
    talk.wait(0.15)
    assert [number for number, _ in talk.said()] == [0xFFFFFFFF, 0, 0]
    assert talk.number_refused(0) == [PerformedUnheard(ticket)]
    assert talk.completion(0, 1) == [Completed(ticket)]


def test_a_camera_that_replies_soon_is_asked_again_soon() -> None:
    """RFC 6298, section 2: after replies in R and R' seconds, as worked by hand.

    R = 0.02: mean 0.02, deviation 0.01, to be expected within 0.06. R' = 0.04: deviation 0.75 * 0.01 + 0.25 * 0.02 =
    0.0125, mean 0.875 * 0.02 + 0.125 * 0.04 = 0.0225, within 0.0725.
    """
    talk = Talk(timing=Timing()).linked()
    for number, seconds, expected in ((1, 0.02, 0.06), (2, 0.04, 0.0725)):
        send(talk, PowerInquiry())
        talk.wait(seconds)
        talk.answer(number, "02")
        assert talk.conversation._reply_times.expected_seconds == pytest.approx(expected)
    talk.said()
    send(talk, PowerInquiry())
    talk.wait(0.072)
    assert len(talk.said()) == 1
    talk.wait(0.001)
    assert len(talk.said()) == 1  # the first repeat
    talk.wait(0.144)
    assert talk.said() == []
    talk.wait(0.002)
    assert len(talk.said()) == 1  # the second


def test_after_a_repeat_it_is_waited_twice_as_long_until_a_reply_is_measured_anew() -> None:
    """RFC 6298, sections 5.5 and 2.3; the shortest wait is 20 ms.

    R = 0.001: mean 0.001, deviation 0.0005. R' = 0.05: 0.007125 and 0.012625; and once more: 0.012484375 and 0.0201875.
    """
    talk = Talk(timing=Timing()).linked()
    repeats = []
    for number, seconds in ((1, 0.001), (2, 0.05), (3, 0.05), (4, 0.05), (5, 0.05)):
        talk.said()
        send(talk, PowerInquiry())
        talk.wait(seconds)
        repeats.append(len(talk.said()) - 1)
        talk.answer(number, "02")
    assert repeats == [0, 1, 1, 0, 0], "after 20 ms, 40 ms, and then not before 80 ms"
    assert talk.conversation._reply_times.expected_seconds == pytest.approx(0.093234375)


def test_what_is_urgent_is_not_repeated_before_a_camera_can_have_refused_its_number() -> None:
    """A camera that lost count is reset at its first refusal, as ever, however soon it replied before."""
    talk = Talk(timing=Timing()).linked()
    send(talk, PowerInquiry())
    talk.wait(0.001)
    talk.answer(1, "02")
    talk.said()
    talk.conversation.interrupt([PanTiltStop()], talk.now)
    talk.wait(0.06)
    assert len(talk.said()) == 1
    assert any(isinstance(event, Desynchronised) for event in talk.number_refused(2))


def test_the_reply_to_a_repeat_says_nothing_of_how_soon_replies_come() -> None:  # Karn's algorithm
    talk = Talk(timing=Timing()).linked()
    send(talk, PowerInquiry())
    talk.wait(0.15)
    talk.answer(1, "02")
    assert talk.conversation._reply_times.measured_seconds is None


def test_an_urgent_command_is_repeated_no_sooner_than_a_slow_camera_replies() -> None:
    """RFC 6298, section 2, as worked by hand: R = 0.12: mean 0.12, deviation 0.06; 0.36, and 0.25 is the longest."""
    talk = Talk(timing=Timing()).linked()
    for number, wait in ((1, 0.15), (2, 0.12)):  # the first one is repeated, so that the second is awaited longer
        send(talk, PowerInquiry())
        talk.wait(wait)
        talk.answer(number, "02")
    talk.said()
    talk.conversation.interrupt([PanTiltStop()], talk.now)
    talk.wait(0.24)
    assert len(talk.said()) == 1
    talk.wait(0.02)
    assert len(talk.said()) == 1


def test_a_repeat_that_crossed_the_reply_is_no_harm(talk: Talk) -> None:
    """The camera answers the repeat with 0F 01, since it had performed the command before."""
    ticket = send(talk, MOVE)
    talk.wait(0.15)
    assert len(talk.said()) == 2
    assert talk.ack(1, 1) == [Acknowledged(ticket, 1)]
    assert all(isinstance(event, Ignored) for event in talk.number_refused(1))
    assert talk.completion(1, 1) == [Completed(ticket)]


def test_a_command_that_does_not_fit_is_refused_before_it_is_queued(talk: Talk) -> None:
    with pytest.raises(ValueError, match="pan step"):
        send(talk, PanTiltAbsolute(0, 0, 99, 1))
    assert talk.sent() == []


# When something is lost: the table of [A], row by row


def test_the_command_was_lost(talk: Talk) -> None:
    ticket = send(talk, MOVE)
    assert talk.said() == [(1, MOVE_SAID)]
    assert talk.wait(0.15) == []
    assert talk.said() == [(1, MOVE_SAID)]  # the same number
    assert talk.ack(1, 1) == [Acknowledged(ticket, 1)]  # performed now, by the repeat
    assert talk.completion(1, 1) == [Completed(ticket)]


def test_the_ack_was_lost(talk: Talk) -> None:
    ticket = send(talk, MOVE)
    talk.wait(0.15)
    assert talk.said() == [(1, MOVE_SAID), (1, MOVE_SAID)]
    assert talk.number_refused(1) == [PerformedUnheard(ticket)]  # already performed
    assert talk.said() == []  # and not again
    assert talk.completion(1, 2) == [Completed(ticket)]  # its completion may still come


def test_the_ack_was_lost_and_the_completion_too(talk: Talk) -> None:
    ticket = send(talk, MOVE, seconds=3.0)
    talk.wait(0.15)
    talk.number_refused(1)
    assert talk.wait(2.9) == []
    assert talk.wait(0.2) == [Overdue(ticket)]


def test_the_ack_was_late_and_not_lost(talk: Talk) -> None:
    ticket = send(talk, MOVE)
    talk.wait(0.15)
    assert talk.number_refused(1) == [PerformedUnheard(ticket)]
    assert talk.ack(1, 2) == [Acknowledged(ticket, 2)]
    assert talk.completion(1, 2) == [Completed(ticket)]


@pytest.mark.parametrize("ack_lost", [False, True])
def test_a_camera_that_does_not_look_at_numbers_cancels_a_command_for_its_own_repeat(
    talk: Talk, ack_lost: bool
) -> None:  # 60 04 tells of the one that a newer one of the same motors takes over
    ticket = send(talk, MOVE)
    talk.wait(0.15)
    assert talk.said() == [(1, MOVE_SAID), (1, MOVE_SAID)]
    if ack_lost:
        assert talk.error(1, 1, ErrorCode.CANCELLED) == [PerformedUnheard(ticket)]
    else:
        talk.ack(1, 1)
        assert talk.error(1, 1, ErrorCode.CANCELLED) == []
    assert talk.ack(1, 2) == [Acknowledged(ticket, 2)]
    assert talk.error(1, 2, ErrorCode.CANCELLED) == [Refused(ticket, ErrorCode.CANCELLED)]  # by somebody else


def test_the_completion_was_lost(talk: Talk) -> None:
    ticket = send(talk, MOVE, seconds=3.0)
    talk.ack(1, 1)
    talk.sent()
    assert talk.wait(2.9) == []
    assert talk.wait(0.2) == [Overdue(ticket)]
    assert talk.said() == []  # whoever needs the outcome asks anew


def test_the_completion_was_lost_and_the_socket_is_given_to_another(talk: Talk) -> None:
    first = send(talk, FocusManual())
    talk.ack(1, 1)
    second = send(talk, MOVE)
    assert talk.ack(2, 1) == [Overdue(first), Acknowledged(second, 1)]  # two can't be in one socket [A]
    assert talk.completion(2, 1) == [Completed(second)]


def test_the_inquiry_was_lost(talk: Talk) -> None:
    ticket = send(talk, ZoomInquiry())
    talk.wait(0.15)
    assert talk.said() == [(1, ZOOM_ASKED), (1, ZOOM_ASKED)]
    assert talk.answer(1, "04 00 00 00") == [Answered(ticket, 0x4000)]


def test_the_inquirys_reply_was_lost(talk: Talk) -> None:
    ticket = send(talk, ZoomInquiry())
    talk.wait(0.15)
    talk.sent()
    assert talk.number_refused(1) == []  # already performed
    assert talk.said() == [(2, ZOOM_ASKED)]  # asked anew, with a new number
    assert talk.answer(2, "04 00 00 00") == [Answered(ticket, 0x4000)]


def test_the_error_message_was_lost(talk: Talk) -> None:
    ticket = send(talk, ZoomDirect(0x4000))
    talk.wait(0.15)
    assert talk.said() == [(1, TELE), (1, TELE)]
    assert talk.error(1, 0, ErrorCode.NOT_EXECUTABLE) == [Refused(ticket, ErrorCode.NOT_EXECUTABLE)]  # not performed


def test_everything_is_lost(talk: Talk) -> None:
    running = send(talk, MOVE, seconds=60)
    talk.ack(1, 1)
    asked, queued = send(talk, ZoomInquiry()), send(talk, ZoomDirect(0))
    talk.sent()
    events = talk.wait(10)
    assert events == [Unanswered(running), Unanswered(asked), Unanswered(queued)]
    assert talk.said() == [(2, ZOOM_ASKED)] * 6  # beside the first: seven attempts
    assert talk.conversation.deadline() is None


def test_repeats_come_at_growing_intervals() -> None:
    talk = Talk(timing=Timing(first_repeat_seconds=0.2, longest_repeat_seconds=1.0, attempts=5)).linked()
    send(talk, PowerInquiry())
    assert talk.times_of_sending(10) == [0, 0.2, 0.6, 1.4, 2.4]


# Refused


@pytest.mark.parametrize(
    ("wire", "code"),
    [
        ("90 60 01 FF", ErrorCode.MESSAGE_LENGTH),
        ("90 60 02 FF", ErrorCode.SYNTAX),
        ("90 61 41 FF", ErrorCode.NOT_EXECUTABLE),
        ("90 60 77 FF", ErrorCode.OTHER),
    ],
)
@pytest.mark.parametrize("message", [ZoomInquiry(), ZoomDirect(0)])
def test_an_error_ends_it(talk: Talk, message: Command | Inquiry[int], wire: str, code: ErrorCode) -> None:
    ticket = send(talk, message)
    send(talk, PowerInquiry())
    talk.sent()
    assert talk.reply(1, wire) == [Refused(ticket, code)]
    assert talk.said() == [(2, POWER_ASKED)]


def test_a_running_command_may_fail(talk: Talk) -> None:
    ticket = send(talk, MOVE)
    talk.ack(1, 1)
    assert talk.error(1, 1, ErrorCode.NOT_EXECUTABLE) == [Refused(ticket, ErrorCode.NOT_EXECUTABLE)]


def test_a_command_that_another_controller_cancels_is_refused(talk: Talk) -> None:
    ticket = send(talk, MOVE)
    talk.ack(1, 1)
    assert talk.error(1, 1, ErrorCode.CANCELLED) == [Refused(ticket, ErrorCode.CANCELLED)]
    assert ignored(talk.completion(1, 1))  # none follows [A]


def test_a_message_that_arrived_spoilt_is_refused(talk: Talk) -> None:  # 0F 02 [A]
    ticket = send(talk, MOVE)
    control = Packet(PayloadType.CONTROL_REPLY, 1, MESSAGE_ABNORMAL).encode()
    assert talk.hears(control) == [Refused(ticket, ErrorCode.SYNTAX)]


def test_an_answer_in_a_form_of_its_own_ends_the_inquiry_and_not_the_link(talk: Talk) -> None:
    ticket = send(talk, ZoomInquiry())
    assert talk.answer(1, "01 02 03") == [Refused(ticket, ErrorCode.UNREADABLE)]
    ticket = send(talk, ZoomInquiry())
    assert talk.reply(2, "90 50 FF") == [Refused(ticket, ErrorCode.UNREADABLE)]


# Both sockets full


def test_a_command_waits_for_a_socket_and_inquiries_go_on(talk: Talk) -> None:
    send(talk, MOVE, seconds=60)
    send(talk, ZoomDirect(0x4000), seconds=60)
    talk.ack(1, 1)
    talk.ack(2, 2)
    talk.sent()
    manual, zoom = send(talk, FocusManual()), send(talk, ZoomDirect(0))
    asked = send(talk, FocusInquiry())
    assert talk.said() == [(3, MANUAL)]
    assert talk.error(3, 0, ErrorCode.BUFFER_FULL) == []
    assert talk.said() == [(4, FOCUS_ASKED)]  # an inquiry uses no socket [A]
    assert talk.answer(4, "01 00 00 00") == [Answered(asked, 0x1000)]
    assert talk.said() == []
    talk.completion(2, 2)
    assert talk.said() == [(5, MANUAL)]  # at once when a socket is free; the order of commands stays
    assert talk.ack(5, 2) == [Acknowledged(manual, 2)]
    assert talk.said() == [(6, WIDE)]
    assert talk.error(6, 0, ErrorCode.SYNTAX) == [Refused(zoom, ErrorCode.SYNTAX)]


def test_a_command_is_tried_again_even_if_no_socket_of_ours_gets_free(talk: Talk) -> None:
    ticket = send(talk, FocusManual())
    talk.sent()
    talk.error(1, 0, ErrorCode.BUFFER_FULL)  # a stranger's commands fill them
    talk.wait(0.09)
    assert talk.said() == []
    talk.wait(0.02)
    assert talk.said() == [(2, MANUAL)]
    assert talk.ack(2, 1) == [Acknowledged(ticket, 1)]


def test_a_camera_that_stays_full_refuses_in_the_end(talk: Talk) -> None:
    ticket = send(talk, FocusManual(), seconds=3.0)
    events: list[Event] = []
    tries = 0
    while not events:
        for number, _ in talk.said():
            tries += 1
            events += talk.error(number, 0, ErrorCode.BUFFER_FULL)
        events += talk.wait(0.02)
        assert talk.now < 110
    assert events == [Refused(ticket, ErrorCode.BUFFER_FULL)]
    assert 5 <= tries <= 16  # no flood


def test_an_answered_inquiry_does_not_hurry_a_command_that_waits_for_a_socket(talk: Talk) -> None:
    send(talk, FocusManual())
    talk.error(1, 0, ErrorCode.BUFFER_FULL)
    send(talk, ZoomInquiry())
    talk.sent()
    talk.answer(2, "00 00 00 00")
    assert talk.said() == []


# A stranger, or a restart


def test_a_number_refused_at_once_is_answered_with_a_reset_and_all_is_said_again(talk: Talk) -> None:
    send(talk, ZoomInquiry())
    talk.answer(1, "00 00 00 00")
    move = send(talk, MOVE)
    queued = send(talk, PowerInquiry())
    talk.sent()
    assert talk.number_refused(2) == [Desynchronised()]
    assert talk.said() == RESET_SAID
    assert talk.hears(RESET_DONE) == [Linked()]
    assert talk.said() == [(1, MOVE_SAID)]  # a new number, the order as before
    assert talk.ack(1, 1) == [Acknowledged(move, 1)]
    assert talk.said() == [(2, POWER_ASKED)]
    (event,) = talk.answer(2, "02")
    assert isinstance(event, Answered)
    assert event.ticket == queued


def test_a_move_that_runs_while_a_stranger_spoils_the_numbers_is_heard_to_the_end(talk: Talk) -> None:
    for _ in range(3):
        send(talk, ZoomInquiry())
    for number in (1, 2, 3):
        talk.answer(number, "00 00 00 00")
    move = send(talk, MOVE)
    talk.ack(4, 1)
    send(talk, ZoomInquiry())
    assert talk.number_refused(5) == [Desynchronised()]
    talk.hears(RESET_DONE)
    talk.answer(1, "00 00 00 00")
    manual = send(talk, FocusManual())
    assert talk.ack(2, 2) == [Acknowledged(manual, 2)]
    assert talk.completion(4, 1) == [Completed(move)]  # under its number from before the RESET


def test_a_number_from_before_a_reset_is_told_from_the_same_number_after_it_by_the_socket(talk: Talk) -> None:
    move = send(talk, MOVE)
    talk.ack(1, 1)
    zoom = send(talk, ZoomDirect(0))
    talk.number_refused(2)
    talk.hears(RESET_DONE)
    assert talk.ack(1, 2) == [Acknowledged(zoom, 2)]  # number 1 again
    assert talk.completion(1, 2) == [Completed(zoom)]
    assert talk.completion(1, 1) == [Completed(move)]


def test_a_camera_that_refuses_every_number_is_given_up_and_not_flooded(talk: Talk) -> None:
    ticket = send(talk, ZoomInquiry())
    events: list[Event] = []
    said = 0
    for _ in range(100):
        for packet in talk.sent():
            said += 1
            control = packet.payload_type is PayloadType.CONTROL
            events += talk.hears(RESET_DONE) if control else talk.number_refused(packet.sequence)
    assert events[-1] == Unanswered(ticket)
    assert said <= 2 * 7 + 2


def test_an_inquiry_whose_every_answer_is_lost_is_given_up(talk: Talk) -> None:
    ticket = send(talk, ZoomInquiry())
    events: list[Event] = []
    seen: set[int] = set()
    for _ in range(100):
        for number, _ in talk.said():
            if number in seen and not events:
                events += talk.number_refused(number)
            seen.add(number)
        events += talk.wait(0.1)
    assert events == [Unanswered(ticket)]
    assert len(seen) == 8  # the first number and seven new ones


# Late, doubled, a stranger's, garbage


def test_a_doubled_ack_and_a_doubled_completion_change_nothing(talk: Talk) -> None:
    first = send(talk, FocusManual())
    talk.ack(1, 1)
    assert ignored(talk.ack(1, 1))
    assert ignored(talk.ack(1, 2))
    assert talk.completion(1, 1) == [Completed(first)]
    assert ignored(talk.completion(1, 1))
    second = send(talk, MOVE)
    talk.ack(2, 1)
    assert ignored(talk.completion(1, 1))  # the first one's, in the second one's socket
    assert ignored(talk.ack(1, 1))
    assert ignored(talk.number_refused(2))
    assert talk.completion(2, 1) == [Completed(second)]


def test_a_late_answer_is_not_taken_for_that_of_the_next_inquiry(talk: Talk) -> None:
    zoom = send(talk, ZoomInquiry())
    talk.wait(0.15)
    talk.number_refused(1)
    assert ignored(talk.answer(1, "00 00 00 01"))
    assert talk.answer(2, "00 00 00 02") == [Answered(zoom, 2)]
    focus = send(talk, FocusInquiry())
    assert ignored(talk.answer(2, "00 00 00 03"))
    assert talk.answer(3, "00 00 00 04") == [Answered(focus, 4)]


def test_a_completion_that_overtakes_its_ack_is_enough(talk: Talk) -> None:
    ticket = send(talk, MOVE)
    assert talk.completion(1, 1) == [Completed(ticket)]
    assert ignored(talk.ack(1, 1))
    assert talk.conversation.deadline() is None


@pytest.mark.parametrize("wire", ["90 41 FF", "90 51 FF", "90 50 02 FF", "90 60 02 FF", "90 61 04 FF"])
def test_a_reply_with_a_strangers_number_changes_nothing(talk: Talk, wire: str) -> None:
    running, asked = send(talk, MOVE), send(talk, ZoomInquiry())
    talk.ack(1, 1)
    assert ignored(talk.reply(77, wire))
    assert talk.answer(2, "00 00 00 00") == [Answered(asked, 0)]
    assert talk.completion(1, 1) == [Completed(running)]


@pytest.mark.parametrize(
    "wire",
    [
        "",
        "01",
        "0111 0003 0000",
        "0111 0000 00000001",
        "0111 0003 00000001 9041",  # never ends
        "0111 0002 00000001 9041",  # no FF
        "0111 0004 00000001 9041FFFF",
        "0111 0011 00000001 90" + "00" * 15 + "FF",  # too long
        "0100 0003 00000001 9041FF",  # a command
        "0110 0003 00000001 9041FF",
        "0120 0003 00000001 9041FF",
        "0999 0003 00000001 9041FF",
        "0111 0003 00000001 A041FF",  # another camera's
        "0201 0002 00000001 0F03",
        "0201 0002 00000001 0101",
        "0111 0003 00000001 905050",
    ],
)
def test_garbage_changes_nothing_and_is_told_with_a_reason(talk: Talk, wire: str) -> None:
    ticket = send(talk, MOVE)
    datagram = bytes.fromhex(wire)
    (event,) = talk.hears(datagram)
    assert isinstance(event, Ignored)
    assert event.datagram == datagram
    assert event.reason
    assert talk.ack(1, 1) == [Acknowledged(ticket, 1)]


def test_an_ack_to_an_inquiry_and_an_answer_to_a_command_change_nothing(talk: Talk) -> None:
    command = send(talk, MOVE)
    assert ignored(talk.answer(1, "02"))
    assert talk.ack(1, 1) == [Acknowledged(command, 1)]
    inquiry = send(talk, ZoomInquiry())
    assert ignored(talk.ack(2, 2))
    assert talk.answer(2, "00 00 00 00") == [Answered(inquiry, 0)]
