"""What the loop's standing still means for the messages around it; the clock is a number that the tests turn on."""

from __future__ import annotations

import asyncio
import random
from contextlib import suppress
from pathlib import Path

import pytest
import structlog
from brokers import free_port
from ptzsim import serve_udp
from rigs import simulated_camera

from ptzd.config import load_config
from ptzd.daemon.run import run_daemon
from ptzd.daemon.stall import BEAT_SECONDS, STALL_SECONDS, Stall
from ptzd.guard import Keeper
from ptzd.visca import load_dialect


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_a_loop_that_beats_has_no_stall(clock: Clock) -> None:
    stall = Stall(clock)
    for _ in range(100):
        clock.now += 0.1
        assert stall.noticed() == 0
        assert not stall.message_waited()


@pytest.mark.parametrize("seconds", [0.6, 5.0, 3600.0])
def test_a_stall_is_noticed_once_with_its_seconds(clock: Clock, seconds: float) -> None:
    stall = Stall(clock)
    clock.now += seconds
    assert stall.noticed() == pytest.approx(seconds)
    assert stall.noticed() == 0


def test_messages_have_waited_until_none_came_for_a_tenth_of_a_second(clock: Clock) -> None:
    stall = Stall(clock)
    clock.now += 5
    stall.noticed()
    for _ in range(5):
        clock.now += 0.05
        assert stall.message_waited()
    clock.now += 0.15
    assert not stall.message_waited()
    clock.now += 0.05
    assert not stall.message_waited()


def test_messages_have_waited_for_a_second_at_most(clock: Clock) -> None:
    stall = Stall(clock)
    clock.now += 5
    stall.noticed()
    for _ in range(19):
        clock.now += 0.05
        assert stall.message_waited()
    clock.now += 0.1
    assert not stall.message_waited()


async def test_waiting_for_a_guard_that_is_slow_to_live_is_no_stall(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class SlowToLive(Keeper):
        async def living(self, seconds: float) -> bool:
            await asyncio.sleep(STALL_SECONDS + 0.2)
            return await super().living(seconds)

    monkeypatch.setattr("ptzd.daemon.run.Keeper", SlowToLive)
    path = tmp_path / "granary.toml"
    rng = random.Random(1)
    dialect = load_dialect("nibble4-51")
    camera = simulated_camera(dialect, rng)
    async with serve_udp(camera, "127.0.0.1", 0, rng=rng) as port:
        path.write_text(
            f'[broker]\nport = {free_port()}\n[store]\npath = "show.db"\n[tally]\nsource = "none"\n'
            f'[camera.left]\nlink = "udp://127.0.0.1:{port}"\ndialect = "nibble4-51"\n'
        )
        with structlog.testing.capture_logs() as logged:
            ready = asyncio.Event()
            running = asyncio.create_task(run_daemon(load_config(path), rng=rng, on_ready=ready.set))
            await asyncio.wait_for(ready.wait(), 10)
            await asyncio.sleep(3 * BEAT_SECONDS)
            running.cancel()
            with suppress(asyncio.CancelledError):
                await running
    assert not [line for line in logged if "stood still" in line["event"]]
