"""What the guard costs beside the daemon: its start, its memory, its CPU at rest and while 32 cameras are renewed."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest
from processes import Processes, free_udp_ports, write_config

from ptzd.guard import Guarded, Keeper

CAMERAS = 32
SECONDS = 10.0


def seconds_to_import(module: str) -> float:
    """The quickest of three starts of an interpreter that reads a module."""
    took = []
    for _ in range(3):
        began_at = time.perf_counter()
        subprocess.run([sys.executable, "-c", f"import {module}"], check=True)
        took.append(time.perf_counter() - began_at)
    return min(took)


async def share_of_a_core(process: psutil.Process, seconds: float = SECONDS) -> float:
    before, began_at = process.cpu_times(), time.monotonic()
    await asyncio.sleep(seconds)
    after = process.cpu_times()
    return (after.user + after.system - before.user - before.system) / (time.monotonic() - began_at)


async def renewed(keeper: Keeper, names: list[str]) -> None:
    while True:
        for name in names:
            keeper.renew(name, 0.4)
        await asyncio.sleep(0.1)


@pytest.mark.bench
async def test_what_the_guard_costs_beside_the_daemon(tmp_path: Path, mosquitto_broker: object) -> None:
    port: int = mosquitto_broker.port  # type: ignore[attr-defined]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.setblocking(False)
        guarded = [
            Guarded(f"camera-{number}", f"udp://127.0.0.1:{ear.getsockname()[1]}", "nibble4-51")
            for number in range(CAMERAS)
        ]
        began_at = time.monotonic()
        async with Keeper(guarded) as keeper:
            assert await keeper.living(60)
            started = time.monotonic() - began_at
            guard = psutil.Process(keeper.pid)
            at_rest = await share_of_a_core(guard)
            renewing = asyncio.create_task(renewed(keeper, [each.name for each in guarded]))
            moving = await share_of_a_core(guard)
            memory = guard.memory_info().rss / 2**20
            private = guard.memory_full_info().uss / 2**20
            for each in guarded:
                keeper.renew(each.name, 0.0)
            renewing.cancel()
            keeper_watched = keeper.watches
        with pytest.raises(BlockingIOError):
            ear.recv(100)  # no packet to any camera, all the while
    assert keeper_watched
    async with Processes() as processes:
        first = free_udp_ports(CAMERAS)
        await processes.simulator(first, CAMERAS)
        daemon = psutil.Process(
            (await processes.daemon(write_config(tmp_path, port, range(first, first + CAMERAS)))).pid
        )
        await asyncio.sleep(5)
        daemon_at_rest = await share_of_a_core(daemon)
        daemon_memory = daemon.memory_info().rss / 2**20
        daemon_private = daemon.memory_full_info().uss / 2**20
    guard_import, daemon_import = seconds_to_import("ptzd.guard.process"), seconds_to_import("ptzd.daemon")
    print(f"\n{CAMERAS} cameras, none of the figures with a camera that is halted; packets to cameras: 0")
    print(f"{'':34}{'guard':>10}{'daemon':>10}{'ratio':>8}")
    for name, ours, theirs, unit in (
        ("CPU at rest", at_rest * 100, daemon_at_rest * 100, "%"),
        ("CPU, all renewed; daemon at rest", moving * 100, daemon_at_rest * 100, "%"),
        ("memory, resident", memory, daemon_memory, "MiB"),
        ("memory of its own", private, daemon_private, "MiB"),
        ("start of the interpreter, imports", guard_import, daemon_import, "s"),
    ):
        print(f"{name:34}{ours:7.2f}{unit:>3}{theirs:7.2f}{unit:>3}{ours / theirs:8.2f}")
    print(f"from its start until it watches: {started:.2f} s")
    assert at_rest < daemon_at_rest
    assert memory < daemon_memory
