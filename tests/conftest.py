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

# One set-up serves many tests of a file, so all of them go to one process; so do real processes, browsers among them,
# that must keep real time. They mostly wait, so that one process more shares the tests than there are cores.
TOGETHER = {
    "tests/cameras/test_learning.py": "learning",
    "tests/cli/test_demo.py": "browsers, in real time",  # it bears none of these beside it
    "tests/page/test_in_a_browser.py": "browsers, in real time",
    "tests/page/test_cues_in_a_browser.py": "browsers, in real time",
    "tests/bus/test_client.py": "processes, in real time",
    "tests/cameras/test_cable_pulled.py": "processes, in real time",
    "tests/cli/test_check_visit.py": "processes, in real time",
    "tests/cli/test_real_time.py": "processes, in real time",
    "tests/test_nobody_in_control.py": "processes, in real time",
}
LESS_URGENT = 10  # by how much the computer may let all others wait for these (as `nice` counts)


class Together(LoadScopeScheduling):  # type: ignore[misc]  # xdist says no types
    """Shares tests one by one among processes, but for the files above, which come first."""

    def _split_scope(self, nodeid: str) -> str:
        return TOGETHER.get(nodeid.partition("::")[0], nodeid)


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> LoadScopeScheduling:
    return Together(config, log)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Share all tests among as many processes as there are cores; a part of them, or a bench, has the machine alone."""
    if config.option.file_or_dir or config.option.markexpr == "bench":
        return 0
    # All tests start hundreds of processes, and each would compile the whole program where nothing compiled is kept.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = False
    return len(os.sched_getaffinity(0)) + 1


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Let a process of many, once it has come to tests that need no real time, wait for those that do."""
    if "PYTEST_XDIST_WORKER" in os.environ and "in real time" not in TOGETHER.get(item.nodeid.partition("::")[0], ""):
        os.nice(LESS_URGENT - os.getpriority(os.PRIO_PROCESS, 0))


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
