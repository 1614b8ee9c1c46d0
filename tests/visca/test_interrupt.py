"""A stop, or a newer order, waits for nobody and is never undone by what came before it.

[A] SRG-300H technical manual, "VISCA over IP" (sockets, cancel, the table of losses); [B] the same manual, "Execution
command list (4/4)". That an interrupting burst is sent without waiting: this program's own rule.
"""

from __future__ import annotations

from typing import Any

import pytest
from visca.talk import RESET_DONE, Talk

from ptzd.visca import (
    Acknowledged,
    Answered,
    Command,
    Completed,
    Desynchronised,
    ErrorCode,
    Event,
    FocusManual,
    FocusStop,
    Ignored,
    Inquiry,
    Interrupted,
    Linked,
    Overdue,
    PanTiltAbsolute,
    PanTiltRelative,
    PanTiltStop,
    PerformedUnheard,
    PowerInquiry,
    Refused,
    Unanswered,
    ZoomDirect,
    ZoomInquiry,
    ZoomStop,
)

CANCEL_1 = "81 21 FF"  # [A]
CANCEL_2 = "81 22 FF"  # [A]
STOP = "81 01 06 01 01 01 03 03 FF"  # [B]
ZOOM_STOP = "81 01 04 07 00 FF"
FOCUS_STOP = "81 01 04 08 00 FF"
POWER_ASKED = "81 09 04 00 FF"
MOVE = PanTiltAbsolute(512, 0, 12, 11)
BACK = PanTiltAbsolute(-512, 0, 12, 11)
BACK_SAID = "81 01 06 02 0C 0B 0F 0E 00 00 00 00 00 00 FF"


@pytest.fixture
def talk() -> Talk:
    return Talk().linked()


def send(talk: Talk, message: Command | Inquiry[Any], seconds: float = 60.0) -> int:
    return talk.conversation.send(message, talk.now, completion_seconds=seconds)


def interrupt(talk: Talk, *messages: Command, seconds: float = 5.0) -> list[int]:
    return talk.conversation.interrupt(messages, talk.now, completion_seconds=seconds)


def moving(talk: Talk, socket: int = 1) -> int:
    """Start a move, which is message 1 and is acknowledged."""
    ticket = send(talk, MOVE)
    talk.ack(1, socket)
    talk.sent()
    return ticket


def ignored(events: list[Event]) -> bool:
    return len(events) == 1 and isinstance(events[0], Ignored)


# In each state


def test_at_rest_only_the_stop_leaves(talk: Talk) -> None:
    (stop,) = interrupt(talk, PanTiltStop())
    assert talk.said() == [(1, STOP)]
    assert talk.ack(1, 1) == [Acknowledged(stop, 1)]
    assert talk.completion(1, 1) == [Completed(stop)]


def test_after_everything_has_ended_nothing_is_cancelled(talk: Talk) -> None:
    moving(talk)
    talk.completion(1, 1)
    interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, STOP)]


def test_what_is_queued_never_leaves(talk: Talk) -> None:
    asked = send(talk, ZoomInquiry())
    queued = [send(talk, MOVE), send(talk, PowerInquiry())]
    talk.sent()
    (stop,) = interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, STOP)]  # an inquiry that waits for its answer holds no socket [A]
    assert talk.now_says() == [Interrupted(asked), *map(Interrupted, queued)]
    assert ignored(talk.answer(1, "00 00 00 00"))
    talk.ack(2, 1)
    assert talk.completion(2, 1) == [Completed(stop)]
    assert talk.said() == []


def test_a_running_move_is_cancelled_in_its_socket(talk: Talk) -> None:
    move = moving(talk, socket=2)
    (stop,) = interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, CANCEL_2), (3, STOP)]  # in one burst
    assert talk.now_says() == [Interrupted(move)]
    assert talk.error(2, 2, ErrorCode.CANCELLED) == []
    talk.ack(3, 1)
    assert talk.completion(3, 1) == [Completed(stop)]
    assert talk.conversation.deadline() is None


def test_a_command_that_awaits_its_ack_may_be_in_either_socket(talk: Talk) -> None:
    move = send(talk, MOVE)
    talk.sent()
    interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, CANCEL_1), (3, CANCEL_2), (4, STOP)]
    assert talk.now_says() == [Interrupted(move)]
    assert talk.error(2, 1, ErrorCode.CANCELLED) == []
    assert talk.error(3, 2, ErrorCode.NO_SOCKET) == []  # fine: nothing was in it
    assert ignored(talk.ack(1, 1))


def test_what_awaits_its_ack_is_never_repeated_after_a_stop(talk: Talk) -> None:
    send(talk, MOVE)
    talk.sent()
    interrupt(talk, PanTiltStop())
    talk.wait(5)
    said = talk.said()
    assert (4, STOP) in said
    assert not [message for _, message in said if message.startswith("81 01 06 02")]


def test_a_command_whose_ack_was_lost_may_be_in_either_socket(talk: Talk) -> None:
    send(talk, MOVE)
    talk.wait(0.15)
    talk.number_refused(1)
    talk.sent()
    interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, CANCEL_1), (3, CANCEL_2), (4, STOP)]


def test_a_command_that_was_never_heard_of_again_may_still_run_in_either_socket(talk: Talk) -> None:
    move = send(talk, MOVE, seconds=3.0)
    talk.wait(0.15)
    talk.number_refused(1)
    assert talk.wait(4) == [Overdue(move)]
    talk.sent()
    interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, CANCEL_1), (3, CANCEL_2), (4, STOP)]


def test_both_sockets_are_cancelled_when_both_are_busy(talk: Talk) -> None:
    move = moving(talk)
    zoom = send(talk, ZoomDirect(0x4000))
    talk.ack(2, 2)
    talk.sent()
    interrupt(talk, PanTiltStop(), ZoomStop(), FocusStop())
    assert talk.said() == [(3, CANCEL_1), (4, CANCEL_2), (5, STOP), (6, ZOOM_STOP), (7, FOCUS_STOP)]
    assert talk.now_says() == [Interrupted(move), Interrupted(zoom)]


def test_a_command_that_is_overdue_may_still_run_and_is_cancelled(talk: Talk) -> None:
    move = send(talk, MOVE, seconds=3.0)
    talk.ack(1, 2)
    assert talk.wait(4) == [Overdue(move)]
    talk.sent()
    interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, CANCEL_2), (3, STOP)]


def test_a_command_that_was_under_way_when_the_camera_fell_silent_is_cancelled_when_it_is_back(talk: Talk) -> None:
    moving(talk)
    send(talk, ZoomInquiry())
    talk.wait(10)
    talk.sent()
    talk.conversation.start(talk.now)
    interrupt(talk, PanTiltStop())
    talk.sent()
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, CANCEL_1), (2, CANCEL_2), (3, STOP)]


def test_during_a_reset_the_stop_leaves_first_and_in_the_very_moment_of_the_answer(talk: Talk) -> None:
    send(talk, PowerInquiry())
    talk.number_refused(1)
    queued = send(talk, ZoomInquiry())
    talk.sent()
    (stop,) = interrupt(talk, PanTiltStop())
    later = send(talk, ZoomInquiry())
    assert talk.said() == []
    assert talk.now_says() == [Interrupted(1), Interrupted(queued)]
    assert talk.hears(RESET_DONE) == [Linked()]
    assert talk.said() == [(1, STOP)]
    assert talk.ack(1, 1) == [Acknowledged(stop, 1)]
    (event,) = talk.answer(2, "00 00 00 00")
    assert isinstance(event, Answered)
    assert event.ticket == later


def test_a_stop_to_a_camera_that_fell_silent_knocks_at_once() -> None:
    talk = Talk()
    (stop,) = interrupt(talk, PanTiltStop())
    assert talk.said() == [(0, "01")]
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, STOP)]
    assert talk.ack(1, 1) == [Acknowledged(stop, 1)]


def test_a_newer_move_takes_the_place_of_an_older(talk: Talk) -> None:
    move = moving(talk)
    (back,) = interrupt(talk, BACK)
    assert talk.said() == [(2, CANCEL_1), (3, BACK_SAID)]
    assert talk.now_says() == [Interrupted(move)]
    talk.error(2, 1, ErrorCode.CANCELLED)
    assert talk.ack(3, 1) == [Acknowledged(back, 1)]
    assert ignored(talk.completion(1, 1))  # a late one of the older
    assert talk.completion(3, 1) == [Completed(back)]


def test_a_stop_interrupts_a_stop(talk: Talk) -> None:
    (first,) = interrupt(talk, PanTiltStop())
    (second,) = interrupt(talk, PanTiltStop())
    assert talk.said() == [(1, STOP), (2, CANCEL_1), (3, CANCEL_2), (4, STOP)]
    assert talk.now_says() == [Interrupted(first)]
    talk.ack(4, 1)
    assert talk.completion(4, 1) == [Completed(second)]


def test_what_is_sent_afterwards_waits_for_the_ack_of_all(talk: Talk) -> None:
    interrupt(talk, PanTiltStop(), ZoomStop())
    send(talk, PowerInquiry())
    talk.sent()
    talk.ack(2, 2)
    assert talk.said() == []
    talk.ack(1, 1)
    assert talk.said() == [(3, POWER_ASKED)]


def test_an_interruption_without_commands_only_ends_things(talk: Talk) -> None:
    move = moving(talk)
    assert interrupt(talk) == []
    assert talk.said() == [(2, CANCEL_1)]
    assert talk.now_says() == [Interrupted(move)]
    assert talk.error(2, 1, ErrorCode.CANCELLED) == []
    assert talk.conversation.deadline() is None


def test_a_command_that_does_not_fit_interrupts_nothing(talk: Talk) -> None:
    move = moving(talk)
    with pytest.raises(ValueError, match="pan step"):
        interrupt(talk, PanTiltAbsolute(0, 0, 99, 1))
    assert talk.sent() == []
    assert talk.completion(1, 1) == [Completed(move)]


# When something of it is lost


def test_a_lost_cancel_is_repeated_once_the_stop_is_acknowledged(talk: Talk) -> None:
    moving(talk, socket=2)
    interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, CANCEL_2), (3, STOP)]
    talk.ack(3, 1)
    talk.completion(3, 1)
    talk.wait(0.15)
    assert talk.said() == [(2, CANCEL_2)]
    assert talk.error(2, 2, ErrorCode.CANCELLED) == []
    assert talk.conversation.deadline() is None


def test_a_cancel_is_not_repeated_while_the_newer_command_may_be_in_that_socket(talk: Talk) -> None:
    moving(talk)
    (back,) = interrupt(talk, BACK)
    talk.sent()
    talk.wait(0.15)
    assert talk.said() == [(3, BACK_SAID)]  # and no cancel, which might hit it
    assert talk.ack(3, 1) == [Acknowledged(back, 1)]
    talk.wait(5)
    assert talk.said() == []  # the older one is gone, for the newer has its socket


def test_a_cancel_is_not_repeated_after_the_newer_command_was_performed_unheard(talk: Talk) -> None:
    moving(talk)
    send(talk, ZoomDirect(0x4000))
    talk.ack(2, 2)
    (back,) = interrupt(talk, BACK)
    assert talk.error(4, 2, ErrorCode.CANCELLED)  # the answer to the other cancel, 3, is lost, and so is the ACK to 5
    talk.wait(0.15)
    talk.sent()
    assert talk.number_refused(5) == [PerformedUnheard(back)]
    talk.wait(1)
    assert talk.said() == []
    assert talk.completion(5, 1) == [Completed(back)]


def test_a_stop_is_not_taken_for_performed_by_a_camera_that_may_have_missed_what_it_pushed_aside(talk: Talk) -> None:
    """The camera counts up to 0, waits for 1, and refuses every 2; its first refusal was lost."""
    send(talk, ZoomInquiry())  # lost
    (stop,) = interrupt(talk, PanTiltStop())
    assert talk.said() == [(1, "81 09 04 47 FF"), (2, STOP)]
    talk.wait(0.15)
    assert talk.said() == [(2, STOP)]
    assert talk.number_refused(2) == [Desynchronised()]
    talk.hears(RESET_DONE)
    assert talk.said()[-1] == (1, STOP)
    assert talk.ack(1, 1) == [Acknowledged(stop, 1)]


def test_a_stop_is_not_taken_for_performed_by_a_camera_that_may_have_missed_the_cancel_before_it(talk: Talk) -> None:
    moving(talk)
    (stop,) = interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, CANCEL_1), (3, STOP)]  # 2 is lost, and so is the refusal of 3
    talk.wait(0.15)
    assert talk.said() == [(3, STOP)]
    assert talk.number_refused(3) == [Desynchronised()]
    talk.sent()
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, CANCEL_1), (2, STOP)]
    assert talk.ack(2, 2) == [Acknowledged(stop, 2)]


def test_a_cancel_that_is_overtaken_is_sent_anew_and_not_taken_for_done(talk: Talk) -> None:
    moving(talk, socket=2)
    interrupt(talk, PanTiltStop())
    talk.ack(3, 1)
    talk.completion(3, 1)
    talk.wait(0.15)
    talk.sent()
    assert talk.number_refused(2) == []  # 2 was lost, and the camera has heard 3
    assert talk.said() == [(4, CANCEL_2)]
    assert talk.error(4, 2, ErrorCode.CANCELLED) == []
    assert talk.conversation.deadline() is None


def test_a_cancel_whose_answer_was_lost_is_done(talk: Talk) -> None:
    moving(talk)
    interrupt(talk)
    talk.wait(0.15)
    assert talk.said() == [(2, CANCEL_1), (2, CANCEL_1)]
    talk.number_refused(2)
    assert talk.conversation.deadline() is None
    interrupt(talk, PanTiltStop())
    assert talk.said() == [(3, STOP)]


def test_a_cancel_answered_under_the_number_of_the_command_that_it_ended_is_done(talk: Talk) -> None:
    moving(talk)
    interrupt(talk)
    assert talk.error(1, 1, ErrorCode.CANCELLED) == [Interrupted(1)]
    assert talk.conversation.deadline() is None


def test_a_cancel_for_another_socket_is_not_done_by_that(talk: Talk) -> None:
    moving(talk)
    interrupt(talk)
    assert [type(event) for event in talk.error(1, 2, ErrorCode.CANCELLED)] == [Interrupted, Ignored]
    talk.sent()
    talk.wait(0.15)
    assert talk.said() == [(2, CANCEL_1)]


def test_a_camera_that_never_answers_cancel_is_not_taken_for_a_silent_one(talk: Talk) -> None:
    moving(talk)
    (stop,) = interrupt(talk, PanTiltStop())
    talk.now_says()
    talk.ack(3, 2)
    assert talk.completion(3, 2) == [Completed(stop)]
    assert talk.wait(10) == []
    assert talk.said()[2:] == [(2, CANCEL_1)] * 13
    ticket = send(talk, PowerInquiry())
    (event,) = talk.answer(4, "02")
    assert isinstance(event, Answered)
    assert event.ticket == ticket


def test_a_reset_that_a_stop_waits_for_is_repeated_at_even_intervals() -> None:  # common practice
    talk = Talk()
    talk.conversation.start(talk.now)
    interrupt(talk, PanTiltStop())
    assert talk.times_of_sending(0.75) == [0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7]


def test_a_lost_stop_is_repeated_with_its_number(talk: Talk) -> None:
    (stop,) = interrupt(talk, PanTiltStop())
    talk.wait(0.15)
    assert talk.said() == [(1, STOP), (1, STOP)]
    assert talk.ack(1, 1) == [Acknowledged(stop, 1)]


def test_a_stop_whose_ack_was_lost_has_been_performed(talk: Talk) -> None:
    (stop,) = interrupt(talk, PanTiltStop())
    talk.wait(0.15)
    talk.sent()
    assert talk.number_refused(1) == [PerformedUnheard(stop)]  # [A]: it was the last number sent
    assert talk.said() == []
    assert talk.completion(1, 1) == [Completed(stop)]


def test_a_stop_that_may_have_been_overtaken_is_sent_again_and_not_taken_for_performed(talk: Talk) -> None:
    stop, _, _ = interrupt(talk, PanTiltStop(), ZoomStop(), FocusStop())
    talk.sent()
    talk.ack(2, 1)
    talk.ack(3, 2)
    talk.completion(2, 1)
    talk.completion(3, 2)
    talk.wait(0.15)
    assert talk.said() == [(1, STOP)]
    assert talk.number_refused(1) == []  # performed before, or lost and overtaken by 2 and 3: nobody can tell
    assert talk.said() == [(4, STOP)]
    assert talk.ack(4, 1) == [Acknowledged(stop, 1)]
    assert talk.completion(4, 1) == [Completed(stop)]


def test_a_relative_move_is_never_performed_twice(talk: Talk) -> None:
    relative, _ = interrupt(talk, PanTiltRelative(10, 0, 1, 1), ZoomStop())
    talk.ack(2, 1)
    talk.wait(0.15)
    talk.sent()
    assert talk.number_refused(1) == [PerformedUnheard(relative)]
    assert talk.said() == []


# Both sides number anew at a RESET, which ends nothing: an old command may report under the number of a new one


def stopped_across_a_reset(talk: Talk, *, first: int, seconds: float = 60.0) -> int:
    """A move is message `first` and runs in socket 1; after a RESET a cancel leaves as message 1 and a stop as 2."""
    for number in range(1, first):
        send(talk, ZoomInquiry())
        talk.answer(number, "00 00 00 00")
    send(talk, MOVE, seconds)
    talk.ack(first, 1)
    (stop,) = interrupt(talk, PanTiltStop(), seconds=seconds)
    talk.number_refused(first + 2)  # the cancel was lost
    talk.sent()
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, CANCEL_1), (2, STOP)]
    return stop


def test_the_end_of_an_old_move_is_not_taken_for_that_of_a_stop_with_its_number(talk: Talk) -> None:
    stop = stopped_across_a_reset(talk, first=2)
    assert ignored(talk.completion(2, 1))
    talk.wait(0.15)
    assert talk.said() == [(2, STOP)]
    assert talk.ack(2, 2) == [Acknowledged(stop, 2)]
    assert ignored(talk.completion(2, 1))  # in another socket than the stop
    assert talk.completion(2, 2) == [Completed(stop)]


def test_an_old_move_that_is_cancelled_is_not_taken_for_a_stop_with_its_number(talk: Talk) -> None:
    stop = stopped_across_a_reset(talk, first=2)
    assert ignored(talk.error(2, 1, ErrorCode.CANCELLED))
    talk.wait(0.15)
    assert talk.said() == [(2, STOP)]
    assert talk.ack(2, 1) == [Acknowledged(stop, 1)]


def test_the_end_of_an_old_move_does_not_show_that_a_cancel_with_its_number_has_arrived(talk: Talk) -> None:
    """The camera waits for 1 and refuses every 2: that it does so does not mean that it has performed the stop."""
    stopped_across_a_reset(talk, first=1)
    assert ignored(talk.completion(1, 1))
    talk.wait(0.15)
    assert talk.said() == [(2, STOP)]
    assert talk.number_refused(2) == [Desynchronised()]


def test_the_end_of_an_old_move_is_not_taken_for_that_of_a_stop_performed_unheard(talk: Talk) -> None:
    stop = stopped_across_a_reset(talk, first=2, seconds=4.0)
    talk.error(1, 1, ErrorCode.NO_SOCKET)
    talk.wait(0.15)
    assert talk.number_refused(2) == [PerformedUnheard(stop)]
    assert ignored(talk.completion(2, 1))
    assert talk.wait(4.1) == [Overdue(stop)]


def test_the_end_of_an_old_move_is_not_taken_for_the_answer_to_a_question_with_its_number(talk: Talk) -> None:
    send(talk, ZoomInquiry())
    talk.answer(1, "00 00 00 00")
    send(talk, MOVE)
    talk.ack(2, 1)
    interrupt(talk)
    asked = send(talk, PowerInquiry())
    talk.number_refused(4)
    talk.sent()
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, CANCEL_1), (2, POWER_ASKED)]
    assert ignored(talk.completion(2, 1))
    (event,) = talk.answer(2, "02")
    assert isinstance(event, Answered)
    assert event.ticket == asked


def test_a_stop_is_completed_without_its_ack_once_no_old_move_can_report_any_more(talk: Talk) -> None:
    stop = stopped_across_a_reset(talk, first=2, seconds=1.0)
    assert talk.wait(1.1) == []
    assert talk.completion(2, 1) == [Completed(stop)]


def test_a_stop_is_completed_without_its_ack_where_the_old_move_had_another_number(talk: Talk) -> None:
    stop = stopped_across_a_reset(talk, first=3)
    assert talk.completion(2, 2) == [Completed(stop)]


def test_a_stop_is_completed_without_its_ack_where_the_old_command_with_its_number_has_ended(talk: Talk) -> None:
    send(talk, ZoomInquiry())
    talk.answer(1, "00 00 00 00")
    move = send(talk, MOVE)
    talk.ack(2, 1)
    assert talk.completion(2, 1) == [Completed(move)]
    _, zoom_stop = interrupt(talk, PanTiltStop(), ZoomStop())
    talk.number_refused(4)
    talk.sent()
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, STOP), (2, ZOOM_STOP)]
    assert talk.completion(2, 1) == [Completed(zoom_stop)]


def test_a_camera_that_takes_only_the_very_next_number_gets_the_burst_again_after_a_reset(talk: Talk) -> None:
    moving(talk)
    (stop,) = interrupt(talk, PanTiltStop())
    talk.now_says()
    talk.sent()
    assert talk.number_refused(3) == [Desynchronised()]  # the cancel, 2, was lost
    assert talk.said() == [(0, "01")]
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, CANCEL_1), (2, STOP)]
    assert talk.error(1, 1, ErrorCode.CANCELLED) == []
    assert talk.ack(2, 1) == [Acknowledged(stop, 1)]


def test_a_stop_that_is_never_answered_is_said_to_be_unanswered(talk: Talk) -> None:
    (stop,) = interrupt(talk, PanTiltStop())
    assert talk.wait(10) == [Unanswered(stop)]
    assert talk.said() == [(1, STOP)] * 14


# Both sockets full


def test_a_newer_move_that_finds_both_sockets_full_leaves_again_when_the_cancels_are_answered(talk: Talk) -> None:
    moving(talk)
    send(talk, ZoomDirect(0x4000))
    talk.ack(2, 2)
    talk.sent()
    (back,) = interrupt(talk, BACK)
    talk.now_says()
    assert talk.said() == [(3, CANCEL_1), (4, CANCEL_2), (5, BACK_SAID)]
    assert talk.error(5, 0, ErrorCode.BUFFER_FULL) == []
    assert talk.error(3, 1, ErrorCode.CANCELLED) == []
    assert talk.said() == []
    assert talk.error(4, 2, ErrorCode.CANCELLED) == []
    assert talk.said() == [(6, BACK_SAID)]  # a new number
    assert talk.ack(6, 1) == [Acknowledged(back, 1)]


def test_a_stop_that_finds_the_sockets_full_of_a_strangers_commands_ends_them(talk: Talk) -> None:
    """A stranger's, or our own from before this program started: nobody here knows of them."""
    (stop,) = interrupt(talk, PanTiltStop())
    talk.sent()
    assert talk.error(1, 0, ErrorCode.BUFFER_FULL) == []
    assert talk.said() == [(2, CANCEL_1), (3, CANCEL_2)]
    talk.error(2, 1, ErrorCode.CANCELLED)
    assert talk.said() == []
    talk.error(3, 2, ErrorCode.CANCELLED)
    assert talk.said() == [(4, STOP)]
    assert talk.ack(4, 1) == [Acknowledged(stop, 1)]


def test_an_ordinary_command_cancels_nobody_and_waits_for_a_socket(talk: Talk) -> None:
    send(talk, FocusManual())
    talk.sent()
    talk.error(1, 0, ErrorCode.BUFFER_FULL)
    talk.wait(1)
    assert CANCEL_1 not in [message for _, message in talk.said()]


def test_a_stop_that_finds_the_sockets_full_again_is_tried_again_and_nothing_overtakes_it(talk: Talk) -> None:
    (stop,) = interrupt(talk, PanTiltStop())
    send(talk, FocusManual())
    talk.error(1, 0, ErrorCode.BUFFER_FULL)
    for number, socket in ((2, 1), (3, 2)):
        talk.error(number, socket, ErrorCode.NO_SOCKET)
    asked = send(talk, ZoomInquiry())
    talk.sent()
    talk.error(4, 0, ErrorCode.BUFFER_FULL)
    assert [message for _, message in talk.said()] == ["81 09 04 47 FF"]  # no command overtakes a stop
    assert talk.answer(5, "00 00 00 00") == [Answered(asked, 0)]
    talk.wait(0.21)
    assert talk.said() == [(6, STOP)]
    assert talk.ack(6, 1) == [Acknowledged(stop, 1)]


def test_a_stop_that_never_finds_a_socket_is_refused_in_the_end(talk: Talk) -> None:
    (stop,) = interrupt(talk, PanTiltStop(), seconds=2.0)
    events: list[Event] = []
    while not events:
        for number, _ in talk.said():
            events += talk.error(number, 0, ErrorCode.BUFFER_FULL)
        events += talk.wait(0.05)
        assert talk.now < 110
    assert events == [Refused(stop, ErrorCode.BUFFER_FULL)]


def test_a_stop_that_has_no_room_yet_cancels_none_of_those_that_came_with_it(talk: Talk) -> None:
    """A head that takes its time over a stop holds its sockets so long; one cancelled in there would never stop."""
    head, zoom, focus = interrupt(talk, PanTiltStop(), ZoomStop(), FocusStop())
    talk.sent()
    talk.ack(1, 1)
    talk.ack(2, 2)
    assert talk.error(3, 0, ErrorCode.BUFFER_FULL) == []
    talk.wait(0.07)
    assert talk.said() == []
    assert talk.completion(1, 1) == [Completed(head)]
    assert talk.said() == [(4, "81 01 04 08 00 FF")]
    assert talk.ack(4, 1) == [Acknowledged(focus, 1)]
    assert talk.completion(2, 2) == [Completed(zoom)]


def test_a_stop_beside_our_own_cancels_a_stranger_that_does_not_make_room(talk: Talk) -> None:
    interrupt(talk, PanTiltStop(), ZoomStop())
    talk.sent()
    talk.ack(1, 1)
    talk.error(2, 0, ErrorCode.BUFFER_FULL)
    talk.wait(0.11)
    assert talk.said() == [(3, "81 01 04 07 00 FF")]
    talk.error(3, 0, ErrorCode.BUFFER_FULL)
    assert talk.said() == [(4, CANCEL_2)]


def test_a_cancel_that_needs_another_number_does_not_end_what_was_begun_in_its_socket_meanwhile(talk: Talk) -> None:
    moving(talk)
    interrupt(talk, PanTiltStop())
    assert talk.said() == [(2, CANCEL_1), (3, STOP)]
    talk.ack(3, 2)
    talk.completion(3, 2)
    talk.wait(0.3)
    assert (2, CANCEL_1) in talk.said(), "its reply was lost, so it is repeated"
    back = send(talk, BACK)
    assert talk.said() == [(4, BACK_SAID)]
    talk.number_refused(2)
    assert talk.ack(4, 1) == [Acknowledged(back, 1)]
    talk.wait(2.0)
    assert talk.said() == [], "whatever was in that socket before, the new command is now"


# On a network that changes the order


def test_a_burst_that_is_refused_again_right_after_a_reset_leaves_one_by_one_and_cancels_last(talk: Talk) -> None:
    moving(talk)
    stop, zoom_stop = interrupt(talk, PanTiltStop(), ZoomStop())
    talk.now_says()
    talk.number_refused(3)  # it came before the cancel, 2
    talk.sent()
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, CANCEL_1), (2, STOP), (3, ZOOM_STOP)]
    assert talk.number_refused(2) == [Desynchronised()]
    talk.sent()
    talk.hears(RESET_DONE)
    assert talk.said() == [(1, STOP)]
    assert talk.ack(1, 2) == [Acknowledged(stop, 2)]
    assert talk.said() == [(2, ZOOM_STOP)]
    assert talk.error(2, 0, ErrorCode.NOT_EXECUTABLE) == [Refused(zoom_stop, ErrorCode.NOT_EXECUTABLE)]
    assert talk.said() == [(3, CANCEL_1)]


def test_bursts_leave_again_once_the_camera_has_replied_for_a_while(talk: Talk) -> None:
    for _ in range(2):
        interrupt(talk, PanTiltStop())
        talk.number_refused(talk.said()[-1][0])
        talk.sent()
        talk.hears(RESET_DONE)
    talk.sent()
    interrupt(talk, PanTiltStop(), ZoomStop())
    ((number, said),) = talk.said()
    assert said == STOP
    talk.error(number, 0, ErrorCode.NOT_EXECUTABLE)
    for _ in range(100):
        send(talk, PowerInquiry())
        for number, said in talk.said():
            if said == POWER_ASKED:
                talk.answer(number, "02")
            else:
                talk.error(number, 0, ErrorCode.NO_SOCKET)
    talk.sent()
    interrupt(talk, PanTiltStop(), ZoomStop())
    assert [said for _, said in talk.said()] == [STOP, ZOOM_STOP]


def test_orders_that_come_faster_than_replies_do_not_hide_that_none_arrives(talk: Talk) -> None:
    interrupt(talk, PanTiltStop())  # 1, which is lost
    interrupt(talk, BACK)
    ((_, _), *_, (back, _)) = talk.said()
    (stop,) = interrupt(talk, PanTiltStop())
    talk.sent()
    assert Desynchronised() in talk.number_refused(back)
    talk.sent()
    talk.hears(RESET_DONE)
    ((number, _),) = [each for each in talk.said() if each[1] == STOP]
    assert talk.ack(number, 1) == [Acknowledged(stop, 1)]


def test_nor_is_a_late_second_copy_of_what_was_answered_taken_for_that(talk: Talk) -> None:
    interrupt(talk, PanTiltStop())
    interrupt(talk, BACK)
    assert ignored([each for each in talk.ack(1, 1) if not isinstance(each, Interrupted)])
    assert ignored(talk.number_refused(1))
