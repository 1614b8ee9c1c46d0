"""What is said of an evening is so, and what is so is said: drawn evenings, and a watcher that knows the true heads."""

from __future__ import annotations

import pytest
from drawn_evenings import FIRST_IN_CI, play, told


@pytest.mark.parametrize("seed", range(FIRST_IN_CI, FIRST_IN_CI + 100))
def test_nothing_is_said_that_is_not_so_and_nothing_withheld_that_is(seed: int) -> None:
    played = play(seed)
    assert not played.wrongs, told(played)
