"""How the daemon ends: by which signals, on a closed terminal, and what it tells of a camera not seen at rest."""

from __future__ import annotations

import asyncio
import json
import math
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import psutil
import pytest
from commands import Ptzd, StartPtzd, until_up
from ptzsim import SimulatedCamera

from ptzd.cli.endings import let_go_of_a_closed_terminal
from ptzd.logs import Unhindered

PTZD = (sys.executable, "-c", "from ptzd.cli import main; main()")


def logged(log: bytes) -> list[dict[str, Any]]:
    return [json.loads(line) for line in log.splitlines()]


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGQUIT, signal.SIGINT])
async def test_a_signal_that_asks_for_an_end_is_an_end_in_good_order(
    config: Path, broker: str, start_ptzd: StartPtzd, number: signal.Signals
) -> None:
    daemon = await start_ptzd("run", "--config", str(config))
    await until_up(broker, daemon)
    daemon.send_signal(number)
    daemon.send_signal(number)
    _, log = await asyncio.wait_for(daemon.communicate(), 10)
    assert daemon.returncode == 0
    assert b"Traceback" not in log
    assert not [line for line in logged(log) if line["level"] == "error"]


async def test_signals_without_a_meaning_do_nothing(
    ptzd: Ptzd, config: Path, broker: str, start_ptzd: StartPtzd
) -> None:
    daemon = await start_ptzd("run", "--config", str(config))
    await until_up(broker, daemon)
    daemon.send_signal(signal.SIGUSR1)
    daemon.send_signal(signal.SIGUSR2)
    assert (await ptzd("lock", "left", "--by", "stage", "--broker", broker)).code == 0, "it is there and answers"
    daemon.send_signal(signal.SIGTERM)
    await asyncio.wait_for(daemon.communicate(), 10)
    assert daemon.returncode == 0


async def test_a_closed_terminal_does_not_break_the_ending(ptzd: Ptzd, config: Path, broker: str) -> None:
    ours, theirs = os.openpty()
    daemon = await asyncio.create_subprocess_exec(
        *(*PTZD, "run", "--config", str(config)),
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        preexec_fn=lambda: os.login_tty(theirs),
    )
    os.close(theirs)
    asyncio.get_running_loop().add_reader(ours, lambda: os.read(ours, 65536))
    try:
        await until_up(broker, daemon)
    finally:
        asyncio.get_running_loop().remove_reader(ours)
        os.close(ours)  # the kernel says SIGHUP, and EIO to every write from now on
    assert await asyncio.wait_for(daemon.wait(), 10) == 0
    gone = await ptzd("stop", "--broker", broker)
    assert "No daemon is online" in gone.err, "it said goodbye"


@pytest.mark.parametrize("seconds_of_silence", [0.0, 12.0])
async def test_a_silent_camera_is_told_and_the_end_is_a_failure(
    config: Path,
    broker: str,
    simulated: Mapping[int, SimulatedCamera],
    start_ptzd: StartPtzd,
    seconds_of_silence: float,
) -> None:
    daemon = await start_ptzd("run", "--config", str(config))
    await until_up(broker, daemon)
    for camera in simulated.values():
        camera.silent_until = math.inf
    await asyncio.sleep(seconds_of_silence)
    daemon.send_signal(signal.SIGTERM)
    async with asyncio.timeout(10):
        while psutil.pid_exists(daemon.pid):  # to wait for it would be to wait for its guard, too
            await asyncio.sleep(0.05)
    for camera in simulated.values():
        camera.silent_until = -math.inf
    _, log = await asyncio.wait_for(daemon.communicate(), 10)  # its guard has gone on with its log
    assert b"Traceback" not in log
    assert daemon.returncode == 1
    told = [line for line in logged(log) if line["level"] == "error" and "not seen to come to rest" in line["event"]]
    assert {line["camera"] for line in told} == {"left", "gallery"}
    assert all("look at it; pull its plug" in line["event"] for line in told)


def test_a_log_that_cannot_be_written_any_more_goes_nowhere_and_breaks_nothing() -> None:
    """A write to a terminal that was closed fails with EIO; the exit code shows what Python can't flush at its end."""
    program = (
        "import os, sys\n"
        "from ptzd.logs import Unhindered\n"
        "ours, theirs = os.openpty()\n"
        "os.dup2(theirs, 2); os.close(theirs); os.close(ours)\n"
        "log = Unhindered(sys.stderr)\n"
        "log.write('one line\\n'); log.flush(); log.write('another\\n'); log.flush()\n"
        "print('still here')\n"
    )
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=30, check=False)
    assert (ended.returncode, ended.stdout) == (0, "still here\n")


def test_a_log_in_a_file_or_pipe_is_not_let_go_of(capfd: pytest.CaptureFixture[str]) -> None:
    let_go_of_a_closed_terminal()
    log = Unhindered(sys.__stderr__)
    log.write("one line\n")
    log.flush()
    os.write(2, b"and another\n")
    assert "another" in capfd.readouterr().err
