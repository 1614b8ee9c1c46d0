"""What became of a move, and how far off it landed, in words and as a figure."""

from __future__ import annotations

import pytest

from ptzd.cli.sentences import landing_words, lock_lines, move_line, worst_counts


@pytest.mark.parametrize(
    ("counts", "words", "worst"),
    [
        ((0, 0, 0, 0), ", exactly there", 0),
        ((0, 0, 0, None), ", exactly there", 0),  # it focuses by itself
        ((1, 0, 0, None), ", off by pan +1 count", 1),
        ((0, -1, 1, 0), ", off by tilt -1, zoom +1 counts", 1),
        ((-2, 0, 0, 0), ", off by pan -2 counts", 2),
        ((0, 1, -3, 2), ", off by tilt +1, zoom -3, focus +2 counts", 3),
    ],
)
def test_a_landing_is_told_by_axis_in_counts(counts: tuple[int | None, ...], words: str, worst: int) -> None:
    landing = dict(zip(("pan_counts", "tilt_counts", "zoom_counts", "focus_counts"), counts, strict=True))
    assert (landing_words(landing), worst_counts(landing)) == (words, worst)
    assert (landing_words(None), worst_counts(None)) == ("", 0)


@pytest.mark.parametrize(
    ("phase", "words"),
    [
        ("refused", "left refused to go to piano: it is locked"),
        ("stopped", "left stopped on its way to piano: it is locked"),
        ("slewing", "left is slewing towards piano"),
    ],
)
def test_what_became_of_a_move_is_told_in_a_line(phase: str, words: str) -> None:
    assert (
        move_line("left", {"phase": phase, "position": "piano", "sentence": "camera left to piano: it is locked"})
        == words
    )


def test_a_lock_that_the_disk_has_not_taken_is_told_as_that() -> None:
    kept, unkept = lock_lines({"locks": [{"by": "Kim", "reason": "lens"}, {"by": "Robin", "kept": False}]})
    assert kept == "locked by Kim: lens"
    assert unkept.startswith("locked by Robin: no reason given; ") and "a restart of the daemon would lose it" in unkept
