"""Start-up, standby, and the camera's own memories.

[A], [E], [H]: SRG-300H technical manual; LUMiO 12x VISCA command list; EVI-D80 technical manual. Memory commands are
from memory, as protocol.md marks them.
"""

from __future__ import annotations

from typing import Any

import pytest

STANDBY, ON = "81 01 04 00 03 ff", "81 01 04 00 02 ff"  # [A]
POWER = "81 09 04 00 ff"  # [E]
RESET_HEAD = "81 01 06 05 ff"  # [B, C]


@pytest.mark.parametrize(
    "message",
    [
        "81 01 06 04 ff",
        "81 01 06 05 ff",
        "81 01 06 01 18 12 02 03 ff",
        "81 01 06 02 18 12 00 01 00 00 00 00 00 00 ff",
        "81 01 04 47 02 00 00 00 ff",
        "81 01 04 3f 02 00 ff",
    ],
)
def test_no_motor_can_be_told_anything_while_the_head_initialises(make_desk: Any, message: str) -> None:
    controller = make_desk(ready=False).controller()
    assert controller.tell(message) == ["90 61 41 ff"]  # [A]
    controller.listen(26.0)
    assert controller.status() >> 12 & 3 == 0b10  # [H]


def test_inquiries_are_answered_during_start_up(make_desk: Any) -> None:
    controller = make_desk(ready=False).controller()
    places = []
    for _ in range(27):
        places.append(controller.pan_tilt()[0])
        controller.listen(0.9)
    assert min(places) < -0x1000 and max(places) > 0x1000
    assert places[-1] == 0


def test_after_start_up_moves_are_taken(make_desk: Any) -> None:
    controller = make_desk(ready=False).controller()
    controller.listen(26.0)
    assert controller.tell(controller.go(0x0400, 0), seconds=10.0) == ["90 41 ff", "90 51 ff"]


def test_in_standby_a_camera_only_says_that_it_is_in_standby(controller: Any) -> None:
    assert controller.ask(POWER) == "90 50 02 ff"  # [E]
    assert controller.tell(STANDBY) == ["90 41 ff", "90 51 ff"]
    assert controller.ask(POWER) == "90 50 03 ff"  # [E]
    assert controller.ask("81 09 06 12 ff") == "90 60 41 ff"
    assert controller.tell("81 01 06 04 ff") == ["90 61 41 ff"]


def test_standby_ends_what_runs(controller: Any, desk: Any) -> None:
    moving = controller.send(controller.go(0x2200, 0))
    controller.listen(0.5)
    controller.send(STANDBY)
    assert (moving, "90 61 04 ff") in [(heard.number, heard.payload) for heard in controller.listen(5.0)]
    assert not desk.camera.head.moving(desk.now)


def test_switching_on_sweeps_the_head_and_ends_at_home(controller: Any, desk: Any) -> None:
    controller.tell(controller.go(0x0400, 0x0200), seconds=5.0)
    controller.tell(STANDBY)
    switched_on = desk.now
    assert controller.tell(ON) == ["90 41 ff", "90 51 ff"]
    assert controller.ask(POWER) == "90 50 02 ff"
    assert controller.status() >> 12 & 3 == 0b01  # [H]
    desk.pass_time(switched_on + 24.0 - desk.now)
    assert controller.status() >> 12 & 3 == 0b01
    desk.pass_time(2.5)
    assert controller.status() >> 12 & 3 == 0b10
    assert controller.pan_tilt() == (0, 0)


def test_a_head_that_is_switched_off_while_it_sweeps_stands_where_it_is(make_desk: Any) -> None:
    desk = make_desk(ready=False)
    desk.pass_time(3.0)
    assert desk.camera.head.moving(desk.now)
    desk.controller().tell(STANDBY, seconds=3.0)
    assert not desk.camera.head.moving(desk.now)


def test_switching_on_what_is_on_moves_nothing(controller: Any, desk: Any) -> None:
    controller.tell(ON)
    assert not desk.camera.head.moving(desk.now)
    assert controller.status() >> 12 & 3 == 0b10  # [H]


def test_resetting_the_head_sweeps_it_and_completes_when_it_is_home_again(controller: Any, desk: Any) -> None:
    assert controller.tell(RESET_HEAD, seconds=20.0) == ["90 41 ff"]
    assert controller.status() >> 12 & 3 == 0b01  # [H]
    assert [heard.payload for heard in controller.listen(10.0)] == ["90 51 ff"]
    assert controller.pan_tilt() == (0, 0)


def test_a_power_cut_forgets_what_ran_and_the_count_and_sweeps_the_head(controller: Any, desk: Any) -> None:
    controller.tell(controller.go(0x2200, 0), seconds=0.5)
    controller.tell(POWER)
    desk.camera.power_cut(desk.now)
    assert controller.listen(5.0) == []  # no completion
    (heard,) = controller.tell(POWER)  # the camera counts from 0 again
    assert heard == "0f 01"  # [A]
    controller.reset()
    assert controller.status() >> 12 & 3 == 0b01  # [H]


def test_a_memory_brings_head_zoom_and_focus_back(controller: Any) -> None:
    controller.tell("81 01 04 38 03 ff")
    controller.tell(controller.go(0x0400, 0x0200), seconds=10.0)
    controller.tell(controller.zoom_to(0x2752), seconds=10.0)
    controller.tell(controller.focus_to(0x5000), seconds=10.0)
    assert controller.tell("81 01 04 3f 01 07 ff") == ["90 41 ff", "90 51 ff"]
    controller.tell(controller.go(-0x1000, 0), seconds=10.0)
    controller.tell(controller.zoom_to(0), seconds=10.0)
    controller.tell(controller.focus_to(0x9000), seconds=10.0)
    assert controller.tell("81 01 04 3f 02 07 ff", seconds=20.0) == ["90 41 ff", "90 51 ff"]
    assert controller.pan_tilt() == (0x0400, 0x0200)
    assert (controller.zoom(), controller.focus()) == (0x2752, 0x5000)


def test_a_memory_in_auto_focus_comes_back_in_auto_focus(controller: Any) -> None:
    controller.tell("81 01 04 3f 01 00 ff")
    controller.tell("81 01 04 38 03 ff")
    controller.tell("81 01 04 3f 02 00 ff", seconds=10.0)
    assert controller.ask("81 09 04 38 ff") == "90 50 02 ff"  # [E]


def test_an_empty_memory_can_not_be_recalled(controller: Any) -> None:
    assert controller.tell("81 01 04 3f 02 05 ff") == ["90 61 41 ff"]
    controller.tell("81 01 04 3f 01 05 ff")
    controller.tell("81 01 04 3f 00 05 ff")
    assert controller.tell("81 01 04 3f 02 05 ff") == ["90 61 41 ff"]


def test_a_memory_recall_takes_head_and_lens_over(controller: Any) -> None:
    controller.tell("81 01 04 3f 01 01 ff")
    controller.tell(controller.go(0x2200, 0), seconds=0.5)
    replies = controller.tell("81 01 04 3f 02 01 ff", seconds=20.0)
    assert sorted(replies) == ["90 42 ff", "90 52 ff", "90 61 04 ff"]


def test_a_memory_is_recalled_at_the_speed_it_was_given(controller: Any, desk: Any) -> None:
    controller.tell("81 01 04 3f 01 03 ff")
    controller.tell(controller.go(0x0600, 0), seconds=10.0)
    controller.tell("81 01 7e 01 0b 03 0c ff")  # step 12, which is 6°/s (TLC-700-S user manual)
    controller.tell("81 01 04 3f 02 03 ff", seconds=2.0)
    assert -desk.camera.head.pan_deg_per_s(desk.now) == pytest.approx(6.0, rel=0.05)
