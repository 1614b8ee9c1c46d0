"""The guard as a process: it outlives whoever started it, whatever signals come, and the daemon knows when it is gone.

Real processes, real signals, and simulated cameras over UDP that this test serves itself.
"""

from __future__ import annotations

import asyncio
import json
import os
import pty
import random
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Hashable
from contextlib import AsyncExitStack, asynccontextmanager

import psutil
import pytest
from ptzsim import SimulatedCamera
from ptzsim.serving import serve_udp
from rigs import simulated_camera
from structlog.testing import capture_logs
from waiting import until

from ptzd.guard import Guarded, Keeper
from ptzd.visca import PanTiltDrive, load_dialect

DIALECT = "nibble4-51"
NAMES = ("gallery", "left")
# A daemon: it starts a guard for the cameras at two ports, says so, and renews the first one's term for ever.
DAEMON = """
import asyncio, sys
from ptzd.guard import Guarded, Keeper

async def main():
    ports = zip(("gallery", "left"), sys.argv[1:])
    cameras = [Guarded(name, f"udp://127.0.0.1:{port}", "nibble4-51") for name, port in ports]
    async with Keeper(cameras) as keeper:
        assert await keeper.living(20)
        print(keeper.pid, flush=True)
        while True:
            keeper.renew("gallery", 0.4)
            await asyncio.sleep(0.1)

asyncio.run(main())
"""


class Stage:
    """Two simulated cameras on UDP ports, and what reached each."""

    def __init__(self) -> None:
        self.cameras: dict[str, SimulatedCamera] = {}
        self.ports: dict[str, int] = {}
        self.packets = dict.fromkeys(NAMES, 0)

    def guarded(self) -> list[Guarded]:
        return [Guarded(name, f"udp://127.0.0.1:{port}", DIALECT) for name, port in self.ports.items()]

    def drive(self, *names: str) -> None:
        """Set heads going, slowly enough not to reach an end: 9 degrees a second."""
        now = asyncio.get_running_loop().time()
        for name in names:
            self.cameras[name].body.perform(PanTiltDrive(13, 1, 1, 0), now)

    def moving(self, name: str) -> bool:
        return self.cameras[name].head.moving(asyncio.get_running_loop().time())

    async def rests(self, name: str, within: float) -> None:
        began_at = time.monotonic()
        while self.moving(name):
            assert time.monotonic() - began_at < within, f"{name} still moves after {within} s"
            await asyncio.sleep(0.01)


def counting(stage: Stage, name: str, camera: SimulatedCamera) -> None:
    receive = camera.receive

    def counted(datagram: bytes, peer: Hashable, now: float, *, bare: bool = False) -> None:
        stage.packets[name] += 1
        receive(datagram, peer, now, bare=bare)

    camera.receive = counted  # type: ignore[method-assign]


@pytest.fixture
async def stage() -> AsyncIterator[Stage]:
    stage = Stage()
    async with AsyncExitStack() as stack:
        for name in NAMES:
            rng = random.Random(name)
            dialect = load_dialect(DIALECT)
            camera = simulated_camera(dialect, rng)
            counting(stage, name, camera)
            stage.cameras[name] = camera
            stage.ports[name] = await stack.enter_async_context(serve_udp(camera, "127.0.0.1", 0, rng=rng))
        yield stage


@asynccontextmanager
async def running_daemon(stage: Stage) -> AsyncIterator[tuple[asyncio.subprocess.Process, psutil.Process]]:
    """A process that renews the term of `gallery`, and its guard."""
    daemon = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", DAEMON, *(str(port) for port in stage.ports.values())),
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert daemon.stdout is not None
    guard = psutil.Process(int(await daemon.stdout.readline()))
    try:
        yield daemon, guard
    finally:
        if daemon.returncode is None:
            daemon.kill()
        await daemon.wait()
        await ended(guard, 15)


async def ended(process: psutil.Process, within: float) -> None:
    began_at = time.monotonic()
    while process.is_running() and process.status() != psutil.STATUS_ZOMBIE:
        assert time.monotonic() - began_at < within, "the guard does not end"
        await asyncio.sleep(0.02)


async def test_a_daemon_that_is_killed_leaves_no_head_moving_and_no_guard_behind(stage: Stage) -> None:
    async with running_daemon(stage) as (daemon, guard):
        stage.drive("gallery", "left")
        await asyncio.sleep(1.0)
        assert stage.moving("gallery")
        assert stage.packets == {"gallery": 0, "left": 0}  # at rest and while it is renewed, the guard says nothing
        daemon.kill()
        await stage.rests("gallery", within=0.6)
        await ended(guard, 5)
        assert stage.moving("left")  # as an absolute order would: it was not said to need an end
        assert stage.packets["left"] == 0


async def test_a_daemon_that_is_frozen_has_its_camera_stopped_and_gets_it_back(stage: Stage) -> None:
    async with running_daemon(stage) as (daemon, guard):
        stage.drive("gallery")
        await asyncio.sleep(0.5)
        daemon.send_signal(signal.SIGSTOP)
        await stage.rests("gallery", within=1.0)  # a term of 0.4 s, and the way to rest
        await asyncio.sleep(1.5)
        heard = stage.packets["gallery"]
        daemon.send_signal(signal.SIGCONT)
        await asyncio.sleep(0.3)
        stage.drive("gallery")
        await asyncio.sleep(1.0)
        assert stage.moving("gallery")
        assert stage.packets["gallery"] == heard
        assert guard.is_running()


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGINT, signal.SIGQUIT, signal.SIGTERM, signal.SIGUSR1])
async def test_no_signal_ends_the_guard_while_it_halts_a_camera(stage: Stage, number: signal.Signals) -> None:
    async with running_daemon(stage) as (daemon, guard):
        stage.drive("gallery")
        await asyncio.sleep(0.3)
        daemon.kill()
        for _ in range(10):
            if guard.is_running():
                guard.send_signal(number)
            await asyncio.sleep(0.02)
        await stage.rests("gallery", within=0.6)


async def test_the_guard_is_no_child_of_the_terminal(stage: Stage) -> None:
    async with running_daemon(stage) as (daemon, guard):
        assert os.getsid(guard.pid) == guard.pid != os.getsid(daemon.pid)


async def test_a_guard_told_to_end_with_nothing_to_do_ends(stage: Stage) -> None:
    async with Keeper(stage.guarded()) as keeper:
        assert await keeper.living(20)
        assert keeper.pid is not None
        os.kill(keeper.pid, signal.SIGTERM)
        await until(lambda: not keeper.watches, 2)


async def test_a_camera_that_is_to_be_halted_at_the_end_is_halted_after_it(stage: Stage) -> None:
    stage.drive("left")
    async with Keeper(stage.guarded()) as keeper:
        assert await keeper.living(20)
        keeper.renew("left", 0.4)
        keeper.halt("left", "a test")
        keeper.renew("left", 0.0)
        process = keeper.process
    await stage.rests("left", within=0.6)
    assert process is not None
    assert await asyncio.to_thread(process.wait, 10) == 0
    assert stage.packets["gallery"] == 0


async def test_the_daemon_knows_at_once_that_its_guard_was_killed_and_another_takes_over(
    stage: Stage, capsys: pytest.CaptureFixture[str]
) -> None:
    async with Keeper(stage.guarded()) as keeper:
        assert await keeper.living(20)
        first = keeper.pid
        assert first is not None
        keeper.renew("gallery", 2.0)
        os.kill(first, signal.SIGKILL)
        await until(lambda: not keeper.watches, 0.7)
        stage.drive("gallery")
        for _ in range(200):
            keeper.renew("gallery", 0.4)
            await asyncio.sleep(0.1)
            if keeper.watches:
                break
        assert keeper.watches
        assert keeper.pid != first
        assert stage.moving("gallery")
        await stage.rests("gallery", within=1.0)  # the new one has the term of the old one
    said = "".join(capsys.readouterr())
    assert said.index("the guard has died") < said.index("another guard lives")


async def test_a_term_that_runs_out_while_no_guard_lives_is_seen_to_by_the_next(stage: Stage) -> None:
    async with Keeper(stage.guarded()) as keeper:
        assert await keeper.living(20)
        assert keeper.process is not None
        stage.drive("gallery")
        keeper.process.kill()
        keeper.renew("gallery", 0.05)  # over before another can begin
        await stage.rests("gallery", within=8.0)  # its start is in this


async def test_guards_that_die_one_after_another_leave_no_file_open(stage: Stage) -> None:
    async with Keeper(stage.guarded(), command=("true",)) as keeper:
        files = psutil.Process().num_fds()
        first = keeper.process
        for _ in range(2):
            before = keeper.process
            await until(lambda before=before: keeper.process is not before, 5)  # type: ignore[misc]
        assert keeper.process is not first
        await until(lambda: psutil.Process().num_fds() <= files, 5)  # the next may just be starting


async def test_the_daemon_knows_within_0_7_s_that_its_guard_is_frozen_and_another_takes_over(stage: Stage) -> None:
    async with Keeper(stage.guarded()) as keeper:
        assert await keeper.living(20)
        first = keeper.pid
        assert first is not None
        os.kill(first, signal.SIGSTOP)
        await until(lambda: not keeper.watches, 0.7)
        await until(lambda: keeper.watches, 20)
        assert keeper.pid != first
        assert not psutil.pid_exists(first)


async def test_a_guard_that_reads_nothing_holds_nobody_up_and_does_not_watch(stage: Stage) -> None:
    silent = (sys.executable, "-c", "import time; time.sleep(60)")
    async with Keeper(stage.guarded(), command=silent) as keeper:
        began_at = time.monotonic()
        for _ in range(5000):
            keeper.renew("gallery", 0.4)
        assert time.monotonic() - began_at < 1.0
        assert not keeper.watches
    assert keeper.process is not None
    keeper.process.kill()
    keeper.process.wait()


async def test_a_guard_that_can_not_be_started_is_no_guard(stage: Stage) -> None:
    async with Keeper(stage.guarded(), command=("/nowhere/guard",)) as keeper:
        keeper.renew("gallery", 0.4)
        keeper.halt("left", "a test")
        assert not await keeper.living(0.5)
        assert keeper.pid is None


async def test_a_guard_that_does_not_know_every_camera_does_not_watch(stage: Stage) -> None:
    unknown = Guarded("right", "udp://127.0.0.1:9", "no-such-dialect")
    async with Keeper([*stage.guarded(), unknown]) as keeper:
        assert not await keeper.living(3)


async def test_a_terminal_that_has_gone_does_not_end_the_guard_and_its_log_is_dropped(stage: Stage) -> None:
    ours, theirs = pty.openpty()
    guard, pipe = start_guard(stage, stderr=theirs)
    os.close(theirs)
    say(pipe, {"renew": "gallery", "until": None})
    os.close(ours)
    stage.drive("gallery")
    say(pipe, {"halt": "gallery", "why": "a test"})
    os.close(pipe)
    await stage.rests("gallery", within=3.0)  # its start is in this
    assert await asyncio.to_thread(guard.wait, 10) == 0


async def test_a_log_that_nobody_reads_does_not_hold_the_guard_up(stage: Stage) -> None:
    unread, full = os.pipe()
    os.set_blocking(full, False)
    try:
        while True:
            os.write(full, b"x" * 65536)
    except BlockingIOError:
        os.set_blocking(full, True)
    guard, pipe = start_guard(stage, stderr=full)
    stage.drive("gallery")
    say(pipe, {"halt": "gallery", "why": "a test"})
    os.close(pipe)
    await stage.rests("gallery", within=3.0)
    assert await asyncio.to_thread(guard.wait, 10) == 0
    os.close(unread)
    os.close(full)


async def test_what_is_no_message_is_told_and_skipped_and_the_halt_is_logged_with_where_it_stands(stage: Stage) -> None:
    read, write = os.pipe()
    guard, pipe = start_guard(stage, stderr=write)
    os.close(write)
    os.write(pipe, b"no message\n" + b"x" * 10_000 + b'\n{"renew": "gallery", "until": "soon"}\n{"renew": 3}\n\n')
    stage.drive("gallery")
    say(pipe, {"halt": "gallery", "why": "a test"})
    os.close(pipe)
    await stage.rests("gallery", within=3.0)
    assert await asyncio.to_thread(guard.wait, 10) == 0
    lines = [json.loads(line) for line in os.read(read, 1 << 16).splitlines()]
    os.close(read)
    told = lines[-1]
    assert (told["camera"], told["why"]) == ("gallery", "a test")
    assert 0.3 < told["seconds"] < 3.0
    dialect, now = load_dialect(DIALECT), asyncio.get_running_loop().time()
    pan_deg = dialect.pan.degrees(stage.cameras["gallery"].head.pan_counts(now))
    assert told["where"].startswith(f"pan {pan_deg:.1f}°")
    assert sum("can't read" in line["event"] for line in lines) == 2


def start_guard(stage: Stage, stderr: int) -> tuple[subprocess.Popen[bytes], int]:
    """Start a guard by hand; return it and the pipe to its stdin."""
    read, write = os.pipe()
    guard = subprocess.Popen(
        [sys.executable, "-m", "ptzd.guard"],
        stdin=read,
        stdout=subprocess.DEVNULL,
        stderr=stderr,
        start_new_session=True,
    )
    os.close(read)
    for each in stage.guarded():
        say(write, {"watch": each.name, "link": each.link, "dialect": each.dialect})
    return guard, write


def say(pipe: int, message: dict[str, object]) -> None:
    os.write(pipe, json.dumps(message).encode() + b"\n")


@pytest.mark.parametrize("moves", [True, False])
async def test_a_daemon_that_ends_names_the_cameras_which_its_guard_still_has_to_stop_and_no_others(
    moves: bool,
) -> None:
    slow_to_end = (sys.executable, "-c", "import time; time.sleep(60)")
    cameras = [Guarded(name, "udp://127.0.0.1:9", DIALECT) for name in ("left", "gallery")]
    with capture_logs() as logged:
        async with Keeper(cameras, command=slow_to_end) as keeper:
            guard = keeper.process
            if moves:
                keeper.renew("gallery", 2.0)
    assert guard is not None
    guard.kill()
    guard.wait()
    assert [each["cameras"] for each in logged if "goes on until" in each["event"]] == ([["gallery"]] if moves else [])
