"""What the loop's standing still means for the messages around it; the clock is a number that the tests turn on."""

from __future__ import annotations

import pytest

from ptzd.daemon.stall import Stall


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_a_loop_that_beats_has_no_stall(clock: Clock) -> None:
    stall = Stall(clock)
    for _ in range(100):
        clock.now += 0.1
        assert stall.noticed() == 0
        assert not stall.message_waited()


@pytest.mark.parametrize("seconds", [0.6, 5.0, 3600.0])
def test_a_stall_is_noticed_once_with_its_seconds(clock: Clock, seconds: float) -> None:
    stall = Stall(clock)
    clock.now += seconds
    assert stall.noticed() == pytest.approx(seconds)
    assert stall.noticed() == 0


def test_messages_have_waited_until_none_came_for_a_tenth_of_a_second(clock: Clock) -> None:
    stall = Stall(clock)
    clock.now += 5
    stall.noticed()
    for _ in range(5):
        clock.now += 0.05
        assert stall.message_waited()
    clock.now += 0.15
    assert not stall.message_waited()
    clock.now += 0.05
    assert not stall.message_waited()


def test_messages_have_waited_for_a_second_at_most(clock: Clock) -> None:
    stall = Stall(clock)
    clock.now += 5
    stall.noticed()
    for _ in range(19):
        clock.now += 0.05
        assert stall.message_waited()
    clock.now += 0.1
    assert not stall.message_waited()
