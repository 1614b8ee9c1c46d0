"""The camera's side of a lossy network: sequence numbers, checked strictly, and one count for everybody.

All from [A], the SRG-300H technical manual, chapter "VISCA over IP"; a second controller is common practice.
"""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from ptzsim.habits import Habits
from ptzsim.numbers import SequenceNumbers

HOME = "81 01 06 04 ff"
POWER = "81 09 04 00 ff"
ABNORMAL_NUMBER, ABNORMAL_MESSAGE = "0f 01", "0f 02"  # [A]


def test_reset_is_answered_and_the_next_number_is_one(controller: Any) -> None:
    (reply,) = controller.reset()
    assert (reply.kind, reply.payload) == (0x0201, "01")  # [A]
    assert controller.tell(POWER, number=1) == ["90 50 02 ff"]


def test_after_reset_the_number_zero_is_taken_too(controller: Any) -> None:
    controller.tell(POWER, number=1)
    controller.reset()
    assert controller.tell(POWER, number=0) == ["90 50 02 ff"]
    assert controller.tell(POWER, number=0) == [ABNORMAL_NUMBER]
    assert controller.tell(POWER, number=1) == ["90 50 02 ff"]


def test_a_number_that_skips_is_abnormal_and_nothing_is_performed(controller: Any, desk: Any) -> None:
    controller.tell(POWER, number=1)
    for number in (3, 0, 0xFFFFFFFF, 100):
        controller.send(controller.go(0x0400, 0), number=number)
        (reply,) = controller.listen()
        assert (reply.payload, reply.number) == (ABNORMAL_NUMBER, number)  # [A]
    assert not desk.camera.head.moving(desk.now)
    assert controller.tell(POWER, number=2) == ["90 50 02 ff"]


def test_the_command_was_lost_so_the_repeat_is_performed_and_acknowledged(controller: Any) -> None:
    # Nothing reached the camera the first time.
    assert controller.tell(controller.go(0x0100, 0), seconds=5.0, number=1) == ["90 41 ff", "90 51 ff"]


def test_the_ack_was_lost_so_the_repeat_is_abnormal_and_the_completion_still_comes(controller: Any) -> None:
    relative = "81 01 06 03 18 12 00 01 00 00 00 00 00 00 ff"
    assert controller.tell(relative, number=1) == ["90 41 ff"]  # suppose that this is lost
    assert controller.tell(relative, seconds=5.0, number=1) == [ABNORMAL_NUMBER, "90 51 ff"]  # [A]
    assert controller.desk.camera.head.pan_counts(controller.desk.now) == 0x0100  # not performed twice


def test_the_completion_was_lost_so_the_repeat_is_abnormal(controller: Any) -> None:
    assert controller.tell(HOME, seconds=5.0, number=1) == ["90 41 ff", "90 51 ff"]
    assert controller.tell(HOME, seconds=5.0, number=1) == [ABNORMAL_NUMBER]  # [A]


def test_the_inquirys_reply_was_lost_so_the_repeat_is_abnormal_and_a_new_number_is_answered(controller: Any) -> None:
    assert controller.tell(POWER, number=1) == ["90 50 02 ff"]
    assert controller.tell(POWER, number=1) == [ABNORMAL_NUMBER]  # [A]
    assert controller.tell(POWER, number=2) == ["90 50 02 ff"]


def test_the_error_was_lost_so_the_repeat_brings_the_error_again(controller: Any) -> None:
    focus = controller.focus_to(0x8000)
    assert controller.tell(focus, number=1) == ["90 61 41 ff"]
    assert controller.tell(focus, number=1) == ["90 61 41 ff"]  # [A]


def test_a_repeat_of_what_was_refused_is_performed_once_the_cause_is_cured(controller: Any) -> None:
    controller.tell(controller.go(0x2200, 0), number=1)
    controller.tell(controller.zoom_to(0x4000), number=2)
    assert controller.tell(HOME, number=3) == ["90 60 03 ff"]
    controller.listen(10.0)
    assert controller.tell(HOME, number=3) == ["90 41 ff"]


def test_a_refused_message_uses_its_number_up_if_the_controller_goes_on(controller: Any) -> None:
    assert controller.tell("81 01 7f 7f ff", number=1) == ["90 60 02 ff"]
    assert controller.tell(POWER, number=2) == ["90 50 02 ff"]


def test_after_the_greatest_number_comes_zero() -> None:
    numbers = SequenceNumbers()
    numbers.note(0xFFFFFFFF, performed=True)
    assert numbers.expected(0) and not numbers.expected(1)  # [A]


def test_a_second_controller_that_counts_for_itself_is_out_of_step(desk: Any) -> None:
    first, second = desk.controller("first"), desk.controller("second")
    for _ in range(3):
        assert first.tell(POWER) == ["90 50 02 ff"]
    assert second.tell(POWER) == [ABNORMAL_NUMBER]
    second.reset()
    assert second.tell(POWER) == ["90 50 02 ff"]
    assert first.tell(POWER) == [ABNORMAL_NUMBER]  # now the first is the stranger


def test_replies_go_to_whoever_asked_even_when_another_speaks_in_between(desk: Any) -> None:
    first, second = desk.controller("first"), desk.controller("second")
    first.tell(first.go(0x2200, 0), number=1)
    assert second.tell(POWER, number=2) == ["90 50 02 ff"]
    assert [heard.payload for heard in first.listen(10.0)] == ["90 51 ff"]


def test_whoever_moved_the_head_hears_that_another_took_it_over(desk: Any) -> None:
    first, second = desk.controller("first"), desk.controller("second")
    first.tell(first.go(0x2200, 0), seconds=0.5, number=1)
    assert second.tell(second.go(0, 0), seconds=10.0, number=2) == ["90 42 ff", "90 52 ff"]
    assert [heard.payload for heard in desk.heard["first"]] == ["90 41 ff", "90 61 04 ff"]


def test_a_move_that_another_cancels_ends_for_both(desk: Any) -> None:
    first, second = desk.controller("first"), desk.controller("second")
    first.tell(first.go(0x2200, 0), seconds=0.5, number=1)
    assert second.tell("81 21 ff", seconds=5.0, number=2) == ["90 61 04 ff"]
    assert [heard.payload for heard in desk.heard["first"]] == ["90 41 ff", "90 61 04 ff"]


def test_a_packet_whose_header_is_wrong_is_an_abnormal_message(controller: Any, desk: Any) -> None:
    wrong_length = bytes.fromhex("0100 0009 0000 0001 81 01 06 04 ff")
    unknown_type = bytes.fromhex("0fff 0005 0000 0001 81 01 06 04 ff")
    for datagram in (wrong_length, unknown_type):
        desk.camera.receive(datagram, "first", desk.now)
        (reply,) = controller.listen()
        assert (reply.payload, reply.number) == (ABNORMAL_MESSAGE, 1)  # [A]


def test_what_has_not_even_a_header_is_passed_over(controller: Any, desk: Any) -> None:
    for datagram in (b"", b"\x01", bytes(7)):
        desk.camera.receive(datagram, "first", desk.now)
    assert controller.listen() == []


def test_what_only_a_camera_says_is_an_abnormal_message(controller: Any) -> None:
    for kind in (0x0111, 0x0201):
        controller.send("90 41 ff", kind=kind, number=1)
        (reply,) = controller.listen()
        assert reply.payload == ABNORMAL_MESSAGE


def test_whatever_comes_a_camera_stays_of_use(make_desk: Any) -> None:
    desk = make_desk()

    @given(st.lists(st.binary(max_size=40), max_size=8))
    def check(datagrams: list[bytes]) -> None:
        for datagram in datagrams:
            desk.camera.receive(datagram, "stranger", desk.now)
        desk.pass_time(1.0)
        controller = desk.controller("first")
        assert [heard.payload for heard in controller.reset()] == ["01"]
        assert controller.tell("81 09 00 02 ff")[0].startswith("90 50")

    check()


def test_whatever_command_comes_a_camera_answers_each_with_one_first_reply(make_desk: Any) -> None:
    desk = make_desk()
    heads = st.sampled_from([b"\x81\x01\x06", b"\x81\x01\x04", b"\x81\x01\x7e", b"\x81\x09", b"\x81", b""])
    messages = st.builds(lambda head, rest: head + rest + b"\xff", heads, st.binary(max_size=10))

    @given(messages)
    def check(message: bytes) -> None:
        controller = desk.controller("first")
        controller.reset()
        number = controller.send(message.hex(), kind=0x0100)
        first = next(heard for heard in controller.listen() if heard.number == number)
        assert first.payload[:4] in ("90 4", "90 5", "90 6")

    check()


def test_a_unit_that_does_not_look_at_numbers_performs_whatever_comes_as_often_as_it_comes(make_desk: Any) -> None:
    controller = make_desk(habits=Habits(numbers="any")).controller()
    for number in (1, 1, 7, 3):
        assert controller.tell(POWER, number=number) == ["90 50 02 ff"]
