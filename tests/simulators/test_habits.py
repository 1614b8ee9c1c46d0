"""What the protocol leaves open, camera by camera, and what may go wrong with a camera that runs.

Byte for byte as in test_wire.py: [A] SRG-300H technical manual, "Command list"; [B] the same, "Execution command list
(4/4)"; [E] LUMiO 12x VISCA command list; [F] FCB-EH4300 VISCA reference. What habits there are is assumed.
"""

from __future__ import annotations

import random
from typing import Any, Literal

import pytest
from ptzsim import Habits, draw_habits

from ptzd.visca import PanTiltAbsolute, PanTiltDrive

PAN_TILT_STOP = "81 01 06 01 01 01 03 03 ff"  # [B]
ZOOM_STOP = "81 01 04 07 00 ff"  # [E]
FOCUS_STOP = "81 01 04 08 00 ff"  # [E]
DRIVE_RIGHT = "81 01 06 01 18 12 02 03 ff"  # [B]
DRIVE_LEFT = "81 01 06 01 18 12 01 03 ff"  # [B]
FOCUS_MANUAL = "81 01 04 38 03 ff"  # [A]
VERSION = "81 09 00 02 ff"  # [F]
REPLY_SECONDS = 0.02  # the longest that a message waits for its turn


def pan_speed(desk: Any) -> float:
    return abs(float(desk.camera.head.pan_deg_per_s(desk.now)))


@pytest.mark.parametrize("sockets", [1, 2, 3])
def test_a_camera_holds_as_many_commands_as_its_version_says(make_desk: Any, sockets: int) -> None:
    controller = make_desk(habits=Habits(sockets=sockets)).controller()
    assert bytes.fromhex(controller.ask(VERSION))[8] == sockets  # [F]
    controller.tell(FOCUS_MANUAL)
    orders = [controller.go(0x2200, 0), controller.zoom_to(0x4000), controller.focus_to(0x8000)]
    replies = [controller.tell(order, seconds=0.02) for order in [*orders, PAN_TILT_STOP]]
    assert replies[:sockets] == [[f"90 4{socket} ff"] for socket in range(1, sockets + 1)]
    assert replies[sockets] == ["90 60 03 ff"]  # [A]


def test_a_slow_stop_is_acknowledged_at_once_and_takes_effect_later(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(stop_seconds=0.07))
    controller = desk.controller()
    controller.tell(DRIVE_RIGHT, seconds=1.2)
    cruising = pan_speed(desk)
    assert cruising > 100  # step 24 is 120°/s, ± 5 %
    told_at = desk.now
    controller.send(PAN_TILT_STOP)
    (ack,) = controller.listen(0.05)
    assert ack.payload == "90 41 ff"
    assert pan_speed(desk) == pytest.approx(cruising)
    (completion,) = controller.listen(0.05)
    assert completion.payload == "90 51 ff"
    assert 0.07 <= completion.at - ack.at <= 0.0701
    assert completion.at - told_at <= 0.07 + REPLY_SECONDS
    desk.pass_time(120 * 1.05 / (120 * 0.95))  # as long as any unit brakes
    assert pan_speed(desk) == 0


def test_three_slow_stops_find_two_sockets_and_the_third_a_full_buffer(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(stop_seconds=0.07))
    controller = desk.controller()
    controller.tell(FOCUS_MANUAL)
    for order in (PAN_TILT_STOP, ZOOM_STOP, FOCUS_STOP):
        controller.send(order)
    assert [heard.payload for heard in controller.listen(0.03)] == ["90 41 ff", "90 42 ff", "90 60 03 ff"]  # [A]


def test_a_slow_stop_that_is_cancelled_never_stops_anything(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(stop_seconds=0.07))
    controller = desk.controller()
    controller.tell(DRIVE_RIGHT, seconds=0.5)
    assert controller.tell(PAN_TILT_STOP, seconds=0.03) == ["90 41 ff"]
    assert controller.tell("81 21 ff", seconds=0.5) == ["90 61 04 ff"]  # [A]
    assert pan_speed(desk) > 90


def test_a_slow_stop_that_a_newer_drive_overtakes_never_stops_it(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(stop_seconds=0.1))
    controller = desk.controller()
    controller.tell(DRIVE_RIGHT, seconds=0.5)
    controller.tell(PAN_TILT_STOP, seconds=0.03)
    assert sorted(controller.tell(DRIVE_LEFT, seconds=2.0)) == ["90 42 ff", "90 52 ff", "90 61 04 ff"]
    assert desk.camera.head.pan_deg_per_s(desk.now) < -90


def test_a_slow_stop_ends_a_move_when_it_takes_effect(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(stop_seconds=0.07))
    controller = desk.controller()
    controller.tell(controller.go(0x2200, 0), seconds=0.5)
    assert controller.tell(PAN_TILT_STOP, seconds=0.05) == ["90 42 ff"]
    assert sorted(heard.payload for heard in controller.listen(0.1)) == ["90 52 ff", "90 61 04 ff"]
    desk.pass_time(1.2)
    assert pan_speed(desk) == 0
    assert 0 < controller.pan_tilt()[0] < 0x2200


def renewed(make_desk: Any, renewal: Literal["smooth", "stops", "refused"]) -> tuple[Any, Any, list[float], list[str]]:
    """A head on its way to the right is sent to the left and up; its pan speeds from then on, and what it said."""
    desk = make_desk(habits=Habits(renewal=renewal))
    controller = desk.controller()
    controller.tell(controller.go(0x2200, 0), seconds=0.8)
    controller.send(controller.go(-0x0400, 0x0200))
    speeds = []
    for _ in range(1000):
        desk.pass_time(0.005)
        speeds.append(desk.camera.head.pan_deg_per_s(desk.now))
    return desk, controller, speeds, [heard.payload for heard in desk.heard["first"]]


def test_a_head_that_goes_on_smoothly_starts_upwards_while_it_still_brakes_its_pan(make_desk: Any) -> None:
    desk, controller, _, said = renewed(make_desk, "smooth")
    assert desk.camera.head.tilt_deg(0.9) > 0.1
    assert desk.camera.head.pan_deg_per_s(0.9) > 0
    assert controller.pan_tilt() == (-0x0400, 0x0200)
    assert said == ["90 41 ff", "90 61 04 ff", "90 42 ff", "90 52 ff"]


def test_a_head_that_stops_first_starts_neither_axis_before_both_rest(make_desk: Any) -> None:
    desk, controller, speeds, said = renewed(make_desk, "stops")
    still = next(index for index, speed in enumerate(speeds) if speed <= 0)
    at = 0.8 + 0.005 * still
    assert desk.camera.head.tilt_deg(at) == pytest.approx(0, abs=0.01)
    assert desk.camera.head.tilt_deg(at + 0.3) > 1
    assert controller.pan_tilt() == (-0x0400, 0x0200)
    assert said == ["90 41 ff", "90 61 04 ff", "90 42 ff", "90 52 ff"]


def test_a_head_that_comes_to_rest_first_does_so_on_its_own_way_too(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(renewal="stops"))
    controller = desk.controller()
    controller.tell(controller.go(0x1000, 0), seconds=0.8)
    controller.send(controller.go(0x2200, 0))
    slowest = 999.0
    for _ in range(200):
        desk.pass_time(0.005)
        slowest = min(slowest, pan_speed(desk))
    assert slowest < 1
    desk.pass_time(5)
    assert controller.pan_tilt() == (0x2200, 0)


def test_a_head_that_refuses_a_newer_target_goes_on_to_its_own_until_it_rests(make_desk: Any) -> None:
    _, controller, _, said = renewed(make_desk, "refused")
    assert said[:2] == ["90 41 ff", "90 62 41 ff"]  # [A]
    assert controller.pan_tilt() == (0x2200, 0)
    assert controller.tell(controller.go(-0x0400, 0x0200), seconds=20.0) == ["90 41 ff", "90 51 ff"]
    assert controller.pan_tilt() == (-0x0400, 0x0200)


def test_a_head_that_refuses_a_newer_target_takes_a_drive_and_a_stop(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(renewal="refused"))
    controller = desk.controller()
    controller.tell(controller.go(0x2200, 0), seconds=0.5)
    assert "90 42 ff" in controller.tell(DRIVE_LEFT, seconds=1.5)
    assert desk.camera.head.pan_deg_per_s(desk.now) < 0
    assert controller.tell(PAN_TILT_STOP, seconds=2.0) == ["90 41 ff", "90 51 ff"]
    assert pan_speed(desk) == 0


def test_an_overtaken_move_may_be_told_as_completed(make_desk: Any) -> None:
    controller = make_desk(habits=Habits(overtaken="completed")).controller()
    older = controller.send(controller.go(0x2200, 0))
    controller.listen(0.5)
    newer = controller.send(controller.go(-0x0400, 0))
    heard = [(each.number, each.payload) for each in controller.listen(20.0)]
    assert sorted(heard[:2]) == [(older, "90 51 ff"), (newer, "90 42 ff")]
    assert heard[2:] == [(newer, "90 52 ff")]


def test_an_overtaken_move_may_keep_its_socket_until_the_head_rests(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(overtaken="kept"))
    controller = desk.controller()
    older = controller.send(controller.go(0x2200, 0))
    controller.listen(0.5)
    assert controller.tell(controller.go(-0x0400, 0)) == ["90 42 ff"]
    assert controller.tell(controller.go(0x0800, 0)) == ["90 60 03 ff"]  # [A]
    ends_at = desk.camera.head.ends_at
    heard = controller.listen(20.0)
    assert sorted(each.payload for each in heard) == ["90 51 ff", "90 52 ff"]
    (kept,) = (each for each in heard if each.number == older)
    assert kept.at == pytest.approx(ends_at)


def test_a_move_that_is_kept_ends_when_a_stop_brings_the_head_to_rest(make_desk: Any) -> None:
    desk = make_desk(habits=Habits(overtaken="kept"))
    controller = desk.controller()
    controller.tell(controller.go(0x2200, 0), seconds=0.8)
    assert controller.tell(PAN_TILT_STOP, seconds=0.03) == ["90 42 ff", "90 52 ff"]
    (completion,) = controller.listen(2.0)
    assert completion.payload == "90 51 ff"
    assert completion.at == pytest.approx(desk.camera.head.ends_at)


@pytest.mark.parametrize(("cancel_reply", "by"), [("to-cancel", "cancel"), ("to-cancelled", "move"), ("none", None)])
def test_the_end_of_a_cancelled_move_is_told_under_either_number_or_under_none(
    make_desk: Any, cancel_reply: Literal["to-cancel", "to-cancelled", "none"], by: str | None
) -> None:
    desk = make_desk(habits=Habits(cancel_reply=cancel_reply))
    controller = desk.controller()
    numbers = {"move": controller.send(controller.go(0x2200, 0))}
    controller.listen(0.5)
    numbers["cancel"] = controller.send("81 21 ff")
    heard = [(each.number, each.payload) for each in controller.listen(2.0)]
    assert heard == ([] if by is None else [(numbers[by], "90 61 04 ff")])
    assert pan_speed(desk) == 0


def test_units_are_drawn_from_everything_that_a_camera_may_do() -> None:
    drawn = [draw_habits(random.Random(seed)) for seed in range(200)]
    assert {each.sockets for each in drawn} == {1, 2, 3}
    assert {each.renewal for each in drawn} == {"smooth", "stops", "refused"}
    assert {each.overtaken for each in drawn} == {"cancelled", "completed", "kept"}
    assert {each.cancel_reply for each in drawn} == {"to-cancel", "to-cancelled", "none"}
    slow = [each.stop_seconds for each in drawn if each.stop_seconds]
    assert 0.02 <= min(slow) < 0.03 and 0.09 < max(slow) <= 0.10
    assert len(slow) < 150
    assert drawn[7] == draw_habits(random.Random(7))


# What may go wrong


def test_a_camera_that_refuses_stops_drives_on_until_it_takes_one(controller: Any, desk: Any) -> None:
    controller.tell(DRIVE_RIGHT, seconds=0.5)
    desk.camera.refuses_stops_until = desk.now + 0.2
    assert controller.tell(PAN_TILT_STOP) == ["90 61 41 ff"]  # [A]
    assert controller.tell(ZOOM_STOP, seconds=0.15) == ["90 61 41 ff"]
    assert pan_speed(desk) > 80
    assert controller.tell(PAN_TILT_STOP, seconds=1.5) == ["90 41 ff", "90 51 ff"]
    assert pan_speed(desk) == 0


def test_a_camera_that_refuses_stops_refuses_to_cancel_a_move_as_well(controller: Any, desk: Any) -> None:
    controller.tell(controller.go(0x2200, 0), seconds=0.5)
    desk.camera.refuses_stops_until = desk.now + 0.2
    assert controller.tell("81 21 ff") == ["90 61 41 ff"]
    assert controller.tell("81 01 00 01 ff") == ["90 60 41 ff"]
    assert [heard.payload for heard in controller.listen(10.0)] == ["90 51 ff"]
    assert controller.pan_tilt() == (0x2200, 0)


@pytest.mark.parametrize("habits", [Habits(), Habits(stop_seconds=0.05)])
def test_a_camera_that_ignores_stops_confirms_them_and_drives_on(make_desk: Any, habits: Habits) -> None:
    desk = make_desk(habits=habits)
    controller = desk.controller()
    controller.tell(DRIVE_RIGHT, seconds=0.5)
    desk.camera.ignores_stops_until = desk.now + 0.5
    assert controller.tell(PAN_TILT_STOP, seconds=0.6) == ["90 41 ff", "90 51 ff"]
    assert pan_speed(desk) > 100
    assert controller.tell(PAN_TILT_STOP, seconds=1.5) == ["90 41 ff", "90 51 ff"]
    assert pan_speed(desk) == 0


def test_a_camera_that_ignores_stops_says_that_a_move_is_cancelled_and_goes_on(controller: Any, desk: Any) -> None:
    controller.tell(controller.go(0x2200, 0), seconds=0.5)
    desk.camera.ignores_stops_until = desk.now + 0.5
    assert controller.tell("81 21 ff", seconds=5.0) == ["90 61 04 ff"]
    assert controller.pan_tilt() == (0x2200, 0)


def test_a_silent_camera_hears_and_says_nothing_and_drives_on(controller: Any, desk: Any) -> None:
    controller.tell(DRIVE_RIGHT, seconds=0.3)
    controller.tell(controller.zoom_to(0x0400), seconds=0.01)
    desk.camera.silent_until = desk.now + 0.5
    assert controller.tell(PAN_TILT_STOP, seconds=0.5) == []
    assert pan_speed(desk) > 80
    controller.number -= 1  # it has not heard the stop
    assert controller.tell(PAN_TILT_STOP, seconds=1.5)[-2:] == ["90 41 ff", "90 51 ff"]
    assert pan_speed(desk) == 0


def test_somebody_else_moves_a_head_without_using_a_number(controller: Any, desk: Any) -> None:
    controller.ask("81 09 04 00 ff")
    desk.camera.moved_by_another(PanTiltDrive(24, 18, 1, 0), desk.now)
    assert controller.pan_tilt()[0] < controller.pan_tilt()[0]
    desk.camera.moved_by_another(PanTiltAbsolute(0x0400, 0x0200, 24, 18), desk.now)
    desk.pass_time(5)
    assert controller.pan_tilt() == (0x0400, 0x0200)


def test_somebody_else_takes_the_head_away_from_a_move(controller: Any, desk: Any) -> None:
    older = controller.send(controller.go(0x2200, 0))
    controller.listen(0.5)
    desk.camera.moved_by_another(PanTiltAbsolute(0, 0, 24, 18), desk.now)
    controller.send("81 09 04 00 ff")
    assert (older, "90 61 04 ff") in [(heard.number, heard.payload) for heard in controller.listen(10.0)]
    assert controller.pan_tilt() == (0, 0)
