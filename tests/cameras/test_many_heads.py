"""Every recall ends, and what is said to have settled is there, whatever a head does that the protocol leaves open."""

from __future__ import annotations

from typing import Literal

import pytest
from recalls import recalls_on_one_head


@pytest.mark.parametrize("form", ["stream", "serial"])
@pytest.mark.parametrize("seed", range(100, 104))
def test_so_it_is_on_streams_whatever_pieces_messages_come_in(form: Literal["stream", "serial"], seed: int) -> None:
    found = recalls_on_one_head(seed, 12, 0.0, form)
    assert not found.wrong
    assert found.ended == {"settled": 12}


@pytest.mark.parametrize("seed", range(12))
def test_every_recall_ends_and_each_that_settled_is_there(seed: int) -> None:
    found = recalls_on_one_head(seed, 12)
    assert not found.wrong
    assert found.ended["settled"] >= 10, found.ended
