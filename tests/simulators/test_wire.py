"""What a simulated camera says on the wire, byte for byte.

Sources of protocol.md beside each check: [A] SRG-300H technical manual, chapters "VISCA over IP" and "Command list";
[B] the same, "Execution command list (4/4)"; [C] SRG-X400 command list, "Pan tilt"; [D] TLC-700-S user manual;
[E] LUMiO 12x VISCA command list; [F] FCB-EH4300 VISCA reference; [H] EVI-D80 technical manual, "Pan/tilt status code
list" and "Pan/tilt position".
"""

from __future__ import annotations

from typing import Any

import pytest

PAN_TILT_STOP = "81 01 06 01 01 01 03 03 ff"  # [B, C]
DRIVE_RIGHT = "81 01 06 01 18 12 02 03 ff"  # [B, C]
HOME = "81 01 06 04 ff"  # [B, C]
FOCUS_MANUAL = "81 01 04 38 03 ff"  # [A]


def test_a_command_is_acknowledged_in_a_socket_and_completed_in_the_same(controller: Any) -> None:
    replies = controller.tell(controller.go(0x0400, 0x0200), seconds=10.0)
    assert replies == ["90 41 ff", "90 51 ff"]  # [A]


def test_each_reply_carries_the_number_of_its_message(controller: Any) -> None:
    number = controller.send(controller.go(0x0400, 0x0200))
    assert [(heard.number, heard.kind) for heard in controller.listen(10.0)] == [(number, 0x0111)] * 2  # [A]


def test_the_completion_comes_when_the_head_has_ended_and_not_before(controller: Any, desk: Any) -> None:
    controller.send(controller.go(0x2200, 0))
    controller.listen()
    end = desk.camera.head.ends_at
    (completion,) = controller.listen(10.0)
    assert completion.payload == "90 51 ff"
    assert end <= completion.at <= end + 0.02


def test_two_commands_run_side_by_side_in_two_sockets(controller: Any) -> None:
    assert controller.tell(controller.go(0x2200, 0)) == ["90 41 ff"]  # [A]
    assert controller.tell(controller.zoom_to(0x4000)) == ["90 42 ff"]
    endings = [heard.payload for heard in controller.listen(20.0)]
    assert sorted(endings) == ["90 51 ff", "90 52 ff"]


def test_a_third_command_finds_the_buffer_full(controller: Any) -> None:
    controller.tell(FOCUS_MANUAL)
    controller.tell(controller.go(0x2200, 0))
    controller.tell(controller.zoom_to(0x4000))
    assert controller.tell(controller.focus_to(0x8000)) == ["90 60 03 ff"]  # [A]
    assert controller.tell(PAN_TILT_STOP) == ["90 60 03 ff"]
    controller.listen(20.0)
    assert controller.tell(controller.focus_to(0x8000)) == ["90 41 ff"]


def test_inquiries_are_answered_though_both_sockets_are_busy_and_use_none(controller: Any) -> None:
    controller.tell(controller.go(0x2200, 0))
    controller.tell(controller.zoom_to(0x4000))
    assert controller.ask("81 09 04 00 ff") == "90 50 02 ff"  # [E]


def test_a_cancelled_command_stops_its_motor_and_never_completes(controller: Any, desk: Any) -> None:
    controller.tell(controller.go(0x2200, 0), seconds=1.0)
    assert controller.tell("81 21 ff") == ["90 61 04 ff"]  # [A]
    assert controller.listen(3.0) == []
    assert not desk.camera.head.moving(desk.now)
    assert 0 < controller.pan_tilt()[0] < 0x2200


@pytest.mark.parametrize("socket", [1, 2])
def test_there_is_nothing_to_cancel_in_an_empty_socket(controller: Any, socket: int) -> None:
    assert controller.tell(f"81 2{socket} ff") == [f"90 6{socket} 05 ff"]  # [A]


def test_a_command_that_has_ended_can_not_be_cancelled(controller: Any) -> None:
    controller.tell(controller.go(0x0100, 0), seconds=10.0)
    assert controller.tell("81 21 ff") == ["90 61 05 ff"]  # [A]


def test_clear_empties_both_sockets_without_an_ack(controller: Any) -> None:
    controller.tell(controller.go(0x2200, 0))
    controller.tell(controller.zoom_to(0x4000))
    assert controller.tell("81 01 00 01 ff", seconds=20.0) == ["90 50 ff"]  # [A]
    assert controller.tell(controller.zoom_to(0)) == ["90 41 ff"]


@pytest.mark.parametrize(
    "message",
    [
        "81 01 06 02 00 12 00 00 00 00 00 00 00 00 ff",  # pan speed 0; 01 to 18 exist [B]
        "81 01 06 02 19 12 00 00 00 00 00 00 00 00 ff",  # pan speed 19 [B]
        "81 01 06 02 18 12 00 00 00 00 00 00 00 ff",  # a nibble short [B]
        "81 01 06 02 18 12 10 00 00 00 00 00 00 00 ff",  # 10 is no nibble
        "81 01 04 07 28 ff",  # zoom speed 8; 0 to 7 exist [E]
        "81 01 7f 7f ff",
        "82 01 06 04 ff",  # over IP the address is always 1 [A]
        "81 01 06 04",
    ],
)
def test_what_is_no_command_is_a_syntax_error(controller: Any, desk: Any, message: str) -> None:
    assert controller.tell(message) == ["90 60 02 ff"]  # [A]
    assert not desk.camera.head.moving(desk.now)


def test_an_unknown_inquiry_is_a_syntax_error(controller: Any) -> None:
    assert controller.ask("81 09 7f 7f ff") == "90 60 02 ff"  # [A]


def test_a_drive_completes_at_once_and_the_head_goes_on_until_it_is_stopped(controller: Any, desk: Any) -> None:
    assert controller.tell(DRIVE_RIGHT) == ["90 41 ff", "90 51 ff"]
    here = controller.pan_tilt()[0]
    assert controller.pan_tilt()[0] > here
    assert controller.tell(PAN_TILT_STOP, seconds=2.0) == ["90 41 ff", "90 51 ff"]
    stopped = controller.pan_tilt()
    desk.pass_time(5.0)
    assert controller.pan_tilt() == stopped


def test_the_position_is_told_in_mid_move(controller: Any, desk: Any) -> None:
    controller.tell(controller.go(0x2200, 0, pan_speed=0x0C), seconds=5.0)  # step 12 is 6°/s [D]
    controller.send("81 09 06 12 ff")
    (answer,) = controller.listen()
    pan, _ = controller.read_pan_tilt(answer.payload)
    assert pan == pytest.approx(desk.camera.head.pan_deg(answer.at) * 51.2, abs=0.6)
    assert 0.93 * 6 * 5 * 51.2 < pan < 1.07 * 6 * 5 * 51.2


def test_a_newer_move_takes_the_head_over_and_the_older_ends_as_cancelled(controller: Any) -> None:
    older = controller.send(controller.go(0x2200, 0))
    controller.listen(0.5)
    newer = controller.send(controller.go(-0x0400, 0x0200))
    heard = [(each.number, each.payload) for each in controller.listen(20.0)]
    assert sorted(heard[:2]) == [(older, "90 61 04 ff"), (newer, "90 42 ff")]
    assert heard[2:] == [(newer, "90 52 ff")]
    assert controller.pan_tilt() == (-0x0400, 0x0200)


def test_a_stop_takes_the_head_over_too(controller: Any) -> None:
    controller.tell(controller.go(0x2200, 0), seconds=0.5)
    replies = controller.tell(PAN_TILT_STOP, seconds=5.0)
    assert sorted(replies) == ["90 42 ff", "90 52 ff", "90 61 04 ff"]


def test_a_move_of_the_head_leaves_the_zoom_alone(controller: Any) -> None:
    controller.tell(controller.zoom_to(0x4000))
    controller.tell(controller.go(0x0100, 0), seconds=10.0)
    assert controller.zoom() == 0x4000


def test_a_relative_move_goes_so_far_from_here(controller: Any) -> None:
    controller.tell(controller.go(0x0100, 0x0080), seconds=10.0)
    controller.tell("81 01 06 03 18 12 00 01 00 00 0f 0f 0c 00 ff", seconds=10.0)  # +0100, -0040 [B, C]
    assert controller.pan_tilt() == (0x0200, 0x0040)


def test_home_is_at_zero(controller: Any) -> None:
    controller.tell(controller.go(0x0500, 0x0300), seconds=10.0)
    assert controller.tell(HOME, seconds=10.0) == ["90 41 ff", "90 51 ff"]
    assert controller.pan_tilt() == (0, 0)


def test_manual_focus_commands_are_refused_in_auto_focus(controller: Any) -> None:
    assert controller.tell(controller.focus_to(0x8000)) == ["90 61 41 ff"]  # [A]
    assert controller.ask("81 09 04 38 ff") == "90 50 02 ff"  # [E]
    assert controller.tell(FOCUS_MANUAL) == ["90 41 ff", "90 51 ff"]
    assert controller.ask("81 09 04 38 ff") == "90 50 03 ff"  # [E]
    assert controller.tell(controller.focus_to(0x8000), seconds=10.0) == ["90 41 ff", "90 51 ff"]
    assert controller.focus() == 0x8000


def test_zoom_and_focus_go_at_once_in_one_socket(controller: Any) -> None:
    controller.tell(FOCUS_MANUAL)
    both = "81 01 04 47 02 07 05 02 05 00 00 00 ff"  # zoom 2752, focus 5000 [E]
    assert controller.tell(both, seconds=10.0) == ["90 41 ff", "90 51 ff"]
    assert (controller.zoom(), controller.focus()) == (0x2752, 0x5000)


def test_one_push_focuses_once_and_stays_in_manual(controller: Any, desk: Any) -> None:
    controller.tell(FOCUS_MANUAL)
    controller.tell(controller.focus_to(0x8000), seconds=10.0)
    desk.camera.lens.scene = lambda pan_deg, tilt_deg, zoom_counts: 0x6123
    controller.tell("81 01 04 18 01 ff", seconds=10.0)  # from memory
    assert controller.focus() == 0x6123
    assert controller.ask("81 09 04 38 ff") == "90 50 03 ff"


def test_the_version_says_two_sockets(controller: Any) -> None:
    answer = bytes.fromhex(controller.ask("81 09 00 02 ff"))
    assert len(answer) == 10 and answer[:2] == b"\x90\x50" and answer[8] == 2  # [F]


@pytest.mark.parametrize(
    ("dialect", "fastest"),
    [
        ("nibble4-51", "90 50 18 17 ff"),  # VV to 18, WW to 17 [B]
        ("nibble4-14", "90 50 18 12 ff"),  # pan 0..24, tilt 0..18 [D]
    ],
)
def test_the_fastest_speeds_are_the_ends_of_the_table(make_desk: Any, dialect: str, fastest: str) -> None:
    assert make_desk(dialect).controller().ask("81 09 06 11 ff") == fastest  # [D]


@pytest.mark.parametrize(
    ("dialect", "right_up", "left_down"),
    [
        ("nibble4-51", "90 50 02 02 00 00 01 02 00 00 ff", "90 50 0d 0e 00 00 0f 0c 00 00 ff"),  # [B]
        ("nibble4-45", "90 50 01 0e 01 0b 00 0f 0f 00 ff", "90 50 0e 01 0e 05 0f 0c 07 05 ff"),  # [H]
        ("nibble4-14", "90 50 00 09 09 00 00 05 01 00 ff", "90 50 0f 06 07 00 0f 0e 05 00 ff"),  # [D]
    ],
)
def test_the_ends_of_the_range_are_the_published_counts(
    make_desk: Any, dialect: str, right_up: str, left_down: str
) -> None:
    controller = make_desk(dialect).controller()
    controller.tell("81 01 06 01 18 12 02 01 ff", seconds=30.0)  # drive right and up
    assert controller.ask("81 09 06 12 ff") == right_up
    controller.tell("81 01 06 01 18 12 01 02 ff", seconds=30.0)  # drive left and down
    assert controller.ask("81 09 06 12 ff") == left_down


def test_the_status_word_tells_of_start_up_movement_and_ends(make_desk: Any) -> None:
    controller = make_desk(ready=False).controller()
    assert controller.status() >> 12 & 3 == 0b01  # initialising [H]
    controller.listen(26.0)
    assert controller.status() == 0b10 << 12  # done; no movement asked for; at no end [H]
    controller.tell("81 01 06 01 18 12 01 01 ff")  # drive left and up
    assert controller.status() >> 10 & 3 == 0b01  # under way [H]
    controller.listen(30.0)
    assert controller.status() == 0b10 << 12 | 0b10 << 10 | 1 << 2 | 1 << 0  # completed; up end, left end [H]
    controller.tell("81 01 06 01 18 12 02 02 ff", seconds=30.0)  # drive right and down
    assert controller.status() == 0b10 << 12 | 0b10 << 10 | 1 << 3 | 1 << 1  # down end, right end [H]
    controller.tell(HOME, seconds=30.0)
    assert controller.status() & 0xF == 0


def test_a_lost_position_shows_in_the_status_word(controller: Any, desk: Any) -> None:
    desk.camera.head.pan_fault = True
    assert controller.status() >> 4 & 3 == 0b01  # [H]
    desk.camera.head.tilt_fault = True
    assert controller.status() >> 8 & 3 == 0b01  # [H]


def test_a_target_beyond_an_end_means_that_end(controller: Any) -> None:
    assert controller.tell(controller.go(0x3000, 0x2000), seconds=30.0) == ["90 41 ff", "90 51 ff"]
    assert controller.pan_tilt() == (0x2200, 0x1200)  # [B]
    assert controller.status() & 0xF == 0b0110  # up end, right end [H]


def test_a_limit_that_was_set_is_an_end_until_it_is_cleared(controller: Any) -> None:
    controller.tell("81 01 06 07 00 01 00 04 00 00 00 02 00 00 ff")  # up-right: 0400, 0200 [B]
    controller.tell("81 01 06 07 00 00 0f 0c 00 00 0f 0f 00 00 ff")  # down-left: FC00, FF00 [B]
    controller.tell(controller.go(0x2000, 0x1000), seconds=20.0)
    assert controller.pan_tilt() == (0x0400, 0x0200)
    controller.tell(controller.go(-0x2000, -0x0400), seconds=20.0)
    assert controller.pan_tilt() == (-0x0400, -0x0100)
    controller.tell("81 01 06 07 01 01 07 0f 0f 0f 07 0f 0f 0f ff")  # clear [B]
    controller.tell("81 01 06 07 01 00 07 0f 0f 0f 07 0f 0f 0f ff")
    controller.tell(controller.go(0x2000, 0x1000), seconds=20.0)
    assert controller.pan_tilt() == (0x2000, 0x1000)


def test_one_shared_speed_moves_each_axis_at_the_step_of_that_number(make_desk: Any) -> None:
    desk = make_desk("shared4-51")
    controller = desk.controller()
    message = "81 01 06 02 10 00 00 08 00 00 00 08 00 00 ff"  # step 16 [C]
    assert controller.tell(message, seconds=1.0) == ["90 41 ff"]
    dialect = desk.camera.dialect
    assert desk.camera.head.pan_deg_per_s(1.0) == pytest.approx(dialect.pan.steps_deg_per_s[15], rel=0.05)
    assert desk.camera.head.tilt_deg_per_s(1.0) == pytest.approx(dialect.tilt.steps_deg_per_s[15], rel=0.05)
    controller.listen(10.0)
    assert controller.pan_tilt() == (0x0800, 0x0800)


def test_a_wide_pan_field_has_five_nibbles(make_desk: Any) -> None:
    controller = make_desk("shared5-205").controller()
    controller.tell("81 01 06 02 18 00 0f 0e 00 00 00 00 01 00 00 ff", seconds=10.0)  # from memory
    assert controller.ask("81 09 06 12 ff") == "90 50 0f 0e 00 00 00 00 01 00 00 ff"  # from memory


def test_ramp_curve_and_slow_mode_make_a_head_slower(make_desk: Any) -> None:
    def seconds(*before: str) -> float:
        desk = make_desk("shared4-51")
        controller = desk.controller()
        for message in before:
            assert controller.tell(message) == ["90 41 ff", "90 51 ff"]
        start = desk.now
        controller.tell("81 01 06 02 18 00 02 00 00 00 00 00 00 00 ff")
        return float(desk.camera.head.ends_at - start)

    sharp = seconds("81 01 06 31 01 ff")  # [C]
    assert sharp == pytest.approx(seconds(), abs=0.05)  # 1, the sharpest, is how it wakes up
    assert seconds("81 01 06 31 03 ff") > sharp + 0.5
    assert seconds("81 01 06 44 02 ff") > 2 * sharp  # [C]
    assert seconds("81 01 06 44 02 ff", "81 01 06 44 03 ff") == pytest.approx(sharp, abs=0.05)


def test_whether_slow_mode_is_on_is_told(make_desk: Any) -> None:
    controller = make_desk("shared4-51").controller()
    told = [controller.ask("81 09 06 44 ff")]
    for switched in ("81 01 06 44 02 ff", "81 01 06 44 03 ff"):
        controller.tell(switched)
        told.append(controller.ask("81 09 06 44 ff"))
    assert told == ["90 50 03 ff", "90 50 02 ff", "90 50 03 ff"]  # from memory


def test_a_head_without_them_knows_neither_ramp_curves_nor_slow_mode(controller: Any) -> None:
    assert controller.tell("81 01 06 31 01 ff") == ["90 60 02 ff"]
    assert controller.tell("81 01 06 44 02 ff") == ["90 60 02 ff"]


def test_the_tally_lamp_goes_on_and_off(controller: Any, desk: Any) -> None:
    controller.tell("81 01 7e 01 0a 00 02 ff")  # from memory
    assert desk.camera.body.tally_lamp
    controller.tell("81 01 7e 01 0a 00 03 ff")
    assert not desk.camera.body.tally_lamp


def test_zoom_repeats_while_digital_zoom_is_off_and_not_while_it_is_on(controller: Any) -> None:
    def returns() -> list[int]:
        found = []
        for _ in range(4):
            controller.tell(controller.zoom_to(0x1000), seconds=5.0)
            controller.tell(controller.zoom_to(0x3000), seconds=5.0)
            found.append(controller.zoom())
        return found

    assert controller.ask("81 09 04 06 ff") == "90 50 03 ff"  # from memory
    assert returns() == [0x3000] * 4
    controller.tell("81 01 04 06 02 ff")  # from memory
    assert controller.ask("81 09 04 06 ff") == "90 50 02 ff"
    spoilt = returns()
    assert len(set(spoilt)) > 1 and all(0 < abs(counts - 0x3000) < 10 for counts in spoilt)
    controller.tell("81 01 04 06 03 ff")
    assert returns() == [0x3000] * 4


def test_messages_are_answered_after_a_few_milliseconds_that_wander(controller: Any, desk: Any) -> None:
    delays = []
    for _ in range(200):
        sent_at = desk.now
        controller.send("81 09 04 00 ff")
        (answer,) = controller.listen()
        delays.append(answer.at - sent_at)
    assert min(delays) >= 0.003 and max(delays) <= 0.020
    assert max(delays) - min(delays) > 0.003


def test_messages_are_answered_in_the_order_in_which_they_came(controller: Any) -> None:
    sent = [controller.send("81 09 04 00 ff") for _ in range(50)]
    assert [heard.number for heard in controller.listen()] == sent
