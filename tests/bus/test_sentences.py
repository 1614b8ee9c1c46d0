"""How a wrong value is repeated to whoever sent it: as it stands in JSON, and no longer than can be read."""

from __future__ import annotations

import pytest

from ptzd.bus.sentences import shown


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("wide", "'wide'"),
        (40 * "x", repr(40 * "x")),
        (41 * "x", repr(40 * "x" + "…")),
        ("\x1b[2J", r"'\x1b[2J'"),
        (True, "true"),
        (False, "false"),
        (None, "null"),
        (-7, "-7"),
        (10**15 - 1, "999999999999999"),
        (10**15, "a number of more than 15 digits"),
        (0.25, "0.25"),
        (float("nan"), "no finite number"),
        ([], "[]"),
        ([1, "a", None, True], "[1, 'a', null, true]"),
        ([1, 2, 3, 4, 5], "a list"),
        ([[1]], "a list"),
        ([{}], "a list"),
        ({"camera": "left"}, "an object"),
    ],
)
def test_a_wrong_value_is_repeated_as_it_was_written_and_cut_short(value: object, words: str) -> None:
    assert shown(value) == words
