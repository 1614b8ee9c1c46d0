"""The demo, as a stranger runs it: no broker, no camera, no configuration."""

from __future__ import annotations

import asyncio
import json
import signal

import psutil
import pytest

TOLERANCE_COUNTS = 1  # what a camera that is not configured otherwise may be off and still be there


@pytest.fixture
def leaves_nothing_running():
    ours = psutil.Process()
    before = {child.pid for child in ours.children(recursive=True)}
    simulators = {process.pid for process in psutil.process_iter(["cmdline"]) if is_simulator(process)}
    yield
    left = {child.pid for child in ours.children(recursive=True)} - before
    left |= {process.pid for process in psutil.process_iter(["cmdline"]) if is_simulator(process)} - simulators
    assert not left


def is_simulator(process: psutil.Process) -> bool:
    return "ptzsim.cli" in " ".join(process.info["cmdline"] or [])


async def test_the_demo_once_settles_every_move_and_ends_with_0(ptzd, leaves_nothing_running):
    ended = await ptzd("demo", "--once", "--json", seconds=60)
    assert (ended.code, ended.err) == (0, "")
    lines = ended.json_lines()
    moves = [line for line in lines if line["event"] == "move"]
    summary = lines[-1]
    assert summary["event"] == "summary"
    assert summary["moves"] == summary["settled"] == sum(move["phase"] == "settled" for move in moves) > 10
    assert summary["all_settled"] is True
    assert {move["camera"] for move in moves} == {"gallery", "left", "right"}
    assert 0 <= summary["worst_landing_counts"] <= TOLERANCE_COUNTS
    worst = max(abs(move["landing"][f"{axis}_counts"]) for move in moves if move["landing"] for axis in ("pan", "tilt"))
    assert worst <= summary["worst_landing_counts"]
    assert summary["measured_seconds"] > 10, "heads of 5 % truth have taken their time"
    assert not any(line["event"] == "ready" for line in lines), "it does not stay up"


async def test_a_demo_that_stays_up_can_be_used_from_a_second_terminal(ptzd, start_ptzd, leaves_nothing_running):
    demo = await start_ptzd("demo", "--json")
    async with asyncio.timeout(60):
        while (line := json.loads(await demo.stdout.readline()))["event"] != "ready":
            pass
    assert line["recall"] == f"ptzd recall gallery choir-wide --broker {line['broker']}"
    recalled = await ptzd("recall", "gallery", "soloist", "--json", "--broker", line["broker"])
    assert recalled.code == 0, recalled.err
    assert recalled.json()["phase"] == "settled"
    listed = await ptzd("positions", "--json", "--broker", line["broker"])
    assert set(listed.json()) == {"gallery", "left", "right"}
    demo.send_signal(signal.SIGINT)
    _, errors = await asyncio.wait_for(demo.communicate(), 6)
    assert (demo.returncode, errors) == (0, b"")


async def test_a_demo_whose_port_is_taken_says_so(ptzd, broker):
    ended = await ptzd("demo", "--once", "--port", broker.split(":")[1])
    assert ended.code == 1
    assert ended.err.startswith(f"The demo's broker can't listen on {broker}")
