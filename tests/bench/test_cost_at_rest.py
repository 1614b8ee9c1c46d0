"""What the daemon costs while nothing moves: it grows no faster than the number of cameras."""

from __future__ import annotations

import asyncio
from pathlib import Path

import psutil
import pytest
from processes import Processes, free_udp_ports, write_config

SECONDS = 15.0


async def cost(folder: Path, broker_port: int, cameras: int) -> tuple[float, float]:
    """Return the daemon's share of one core and its resident memory in MiB, at rest with so many cameras."""
    folder.mkdir()
    async with Processes() as processes:
        first = free_udp_ports(cameras)
        await processes.simulator(first, cameras)
        daemon = await processes.daemon(write_config(folder, broker_port, range(first, first + cameras)))
        measured = psutil.Process(daemon.pid)
        await asyncio.sleep(3 + cameras / 50)
        before, began = measured.cpu_times(), asyncio.get_running_loop().time()
        await asyncio.sleep(SECONDS)
        after, ended = measured.cpu_times(), asyncio.get_running_loop().time()
        used = after.user + after.system - before.user - before.system
        return used / (ended - began), measured.memory_info().rss / 2**20


@pytest.mark.bench
async def test_the_cost_at_rest_grows_no_faster_than_the_cameras(tmp_path: Path, mosquitto_broker: object) -> None:
    port: int = mosquitto_broker.port  # type: ignore[attr-defined]
    table = {count: await cost(tmp_path / str(count), port, count) for count in (1, 32, 200)}
    print(f"\n{'cameras':>8} {'CPU':>8} {'CPU a camera':>13} {'memory':>9} {'memory a camera':>16}")
    _, base = table[1]
    for count, (share, memory) in table.items():
        more = (memory - base) / max(1, count - 1)
        print(f"{count:8} {share:8.2%} {share / count:13.3%} {memory:6.1f}MiB {more * 1024:13.0f}KiB")
    for few, many in ((1, 32), (32, 200)):
        assert table[many][0] / table[few][0] <= many / few * 1.1
    assert (table[200][1] - base) / 199 <= 1.1 * (table[32][1] - base) / 31
