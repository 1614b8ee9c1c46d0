"""What tests of several rooms share."""

from __future__ import annotations

import gc
import logging
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import MosquittoBroker, running_mosquitto
from hypothesis import HealthCheck, settings
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

# How long an example takes says more of what else the machine does than of the code: bounds on time are in tests/bench.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")


gc.set_threshold(100_000, 20, 20)  # tests make millions of objects that no cycle holds: a sixth of their time goes else

# One set-up serves many tests of these files, so all of them go to one process.
TOGETHER = ("tests/cameras/test_learning.py", "tests/cameras/test_cable_pulled.py")
# Real processes, browsers among them, that must keep real time: these go to one process as well, one after the other.
IN_REAL_TIME = (
    "tests/page/test_in_a_browser.py",
    "tests/page/test_cues_in_a_browser.py",
    "tests/test_nobody_in_control.py",
    "tests/cli/test_check_visit.py",
    "tests/cli/test_demo.py",
    "tests/cli/test_real_time.py",
)


class Together(LoadScopeScheduling):  # type: ignore[misc]  # xdist says no types
    """Shares tests one by one among processes, but for the files above, which come first."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        return "in real time" if file in IN_REAL_TIME else file if file in TOGETHER else nodeid


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> LoadScopeScheduling:
    return Together(config, log)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Share all tests among as many processes as there are cores; a part of them, or a bench, has the machine alone."""
    if config.option.file_or_dir or config.option.markexpr == "bench":
        return 0
    # All tests start hundreds of processes, and each would compile the whole program where nothing compiled is kept.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = False
    return len(os.sched_getaffinity(0))


@pytest.fixture(scope="module")
def nothing_left_from_before() -> None:
    """What tests of another file have left unseen is told now, and not blamed on these."""
    gc.collect()


@pytest.fixture
def nothing_fails_unseen(nothing_left_from_before: None, caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """What is raised in a callback, or in a task that nobody waits for, reaches nobody but asyncio's log."""
    yield
    assert [
        each.getMessage()
        for each in caplog.get_records("call")
        if each.name == "asyncio" and each.levelno >= logging.ERROR
    ] == []


@pytest.fixture
def mosquitto_broker(tmp_path: Path) -> Iterator[MosquittoBroker]:
    """A broker with `host`, `port`, `stop()` and `start()`."""
    with running_mosquitto(tmp_path) as broker:
        yield broker
