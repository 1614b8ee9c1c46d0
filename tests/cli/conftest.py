"""A terminal that nobody types in: the commands as processes, a broker, and a stand-in for the daemon."""

from __future__ import annotations

import asyncio
import os
import pty
import random
import socket
import sys
from asyncio.subprocess import Process
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path

import aiomqtt
import brokers
import psutil
import pytest
from commands import Answering, Ended, OnATerminal, Ptzd, StandIn, StandInFor, StartPtzd, Terminal
from forking import Forked, Forking, forking
from ptzsim import SimulatedCamera, serve_udp
from ptzsim.fleet import CameraPlan

PTZD = (sys.executable, "-c", "from ptzd.cli import main; main()")


def environment(**more: str) -> dict[str, str]:
    """The environment of a command: nothing of ours but what a test sets."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith("PTZD_")}
    return kept | {"NO_COLOR": "1", "COLUMNS": "200"} | more


async def _alone(*arguments: str, stdin: str = "", seconds: float = 20.0, **variables: str) -> Ended:
    process = await asyncio.create_subprocess_exec(
        *PTZD,
        *arguments,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env=environment(**variables),
    )
    try:
        async with asyncio.timeout(seconds):
            out, err = await process.communicate(stdin.encode())
    except TimeoutError:
        process.kill()
        out, err = await process.communicate()
        raise AssertionError(f"{arguments} did not end in {seconds} s: {out!r} {err!r}") from None
    assert process.returncode is not None
    return Ended(process.returncode, out.decode(), err.decode())


@pytest.fixture
def ptzd_alone() -> Ptzd:
    """Runs one command to its end, as a process that reads of the program what it needs, and no more."""
    return _alone


@pytest.fixture(scope="session")
def forked() -> Iterator[Forking | None]:
    """Starts commands as processes that have read all of the program before; None where none can be."""
    if "COVERAGE_PROCESS_START" in os.environ:  # counts by processes which test reaches what
        yield None
        return
    with forking(environment()) as each:
        yield each


@pytest.fixture(scope="session")
def ptzd(forked: Forking | None) -> Ptzd:
    """Runs one command to its end."""
    if forked is None:
        return _alone

    async def run(*arguments: str, stdin: str = "", seconds: float = 20.0, **variables: str) -> Ended:
        return Ended(*await forked.run(arguments, stdin, seconds, environment(**variables)))

    return run


@pytest.fixture
def free_port() -> int:
    return brokers.free_port()


@pytest.fixture
async def start_ptzd(forked: Forking | None) -> AsyncIterator[StartPtzd]:
    """Starts a command that stays, and ends it with the test."""
    async with AsyncExitStack() as stack:
        started: list[Process | Forked] = []

        async def start(*arguments: str, **variables: str) -> Process | Forked:
            if forked is None:
                process: Process | Forked = await _start(*PTZD, *arguments, env=environment(**variables))
            else:
                process = await stack.enter_async_context(forked.start(arguments, environment(**variables)))
            started.append(process)
            return process

        yield start
        await _end(started)


async def _end(started: Sequence[Process | Forked]) -> None:
    for process in started:
        if process.returncode is None:
            outliving = psutil.Process(process.pid).children()  # a guard, whose cameras may have gone with the test
            process.terminate()
            try:
                async with asyncio.timeout(10):
                    while psutil.pid_exists(process.pid):
                        await asyncio.sleep(0.05)
            except TimeoutError:
                process.kill()
                raise
            finally:
                for each in outliving:
                    with suppress(psutil.NoSuchProcess):
                        each.kill()
            await process.communicate()


@pytest.fixture
async def on_a_terminal() -> AsyncIterator[OnATerminal]:
    """Starts a command on a terminal of its own, and kills it with the test if it has not ended."""
    started: list[tuple[Process, int, int]] = []

    async def start(*arguments: str) -> Terminal:
        ours, theirs = pty.openpty()
        process = await asyncio.create_subprocess_exec(
            *PTZD,
            *arguments,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=environment(TERM="xterm"),
            preexec_fn=lambda: os.login_tty(theirs),  # so that Ctrl-C reaches it
        )
        started.append((process, ours, theirs))  # theirs stays open: its settings are read after the end
        return Terminal(ours, process)

    yield start
    for process, ours, theirs in started:
        if process.returncode is None:
            process.kill()
            await process.wait()
        asyncio.get_running_loop().remove_reader(ours)
        os.close(ours)
        os.close(theirs)


@pytest.fixture
def cameras(simulated: Mapping[int, SimulatedCamera]) -> int:
    """The UDP port of the first of two simulated cameras of the dialect nibble4-51; the other has the next."""
    return min(simulated)


@pytest.fixture
async def simulated() -> AsyncIterator[Mapping[int, SimulatedCamera]]:
    """The same two by their ports, served by the test itself."""
    first = _two_free_udp_ports()
    now = asyncio.get_running_loop().time()
    served: dict[int, SimulatedCamera] = {}
    async with AsyncExitStack() as listening:
        for port, seed in ((first, 1), (first + 1, 2)):
            plan = CameraPlan("any", "127.0.0.1", port, "nibble4-51", "tripod", seed, ready=True, loss=0.0)
            served[port] = plan.build(now)
            await listening.enter_async_context(serve_udp(served[port], plan.host, port, rng=random.Random(seed)))
        yield served


async def _start(*command: str, env: Mapping[str, str] | None = None) -> Process:
    return await asyncio.create_subprocess_exec(
        *command,
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env=env,
    )


def _two_free_udp_ports() -> int:
    while True:
        with (
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one,
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as next_one,
        ):
            one.bind(("127.0.0.1", 0))
            first = int(one.getsockname()[1])
            try:
                next_one.bind(("127.0.0.1", first + 1))
            except OSError:
                continue
            return first


@pytest.fixture(scope="session")
def broker_process() -> Iterator[int]:
    """The port of a broker in a process of its own, which all tests share."""
    with brokers.running_embedded() as port:
        yield port


@pytest.fixture
async def broker(broker_process: int) -> str:
    """A broker that remembers nothing of the test before, as HOST:PORT."""
    async with aiomqtt.Client("127.0.0.1", broker_process) as client:
        await client.subscribe("#", qos=1)
        await client.publish("the/last", "?", qos=1)
        async for message in client.messages:
            if str(message.topic) == "the/last":
                break
            await client.publish(str(message.topic), b"", qos=1, retain=True)
    return f"127.0.0.1:{broker_process}"


@asynccontextmanager
async def _stand_in(broker: str, answers: Mapping[str, Answering]) -> AsyncIterator[StandIn]:
    host, port = broker.split(":")
    async with aiomqtt.Client(host, int(port)) as client:
        daemon = StandIn(client, answers)
        for topic in answers:
            await client.subscribe(f"ptzd/{topic}", qos=1)
        await daemon.say_online()
        serving = asyncio.create_task(daemon.serve())
        try:
            yield daemon
        finally:
            while (
                not serving.done()
            ):  # in Python 3.11 a wait that ends in that very moment forgets that it is cancelled
                serving.cancel()
                await asyncio.wait([serving], timeout=1.0)
            if not serving.cancelled():
                serving.result()
            await daemon.say_offline()


@pytest.fixture
def stand_in() -> StandInFor:
    """A daemon with the cameras gallery and left, online on a broker, that answers what it is told to answer.

    Each answer is the topic below the base and the payload; the `id` of the command is put in.
    """
    return _stand_in


@pytest.fixture
def config(tmp_path: Path, broker: str, cameras: int) -> Path:
    """A configuration of the cameras left and gallery, which are simulated."""
    path = tmp_path / "granary.toml"
    path.write_text(
        f'[broker]\nport = {broker.split(":")[1]}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n'
        '[tally]\nsource = "none"\n'
        f'[camera.left]\nlink = "udp://127.0.0.1:{cameras}"\ndialect = "nibble4-51"\n'
        f'[camera.gallery]\nlink = "udp://127.0.0.1:{cameras + 1}"\ndialect = "nibble4-51"\n'
    )
    return path
