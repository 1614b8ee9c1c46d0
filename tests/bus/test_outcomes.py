"""A command that is sent twice is done once and answered twice."""

from __future__ import annotations

from datetime import UTC, datetime

from ptzd.bus import Answer, Asked, Outcomes, Repeat, Reply
from ptzd.bus.commands import RecallCommand


def recall(position: str = "choir-wide", sent_at: datetime | None = None) -> RecallCommand:
    return RecallCommand(position=position, sent_at=sent_at, id="q12")


RECALL = Asked("ptzd/camera/left/recall", recall(), "left", "q12")
ACCEPTED = Answer("ptzd/camera/left/move", b"accepted", final=False)
SETTLED = Answer("ptzd/camera/left/move", b"settled", final=True)


def test_a_command_is_new_once() -> None:
    outcomes = Outcomes()
    assert outcomes.claim(RECALL, now=0.0) is None
    assert outcomes.claim(RECALL, now=0.1) == Repeat(None)


def test_a_repeat_is_told_what_was_said_last() -> None:
    outcomes = Outcomes()
    outcomes.claim(RECALL, now=0.0)
    outcomes.said("left", "q12", ACCEPTED)
    assert outcomes.claim(RECALL, now=1.0) == Repeat(ACCEPTED)
    outcomes.said("left", "q12", SETTLED)
    assert outcomes.claim(RECALL, now=2.0) == Repeat(SETTLED)


def test_whoever_repeats_a_command_gets_its_later_outcome_too() -> None:
    outcomes = Outcomes()
    first, second = Reply("panel/a", b"1"), Reply("panel/a", b"2")
    outcomes.claim(RECALL._replace(reply=first), now=0.0)
    assert outcomes.said("left", "q12", ACCEPTED) == (first,)
    outcomes.claim(RECALL._replace(reply=second), now=1.0)
    outcomes.claim(RECALL._replace(reply=second), now=1.1)
    assert outcomes.said("left", "q12", SETTLED) == (first, second)


def test_a_repeat_may_have_been_sent_at_another_moment() -> None:
    outcomes = Outcomes()
    outcomes.claim(RECALL._replace(what=recall(sent_at=datetime(2031, 5, 17, tzinfo=UTC))), now=0.0)
    assert outcomes.claim(RECALL._replace(what=recall(sent_at=datetime(2031, 5, 18, tzinfo=UTC))), now=0.5) is not None


def test_a_command_without_an_id_is_always_new() -> None:
    outcomes = Outcomes()
    without = RECALL._replace(id=None)
    assert outcomes.claim(without, now=0.0) is None
    assert outcomes.claim(without, now=0.0) is None
    assert outcomes.said("left", None, SETTLED) == ()


def test_another_command_with_the_same_id_is_another_command() -> None:
    outcomes = Outcomes()
    outcomes.claim(RECALL, now=0.0)
    assert outcomes.claim(RECALL._replace(what=recall("soloist")), now=1.0) is None
    assert outcomes.claim(RECALL._replace(camera="right"), now=1.0) is None


def test_a_minute_after_a_command_that_has_ended_the_same_one_is_done_again() -> None:
    outcomes = Outcomes()
    outcomes.claim(RECALL, now=0.0)
    outcomes.said("left", "q12", SETTLED)
    assert outcomes.claim(RECALL, now=59.0) is not None
    assert outcomes.claim(RECALL, now=61.0) is None


def test_a_command_that_still_runs_is_not_begun_again_however_long_it_takes() -> None:
    outcomes = Outcomes()
    outcomes.claim(RECALL, now=0.0)
    outcomes.said("left", "q12", ACCEPTED)
    assert outcomes.claim(RECALL, now=600.0) == Repeat(ACCEPTED)


def test_only_so_many_commands_are_remembered() -> None:
    outcomes = Outcomes(most=3)
    for number in range(4):
        outcomes.claim(RECALL._replace(id=f"q{number}"), now=0.0)
    assert outcomes.claim(RECALL._replace(id="q3"), now=0.0) is not None
    assert outcomes.claim(RECALL._replace(id="q0"), now=0.0) is None
