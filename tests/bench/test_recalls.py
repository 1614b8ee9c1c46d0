"""A hundred thousand recalls on a virtual clock, a tenth of all datagrams lost and a tenth come twice, each way."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import Literal

import pytest
from recalls import Recalls, recalls_on_one_head

FIRST_SEED = int(os.environ.get("FIRST_SEED", "1000"))  # for other heads than the last run's
HEADS = 400
RECALLS_A_HEAD = 250
WORKERS = 2


@pytest.mark.bench
@pytest.mark.parametrize("form", ["stream", "serial"])
def test_a_thousand_recalls_over_a_stream_and_over_a_serial_wire_all_settle_there(
    form: Literal["stream", "serial"],
) -> None:
    every = Recalls()
    for seed in range(FIRST_SEED, FIRST_SEED + 100):
        every.add(recalls_on_one_head(seed, 10, 0.0, form))
    print(f"\n{form}: {sum(every.ended.values())} recalls on 100 heads: {dict(every.ended.most_common())}")
    assert not every.wrong, "\n".join(every.wrong[:20])
    assert every.ended == {"settled": 1000}


@pytest.mark.bench
def test_every_recall_ends_and_each_that_settled_is_there() -> None:
    every = Recalls()
    with ProcessPoolExecutor(WORKERS) as workers:
        for found in workers.map(
            partial(recalls_on_one_head, count=RECALLS_A_HEAD), range(FIRST_SEED, FIRST_SEED + HEADS)
        ):
            every.add(found)
    total = sum(every.ended.values())
    print(f"\n{total} recalls on {HEADS} heads from seed {FIRST_SEED}: {dict(every.ended.most_common())}")
    assert not every.wrong, "\n".join(every.wrong[:20])
    assert total == HEADS * RECALLS_A_HEAD
