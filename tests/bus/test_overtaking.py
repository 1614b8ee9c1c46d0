"""Stops and locks come twice, ahead and in their turn: which is carried out, and what that means for all else."""

from __future__ import annotations

import pytest

from ptzd.bus import Incoming, Topics
from ptzd.bus.overtaking import Overtaking

STOP = Incoming("ptzd/camera/left/stop", b"")
STOP_ALL = Incoming("ptzd/all/stop", b"")
LOCK = Incoming("ptzd/camera/left/lock", b'{"by": "stage left"}')
RECALL = Incoming("ptzd/camera/left/recall", b"choir-wide")


class Clock:
    now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def both(clock: Clock) -> Overtaking:
    overtaking = Overtaking(Topics("ptzd"), clock)
    overtaking.line_ahead(up=True)
    return overtaking


@pytest.mark.parametrize(("stop", "camera"), [(STOP, "left"), (STOP_ALL, None), (LOCK, "left")])
def test_what_was_sent_before_a_stop_that_came_ahead_is_marked_until_its_copy(
    both: Overtaking, stop: Incoming, camera: str | None
) -> None:
    assert both.ahead(stop) is stop
    assert both.in_turn(RECALL).overtaken == {camera}
    assert both.in_turn(stop).again
    assert both.in_turn(RECALL) == RECALL


def test_a_stop_that_comes_late_on_its_line_does_not_end_what_was_sent_after_it(both: Overtaking) -> None:
    assert both.in_turn(STOP) == STOP
    assert both.in_turn(RECALL) == RECALL
    assert both.ahead(STOP) is None


def test_every_stop_of_many_alike_is_carried_out_and_each_copy_counts_once(both: Overtaking) -> None:
    assert [both.ahead(STOP), both.ahead(STOP)] == [STOP, STOP]
    assert both.in_turn(STOP).again
    assert both.in_turn(RECALL).overtaken == {"left"}  # sent between the two
    assert both.in_turn(STOP).again
    assert both.in_turn(RECALL) == RECALL
    assert both.in_turn(STOP) == STOP  # a third, of which nothing came ahead yet


def test_stops_are_carried_out_in_their_turn_while_there_is_no_second_line(both: Overtaking) -> None:
    both.line_ahead(up=False)
    assert both.in_turn(STOP) == STOP
    both.line_ahead(up=True)
    assert both.ahead(STOP) == STOP  # a new one, not the copy of the one before


def test_a_copy_that_never_comes_holds_nobody_up_once_what_waited_is_worked_off(both: Overtaking, clock: Clock) -> None:
    both.ahead(STOP)
    for _ in range(20):  # while messages keep coming, the copy may be behind them
        clock.now += 0.2
        assert both.in_turn(RECALL).overtaken
    clock.now += 1.5
    assert both.in_turn(RECALL) == RECALL


def test_a_copy_that_never_comes_holds_nobody_up_for_longer_than_ten_seconds(both: Overtaking, clock: Clock) -> None:
    both.ahead(STOP)
    for _ in range(99):
        clock.now += 0.1
        assert both.in_turn(RECALL).overtaken
    clock.now += 0.15
    assert both.in_turn(RECALL) == RECALL
    assert both.in_turn(STOP) == STOP  # and if it comes after all, it stops what was begun


def test_a_stop_that_comes_ahead_after_the_loop_stood_still_still_overtakes(both: Overtaking, clock: Clock) -> None:
    both.in_turn(RECALL)
    clock.now += 8.0
    both.ahead(STOP)
    assert both.in_turn(RECALL).overtaken == {"left"}


def test_a_retained_stop_is_no_copy(both: Overtaking) -> None:
    retained = Incoming("ptzd/all/stop", b"", retain=True)
    both.ahead(STOP_ALL)
    assert not both.in_turn(retained).again
    assert both.in_turn(STOP_ALL).again
