"""Simulated cameras where controllers reach them: a link in memory, real sockets on 127.0.0.1, and the command.

The bytes are those of the SRG-300H technical manual, chapter "VISCA over IP".
"""

from __future__ import annotations

import ast
import asyncio
import random
import signal
import socket
import sys
from collections.abc import Callable
from pathlib import Path

import psutil
import ptzsim
import pytest
from ptzsim import SimulatedCamera, draw_habits, serve_memory, serve_udp
from ptzsim.virtual_time import run

from ptzd import links
from ptzd.links import LinkAddress, MemoryLink, memory_pair

ASK_POWER = bytes.fromhex("0110 0005 00000001 81 09 04 00 ff")
POWER_IS_ON = bytes.fromhex("0111 0004 00000001 90 50 02 ff")
GO_RIGHT = bytes.fromhex("0100 000f 00000001 81 01 06 02 18 12 02 02 00 00 00 00 00 00 ff")  # to 2200, 170°
RESET = bytes.fromhex("0200 0001 00000000 01")
RESET_DONE = bytes.fromhex("0201 0001 00000000 01")
MakeCamera = Callable[..., SimulatedCamera]


def free_ports(count: int) -> int:
    """A port from which on so many are free."""
    while True:
        first = random.randrange(20_000, 60_000 - count)
        try:
            for port in range(first, first + count):
                with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as tried:
                    tried.bind(("127.0.0.1", port))
        except OSError:
            continue
        return first


def test_over_a_link_in_memory_a_camera_starts_up_and_moves_while_no_time_passes_outside(
    make_camera: MakeCamera,
) -> None:
    async def talk() -> tuple[list[str], float]:
        here, there = memory_pair(delay_seconds=0.001, rng=random.Random(1))
        async with asyncio.TaskGroup() as tasks:
            serving = tasks.create_task(serve_memory(make_camera(ready=False), there))
            here.send(RESET)
            heard = [await here.receive()]
            await asyncio.sleep(26.0 - asyncio.get_running_loop().time())
            here.send(GO_RIGHT)
            heard += [await here.receive(), await here.receive()]
            ended_at = asyncio.get_running_loop().time()
            serving.cancel()
        return [datagram[8:].hex() for datagram in heard], ended_at

    heard, ended_at = run(talk())
    assert heard == ["01", "9041ff", "9051ff"]
    # 170° at 120°/s and 120°/s² is 170/120 + 1 s, ± 5 %, and some milliseconds of latency.
    assert 26.0 + 2.417 * 0.95 < ended_at < 26.0 + 2.417 * 1.05 + 0.1


def test_over_a_lossy_link_some_is_lost_and_the_rest_is_answered(make_camera: MakeCamera) -> None:
    async def answered() -> int:
        here, there = memory_pair(loss=0.3, rng=random.Random(1))
        count = 0

        async def listen(link: MemoryLink) -> None:
            nonlocal count
            while True:
                await link.receive()
                count += 1

        async with asyncio.TaskGroup() as tasks:
            running = [tasks.create_task(serve_memory(make_camera(), there)), tasks.create_task(listen(here))]
            for _ in range(1000):
                here.send(RESET)
                await asyncio.sleep(0.05)
            for task in running:
                task.cancel()
        return count

    assert 400 < run(answered()) < 580  # 0.7 × 0.7 of 1000


async def test_a_camera_answers_on_a_real_socket(make_camera: MakeCamera) -> None:
    async with (
        serve_udp(make_camera(), "127.0.0.1", 0, rng=random.Random(1)) as port,
        links.open(LinkAddress("127.0.0.1", port)) as link,
        asyncio.timeout(5.0),
    ):
        link.send(RESET)
        assert await link.receive() == RESET_DONE
        link.send(ASK_POWER)
        assert await link.receive() == POWER_IS_ON


async def test_two_controllers_on_real_sockets_each_hear_their_own_answers(make_camera: MakeCamera) -> None:
    async with (
        serve_udp(make_camera(), "127.0.0.1", 0, rng=random.Random(1)) as port,
        links.open(LinkAddress("127.0.0.1", port)) as first,
        links.open(LinkAddress("127.0.0.1", port)) as second,
        asyncio.timeout(5.0),
    ):
        first.send(ASK_POWER)
        assert await first.receive() == POWER_IS_ON
        second.send(ASK_POWER)  # the number 1 has been used
        assert (await second.receive())[8:] == b"\x0f\x01"


async def test_garbage_from_the_network_is_survived(make_camera: MakeCamera) -> None:
    rng = random.Random(1)
    async with (
        serve_udp(make_camera(), "127.0.0.1", 0, rng=random.Random(1)) as port,
        links.open(LinkAddress("127.0.0.1", port)) as stranger,
        links.open(LinkAddress("127.0.0.1", port)) as link,
        asyncio.timeout(10.0),
    ):
        for length in range(100):
            stranger.send(rng.randbytes(length))
        link.send(RESET)
        assert await link.receive() == RESET_DONE


async def test_with_loss_a_real_socket_drops_datagrams(make_camera: MakeCamera) -> None:
    async with (
        serve_udp(make_camera(), "127.0.0.1", 0, loss=0.9, rng=random.Random(3)) as port,
        links.open(LinkAddress("127.0.0.1", port)) as link,
    ):
        for _ in range(20):
            link.send(RESET)
        heard = 0
        try:
            async with asyncio.timeout(1.0):
                while True:
                    await link.receive()
                    heard += 1
        except TimeoutError:
            pass
        assert heard < 10


async def test_a_doubled_datagram_is_a_repeat_and_an_answer_comes_twice(make_camera: MakeCamera) -> None:
    async with (
        serve_udp(make_camera(), "127.0.0.1", 0, doubled=1.0, rng=random.Random(3)) as port,
        links.open(LinkAddress("127.0.0.1", port)) as link,
        asyncio.timeout(5.0),
    ):
        link.send(RESET)
        assert [await link.receive() for _ in range(4)] == [RESET_DONE] * 4
        link.send(GO_RIGHT)
        heard = [(await link.receive())[8:].hex() for _ in range(4)]
    assert heard == ["9041ff"] * 2 + ["0f01"] * 2  # performed once, and its repeat has an abnormal number


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "camera", ""])
async def test_a_simulated_camera_never_listens_to_a_network(make_camera: MakeCamera, host: str) -> None:
    with pytest.raises(ValueError, match="this machine alone"):
        async with serve_udp(make_camera(), host, 0, rng=random.Random(1)):
            pass


def test_the_simulated_head_shares_nothing_with_the_planners_model() -> None:
    seen = set()
    for file in Path(ptzsim.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.level == 0:
                seen.add(node.module)
            elif isinstance(node, ast.Import):
                seen.update(alias.name for alias in node.names)
    assert {name for name in seen if name and name.startswith("ptzd")} == {"ptzd.visca", "ptzd.links"}


# The command


async def start(*arguments: str) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable,
        "-c",
        "from ptzsim.cli import main; main()",
        *arguments,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )


async def line_of(process: asyncio.subprocess.Process) -> str:
    assert process.stdout is not None
    async with asyncio.timeout(20.0):
        return (await process.stdout.readline()).decode().strip()


async def failure(*arguments: str) -> tuple[int | None, str]:
    process = await start(*arguments)
    async with asyncio.timeout(20.0):
        _, stderr = await process.communicate()
    return process.returncode, stderr.decode()


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
async def test_the_command_says_where_each_camera_listens_and_ends_when_told(ending: signal.Signals) -> None:
    port = free_ports(2)
    process = await start(
        "--listen", f"127.0.0.1:{port}", "--dialect", "nibble4-51", "--cameras", "2", "--ready", "--seed", "4"
    )
    assert f"127.0.0.1:{port} " in await line_of(process)
    assert f"127.0.0.1:{port + 1} " in await line_of(process)
    async with links.open(LinkAddress("127.0.0.1", port + 1)) as link, asyncio.timeout(5.0):
        link.send(ASK_POWER)
        assert await link.receive() == POWER_IS_ON
    process.send_signal(ending)
    async with asyncio.timeout(10.0):
        stdout, stderr = await process.communicate()
    assert (process.returncode, stdout, stderr) == (0, b"", b"")


async def test_two_hundred_idle_heads_cost_one_process_nothing() -> None:
    port = free_ports(200)
    process = await start("--listen", f"127.0.0.1:{port}", "--dialect", "nibble4-51", "--cameras", "200", "--ready")
    for _ in range(200):
        assert "listens on" in await line_of(process)
    busy = psutil.Process(process.pid)
    before = sum(busy.cpu_times()[:2])
    await asyncio.sleep(1.0)
    assert sum(busy.cpu_times()[:2]) - before < 0.1
    process.terminate()
    await process.communicate()
    assert process.returncode == 0


async def test_a_file_brings_cameras_of_many_dialects(tmp_path: Path) -> None:
    port = free_ports(2)
    file = tmp_path / "cameras.toml"
    file.write_text(
        f"""
        [camera.left]
        listen = "127.0.0.1:{port}"
        dialect = "nibble4-14"
        ready = true

        [camera.gallery]
        listen = "127.0.0.1:{port + 1}"
        dialect = "shared5-205"
        mount = "balcony-rail"
        ready = true
        """
    )
    process = await start("--cameras-file", str(file))
    assert await line_of(process) == f"left listens on 127.0.0.1:{port} (nibble4-14, tripod)"
    assert await line_of(process) == f"gallery listens on 127.0.0.1:{port + 1} (shared5-205, balcony-rail)"
    process.terminate()
    await process.communicate()
    assert process.returncode == 0


async def sockets_of(port: int) -> int:
    """How many commands a camera says that it holds (FCB-EH4300 VISCA reference, version inquiry)."""
    async with links.open(LinkAddress("127.0.0.1", port)) as link, asyncio.timeout(5.0):
        link.send(RESET)
        while await link.receive() != RESET_DONE:
            pass
        link.send(bytes.fromhex("0110 0005 00000001 81 09 00 02 ff"))
        while len(answer := (await link.receive())[8:]) != 10:
            pass
        return answer[8]


async def test_cameras_have_habits_of_their_own_by_number(tmp_path: Path) -> None:
    sockets = [draw_habits(random.Random(seed)).sockets for seed in range(8)]
    assert len(set(sockets)) == 3
    port = free_ports(9)
    process = await start(
        "--listen", f"127.0.0.1:{port}", "--dialect", "nibble4-51", "--cameras", "8", "--ready", "--habits", "0",
        "--doubled", "0.5",
    )  # fmt: skip
    for _ in range(8):
        assert "listens on" in await line_of(process)
    assert [await sockets_of(port + index) for index in range(8)] == sockets
    process.terminate()
    await process.communicate()

    odd = next(seed for seed, held in enumerate(sockets) if held != 2)
    file = tmp_path / "cameras.toml"
    file.write_text(
        f'[camera.left]\nlisten = "127.0.0.1:{port}"\ndialect = "nibble4-51"\nready = true\nhabits = {odd}\n'
        f"doubled = 0.5\n"
        f'[camera.right]\nlisten = "127.0.0.1:{port + 1}"\ndialect = "nibble4-51"\nready = true\n'
    )
    process = await start("--cameras-file", str(file))
    for _ in range(2):
        assert "listens on" in await line_of(process)
    assert [await sockets_of(port), await sockets_of(port + 1)] == [sockets[odd], 2]
    process.terminate()
    await process.communicate()


async def test_a_port_that_is_taken_is_a_failure_in_one_sentence() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        code, said = await failure("--listen", f"127.0.0.1:{port}", "--dialect", "nibble4-51")
    assert code == 1
    assert len(said.splitlines()) == 1 and f"127.0.0.1:{port}" in said and "another port" in said


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ([], "--listen"),
        (["--listen", "127.0.0.1:52381"], "--dialect"),
        (["--listen", "127.0.0.1:52381", "--dialect", "nibble9"], "nibble9"),
        (["--listen", "127.0.0.1", "--dialect", "nibble4-51"], "127.0.0.1:52381"),
        (["--listen", "127.0.0.1:99999", "--dialect", "nibble4-51"], "65535"),
        (["--listen", "0.0.0.0:52381", "--dialect", "nibble4-51"], "this machine alone"),
        (["--listen", "127.0.0.1:65535", "--dialect", "nibble4-51", "--cameras", "2"], "65535"),
        (["--listen", "127.0.0.1:52381", "--dialect", "nibble4-51", "--loss", "1.5"], "--loss"),
        (["--listen", "127.0.0.1:52381", "--dialect", "nibble4-51", "--doubled", "1.5"], "--doubled"),
        (["--listen", "127.0.0.1:52381", "--dialect", "nibble4-51", "--habits", "odd"], "--habits"),
        (["--listen", "127.0.0.1:52381", "--dialect", "nibble4-51", "--mount", "crane"], "crane"),
        (["--cameras-file", "no-such-file.toml"], "no-such-file.toml"),
    ],
)
async def test_wrong_use_is_told_in_one_sentence(arguments: list[str], named: str) -> None:
    code, said = await failure(*arguments)
    assert code == 2
    assert len(said.splitlines()) == 1 and named in said


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("camera = 3", "camera"),
        ("[camera", "TOML"),
        ('[camera.left]\nlisten = "127.0.0.1:52381"', "camera.left.dialect"),
        ('[camera.left]\nlisten = "127.0.0.1:52381"\ndialect = "nibble4-51"\ncolour = "red"', "camera.left.colour"),
        ('[camera.left]\nlisten = "0.0.0.0:1"\ndialect = "nibble4-51"', "camera left"),
        ('[camera.left]\nlisten = "127.0.0.1:52381"\ndialect = "nibble9"', "nibble9"),
        ('[camera.left]\nlisten = "127.0.0.1:52381"\ndialect = "nibble4-51"\nmount = "crane"', "crane"),
        ('[camera.left]\nlisten = "127.0.0.1:52381"\ndialect = "nibble4-51"\nseed = "7"', "camera.left.seed"),
        ('[camera."Left!"]\nlisten = "127.0.0.1:52381"\ndialect = "nibble4-51"', "Left!"),
    ],
)
async def test_a_wrong_file_is_told_in_one_sentence(tmp_path: Path, text: str, named: str) -> None:
    file = tmp_path / "cameras.toml"
    file.write_text(text)
    code, said = await failure("--cameras-file", str(file))
    assert code == 2
    assert len(said.splitlines()) == 1 and named in said
