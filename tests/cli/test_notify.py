"""The service manager hears of the event loop, twice in the time that it was promised, and of nothing else."""

from __future__ import annotations

import asyncio
import os
import socket
import time
from pathlib import Path

import pytest

from ptzd.cli.commands.run_notify import feed_watchdog, watchdog_seconds


@pytest.mark.parametrize(
    ("variables", "seconds"),
    [
        ({"WATCHDOG_USEC": "3000000"}, 3.0),
        ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}, 3.0),
        ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}, None),  # sd_watchdog_enabled(3): another process is meant
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_manager_says_how_often_it_wants_to_hear(
    monkeypatch: pytest.MonkeyPatch, variables: dict[str, str], seconds: float | None
) -> None:
    for name in ("WATCHDOG_USEC", "WATCHDOG_PID"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert watchdog_seconds() == seconds


async def test_a_loop_that_stands_still_feeds_nobody(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "200000")
        monkeypatch.delenv("WATCHDOG_PID", raising=False)
        feeding = asyncio.create_task(feed_watchdog())
        await asyncio.sleep(0.55)
        heard = drained(manager)
        assert set(heard) == {b"WATCHDOG=1"}
        assert 3 <= len(heard) <= 6
        time.sleep(0.5)  # noqa: ASYNC251 - the loop stands still
        assert drained(manager) == []
        feeding.cancel()


def drained(manager: socket.socket) -> list[bytes]:
    heard = []
    while True:
        try:
            heard.append(manager.recv(100))
        except BlockingIOError:
            return heard
