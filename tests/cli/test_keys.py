"""What a terminal sends of keys (ECMA-48; xterm's keys), put together."""

from __future__ import annotations

import pytest

from ptzd.cli.keys import ALONE_SECONDS, Presses, Spelling


@pytest.mark.parametrize(
    ("sent", "keys"),
    [
        ("a1 ", ["a", "1", " "]),
        ("\r\n", ["enter", "enter"]),
        ("\x1b[A\x1b[B\x1b[C\x1b[D", ["up", "down", "right", "left"]),
        ("\x1bOC5", ["right", "5"]),  # as a terminal in application mode has it
        ("\x1b[3~", []),  # Delete is no 3
        ("\x1b[1;5C", []),  # nor Ctrl and an arrow a 1
        ("\x1b5q", ["q"]),  # Alt and 5
        ("\x1b\x1b[3~", []),  # Alt and Delete
        ("\x1b[200~", []),
        ("\x1b[Aé", ["up", "é"]),
    ],
)
def test_keys_are_known_however_their_pieces_come_and_no_other_is_taken_for_one(sent: str, keys: list[str]) -> None:
    assert Spelling().keys(sent, 0.0) == keys
    by_letter = Spelling()
    assert [key for each in sent for key in by_letter.keys(each, 0.0)] == keys


def test_who_presses_escape_and_later_a_digit_has_pressed_the_digit() -> None:
    spelling = Spelling()
    assert spelling.keys("\x1b", 10.0) == []
    assert spelling.keys("5", 10.0 + 2 * ALONE_SECONDS) == ["5"]


def test_a_key_that_comes_again_at_once_is_held_however_long_that_takes_and_no_other_key_is() -> None:
    presses = Presses()
    came = [0.0, 0.65, 0.68, 0.71, 0.74, 1.5]
    assert [presses.again("enter", at) for at in came] == [0, 1, 2, 3, 4, 0]
    assert presses.again("b", 1.5) == 0
