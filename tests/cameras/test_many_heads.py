"""Every recall ends, and what is said to have settled is there, whatever a head does that the protocol leaves open."""

from __future__ import annotations

import pytest
from recalls import recalls_on_one_head


@pytest.mark.parametrize("seed", range(12))
def test_every_recall_ends_and_each_that_settled_is_there(seed: int) -> None:
    found = recalls_on_one_head(seed, 12)
    assert not found.wrong
    assert found.ended["settled"] >= 10, found.ended
