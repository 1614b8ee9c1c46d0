"""What heads do when nobody controls them: a hundred of each kind, with nothing, 5 % and 10 % lost each way."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from brokers import running_broker
from nobody_in_control import SCENES, Did, Outcome, Size, played, table

RUNS, EACH = 20, 5  # more cameras at a time, and the drives alone would keep a slow broker busy


@pytest.mark.bench
@pytest.mark.parametrize("loss", [0.0, 0.05, 0.1])
def test_no_head_moves_on_with_nobody_in_control_a_hundred_times_each(loss: float, tmp_path: Path) -> None:
    did: list[Did] = []
    wrong: list[str] = []
    with running_broker(tmp_path) as port:
        for seed in range(RUNS):
            size = Size(each=EACH, loss=loss, away_seconds=40.0 if seed % 2 else 25.0, seed=seed)
            for scene, outcome in asyncio.run(played(list(SCENES), tmp_path, port, size)).items():
                if isinstance(outcome, Outcome):
                    did += outcome.did
                    wrong += outcome.all_wrong
                else:
                    wrong.append(f"{scene} could not be played: {outcome}")
    print(f"\n{loss:.0%} lost each way\n{table(did)}")
    assert not wrong, "\n".join(wrong)
