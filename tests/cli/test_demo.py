"""The demo, as a stranger runs it: no broker, no camera, no configuration.

Two of them run side by side, which they must be able to, and which spares half of the time.
"""

from __future__ import annotations

import asyncio
import json
import os
import secrets
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from commands import Ptzd, StartPtzd

from ptzd.cli.commands.demo_evening import show_what_is_taken

DemoOnce = tuple[subprocess.Popen[bytes], Path, str]

TOLERANCE_COUNTS = 1  # what a camera that is not configured otherwise may be off and still be there
COMMAND = "from ptzd.cli import main; main()"


@pytest.fixture(scope="module")
def demo_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DemoOnce]:
    """A demo that ends by itself, begun before the other tests of this file; its output goes to files."""
    folder = tmp_path_factory.mktemp("demo")
    mark = new_mark()
    with (folder / "out").open("wb") as out, (folder / "err").open("wb") as err:
        demo = subprocess.Popen(
            [sys.executable, "-c", COMMAND, "demo", "--once", "--json"],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            env=os.environ | {"MARK": mark},
        )
    yield demo, folder, mark
    if demo.poll() is None:
        demo.terminate()
        try:
            demo.wait(10)
        except subprocess.TimeoutExpired:
            demo.kill()
            raise


def new_mark() -> str:
    """A variable's value by which all processes of one demo are known."""
    return f"demo-{secrets.token_hex(8)}"


def left_behind(mark: str) -> list[list[str]]:
    return [process.cmdline() for process in psutil.process_iter() if carries(process, mark)]


def carries(process: psutil.Process, mark: str) -> bool:
    try:
        return process.environ().get("MARK") == mark
    except (psutil.NoSuchProcess, psutil.AccessDenied, psutil.ZombieProcess):
        return False


async def test_a_demo_that_stays_up_can_be_used_from_a_second_terminal(
    ptzd: Ptzd, start_ptzd: StartPtzd, demo_once: DemoOnce
) -> None:
    mark = new_mark()
    demo = await start_ptzd("demo", "--json", MARK=mark)
    assert demo.stdout is not None
    async with asyncio.timeout(90):
        while (line := json.loads(await demo.stdout.readline()))["event"] != "ready":
            pass
    assert line["recall"] == f"ptzd recall gallery house --broker {line['broker']}"
    recalled = await ptzd("recall", "gallery", "house", "--json", "--broker", line["broker"])
    assert recalled.code == 0, recalled.err
    assert recalled.json()["phase"] == "settled"
    for aimed in (("nudge", "gallery", "--right", "0.02"), ("frame", "gallery", "--point", "0.6", "0.4")):
        assert (await ptzd(*aimed, "--broker", line["broker"])).code == 0, "it is known how wide the picture is"
    listed = await ptzd("positions", "--json", "--broker", line["broker"])
    assert set(listed.json()) == {"gallery", "left", "right"}
    demo.send_signal(signal.SIGINT)
    _, errors = await asyncio.wait_for(demo.communicate(), 6)
    assert (demo.returncode, errors) == (0, b"")
    assert left_behind(mark) == []


def test_the_demo_once_settles_every_move_and_ends_with_0(demo_once: DemoOnce) -> None:
    demo, folder, mark = demo_once
    assert demo.wait(90) == 0, (folder / "err").read_text()
    assert (folder / "err").read_text() == ""
    assert left_behind(mark) == []
    lines = [json.loads(line) for line in (folder / "out").read_text().splitlines()]
    moves = [line for line in lines if line["event"] == "move"]
    summary = lines[-1]
    assert summary["event"] == "summary"
    assert summary["moves"] == summary["settled"] == sum(move["phase"] == "settled" for move in moves) > 10
    assert summary["all_settled"] is True
    assert {move["camera"] for move in moves} == {"gallery", "left", "right"}
    landings = [move["landing"] for move in moves if move["phase"] == "settled"]
    errors = [abs(landing[f"{axis}_counts"]) for landing in landings for axis in ("pan", "tilt", "zoom")]
    assert max(errors) <= summary["worst_landing_counts"] <= TOLERANCE_COUNTS
    assert not any(line["event"] == "ready" for line in lines), "it does not stay up"


async def test_a_demo_whose_port_is_taken_says_so(ptzd: Ptzd, broker: str) -> None:
    ended = await ptzd("demo", "--once", "--port", broker.split(":")[1])
    assert ended.code == 1
    assert ended.err.startswith(f"The demo's broker can't listen on {broker} (address already in use)")


class Told:
    """Stands in for a client of the bus."""

    def __init__(self) -> None:
        self.tallies: list[tuple[str, str]] = []

    async def publish(self, topic: str, payload: dict[str, str]) -> str:
        self.tallies.append((topic, payload["tally"]))
        return ""


async def test_the_stand_in_for_a_vision_mixer_tells_who_is_on_air_when_that_changes() -> None:
    told, taken = Told(), "left"
    for take in ("left", None, "right"):
        taken = await show_what_is_taken(told, {"standing": {"take": take}}, taken)  # type: ignore[arg-type]
    assert (told.tallies, taken) == ([("camera/right/tally", "program"), ("camera/left/tally", "off")], "right")
