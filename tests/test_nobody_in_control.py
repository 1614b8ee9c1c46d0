"""A head moves only while somebody is in control: real processes, real signals, and heads that tell where they are.

The scenes and what must hold in them are in `nobody_in_control.py`. A few cameras a scene are played here, several
scenes at a time; `tests/bench/test_nobody_in_control.py` plays a hundred each.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator

import pytest
from brokers import running_broker
from nobody_in_control import SCENES, Outcome, Size, played, table

AT_ONCE = 2

Outcomes = dict[str, Outcome | BaseException]


@pytest.fixture(scope="module")
def outcomes(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Outcomes]:
    """What the scenes that are asked for brought to light."""
    folder = tmp_path_factory.mktemp("stages")
    asked = [
        str(item.callspec.params["scene"])
        for item in request.session.items
        if isinstance(item, pytest.Function) and item.module is request.module
    ]
    with running_broker(folder) as port:
        yield asyncio.run(played(asked, folder, port, Size(), at_once=AT_ONCE))


@pytest.mark.parametrize("scene", SCENES)
def test_no_head_moves_on_with_nobody_in_control(scene: str, outcomes: Outcomes) -> None:
    outcome = outcomes[scene]
    if isinstance(outcome, BaseException):
        raise outcome
    print(table(outcome.did))
    assert not outcome.all_wrong, "\n".join(outcome.all_wrong)
