"""Finding cameras: what is asked of whom, how fast, and with how little harm to whoever speaks to them already.

That a camera keeps one count of messages for all, and answers 0F 01 to a number out of order without counting it:
SRG-300H technical manual, "VISCA over IP". The form of `/proc/net/route`: route(8) and proc(5), addresses in the
computer's own order of bytes.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from ipaddress import IPv4Network
from itertools import pairwise
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from brokers import required
from commands import Ptzd, StartPtzd
from ptzsim import serve_udp, virtual_time
from ptzsim.camera import SimulatedCamera
from ptzsim.fleet import CameraPlan
from ptzsim.serial_line import serve_serial
from ptzsim.serving import serve_memory, serve_tcp

from ptzd.cli.commands.find_targets import own_networks, targets
from ptzd.config import load_config
from ptzd.line import Line
from ptzd.line.asking import Asker, Spacing, SpokenTo
from ptzd.links import MemoryLink, memory_pair
from ptzd.visca import (
    RESET,
    Packet,
    PayloadType,
    PowerInquiry,
    PowerStandby,
    VersionInquiry,
    dialect_names,
    load_dialect,
)

ANY = load_dialect("nibble4-51")
OWN = [IPv4Network("127.0.0.0/8"), IPv4Network("10.20.0.0/16"), IPv4Network("192.168.7.0/24")]
ROUTES = """\
Iface	Destination	Gateway 	Flags	RefCnt	Use	Metric	Mask		MTU	Window	IRTT
eth0	00000000	0107A8C0	0003	0	0	0	00000000	0	0	0
eth0	0007A8C0	00000000	0001	0	0	0	00FFFFFF	0	0	0
eth1	0000140A	00000000	0001	0	0	0	0000FFFF	0	0	0
eth1	0000630A	0207A8C0	0003	0	0	0	0000FFFF	0	0	0
"""


def unit(dialect: str, seed: int = 1) -> CameraPlan:
    return CameraPlan("any", "127.0.0.1", 1, dialect, "tripod", seed, ready=True, loss=0.0)


def test_the_networks_of_this_computer_are_those_without_a_gateway() -> None:
    assert [*map(str, own_networks(ROUTES))] == ["127.0.0.0/8", "192.168.7.0/24", "10.20.0.0/16"]


@pytest.mark.parametrize(
    ("written", "asked"),
    [
        (["10.99.1.2"], ["udp://10.99.1.2:52381"]),  # a single address may lie anywhere
        (["udp://stage.granary:52382"], ["udp://stage.granary:52382"]),
        (["serial:/dev/ttyS0?address=2"], ["serial:/dev/ttyS0?address=2"]),
        (["serial:/dev/ttyS0"], [f"serial:/dev/ttyS0?address={place}" for place in range(1, 8)]),
        (["tcp://127.0.0.1:5678-5679"], ["tcp://127.0.0.1:5678", "tcp://127.0.0.1:5679"]),
        (["127.0.0.1:52381-52383"], [f"udp://127.0.0.1:{port}" for port in (52381, 52382, 52383)]),
        (
            ["192.168.7.16/30"],
            ["udp://192.168.7.17:52381", "udp://192.168.7.18:52381"],
        ),  # neither its name nor everybody
        (["192.168.7.17", "192.168.7.16/30"], ["udp://192.168.7.17:52381", "udp://192.168.7.18:52381"]),
    ],
)
def test_what_is_asked(written: list[str], asked: list[str]) -> None:
    assert [*map(str, targets(written, OWN))] == asked


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("10.99.0.0/24", "in no network of this computer"),
        ("192.168.0.0/22", "in no network of this computer"),  # which is wider than this computer's own
        ("10.20.0.0/21", "too wide"),
        ("127.0.0.0/8", "too wide"),
        ("10.20.0.0/22:52381-52382", "ask 1024 at most"),
        ("granary/24", "no range of addresses"),
        ("127.0.0.1:9-8", "no range of ports"),
        ("127.0.0.1:0-70000", "no range of ports"),
        ("http://127.0.0.1", "http://127.0.0.1"),
        ("tcp://127.0.0.1", "has no port"),
        ("two words", "two words"),
    ],
)
def test_what_is_not_asked(written: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        targets([written], OWN)


def test_a_range_as_wide_as_may_be_has_1022_addresses() -> None:
    assert len(targets(["10.20.4.0/22"], OWN)) == 1022


class Watched:
    """One end of a wire that notes what is sent over it, and when."""

    form = MemoryLink.form

    def __init__(self, link: MemoryLink) -> None:
        self._link = link
        self.sent: list[tuple[float, Packet]] = []

    trouble = None

    def overtake(self) -> None:
        self._link.overtake()

    def send(self, datagram: bytes) -> None:
        self.sent.append((asyncio.get_running_loop().time(), Packet.decode(datagram)))
        self._link.send(datagram)

    async def receive(self) -> bytes:
        return await self._link.receive()


@asynccontextmanager
async def asking(loss: float = 0.0, seed: int = 1) -> AsyncIterator[tuple[Asker, Watched, Line, list[bool]]]:
    """An asker, what it sends, and another controller of the same camera, with how often that one lost its count."""
    lost_count: list[bool] = []
    rng = random.Random(seed)
    camera = unit("nibble4-51").build(0.0)
    here, there = memory_pair(loss=loss, rng=rng)
    elsewhere, there_too = memory_pair(rng=rng)
    other = Line(elsewhere, ANY, on_restart=lambda: lost_count.append(True))
    tasks = [asyncio.create_task(serve_memory(camera, there, there_too)), asyncio.create_task(other.run())]
    for _ in range(3):
        await other.ask(PowerInquiry())
    watched = Watched(here)
    yield Asker(watched, Spacing(50.0)), watched, other, lost_count
    for task in tasks:
        task.cancel()
    await asyncio.wait(tasks)


def test_one_reset_is_all_that_a_camera_gets_and_no_command() -> None:
    async def play() -> None:
        told = 0
        for seed in range(30):
            async with asking(loss=0.1, seed=seed) as (asker, watched, _, _):
                if not await asker.there(VersionInquiry(), ANY):
                    continue  # all that was asked was lost
                version = await asker.ask(VersionInquiry(), ANY)
                told += version is not None and version.rom == 1
                kinds = [packet.payload_type for _, packet in watched.sent]
                assert set(kinds) == {PayloadType.INQUIRY, PayloadType.CONTROL}
                lost = len(kinds) - 3
                assert kinds.count(PayloadType.CONTROL) <= 1 + lost, seed
                assert all(packet.payload[1] == 0x09 for _, packet in watched.sent if packet.payload != RESET)
        assert told >= 28, "what is lost is asked again"

    virtual_time.run(play())


def test_whether_a_camera_is_there_is_found_out_without_disturbing_who_speaks_to_it() -> None:
    async def play() -> None:
        async with asking() as (asker, watched, other, lost_count):
            datagram = Packet(PayloadType.INQUIRY, 0x5A5A0001, VersionInquiry.message).encode()
            watched.send(datagram)
            assert Packet.decode(await watched.receive()).payload == b"\x0f\x01"
            for _ in range(3):
                await other.ask(PowerInquiry())
            assert lost_count == []
            assert await asker.there(VersionInquiry(), ANY)
            first = next(packet for _, packet in watched.sent[1:])
            assert first.payload_type is PayloadType.INQUIRY and first.sequence > 1000, "that is nobody's next number"
            await other.ask(PowerInquiry())
            assert lost_count == [True], "the RESET is what others notice, once"

    virtual_time.run(play())


def test_a_camera_that_somebody_speaks_to_is_left_alone_at_once() -> None:
    async def play() -> None:
        async with asking() as (asker, watched, other, _):
            assert await asker.there(VersionInquiry(), ANY)
            await other.ask(PowerInquiry())
            before = len(watched.sent)
            with pytest.raises(SpokenTo):
                await asker.ask(VersionInquiry(), ANY)
            await asyncio.sleep(5)
            assert len(watched.sent) == before + 1

    virtual_time.run(play())


def test_no_more_leaves_in_a_second_than_was_said() -> None:
    async def play() -> list[float]:
        spacing, left = Spacing(20.0), []

        async def hurry() -> None:
            for _ in range(10):
                await spacing.turn()
                left.append(asyncio.get_running_loop().time())

        async with asyncio.TaskGroup() as group:
            for _ in range(8):
                group.create_task(hurry())
        return left

    left = sorted(virtual_time.run(play()))
    assert len(left) == 80
    assert all(later - earlier >= 0.05 - 1e-9 for earlier, later in pairwise(left))


class Elsewhat(asyncio.DatagramProtocol):
    """A device on the same network that is no camera."""

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self.transport.sendto(b"\xa5lamp ready", addr)


@asynccontextmanager
async def five_heads() -> AsyncIterator[dict[str, tuple[str, SimulatedCamera]]]:
    """A camera of each dialect, by its address."""
    now = asyncio.get_running_loop().time()
    found: dict[str, tuple[str, SimulatedCamera]] = {}
    async with AsyncExitStack() as stack:
        for seed, name in enumerate(dialect_names()):
            camera = unit(name, seed).build(now)
            port = await stack.enter_async_context(serve_udp(camera, "127.0.0.1", 0, rng=random.Random(seed)))
            found[f"udp://127.0.0.1:{port}"] = name, camera
        yield found


async def test_each_dialect_is_found_over_each_link_and_the_daemon_runs_with_what_is_written(
    ptzd: Ptzd, start_ptzd: StartPtzd, tmp_path: Path, broker: str
) -> None:
    path, now = tmp_path / "found.toml", asyncio.get_running_loop().time()
    truly: dict[str, str] = {}
    cameras: list[SimulatedCamera] = []

    def camera(name: str) -> SimulatedCamera:
        cameras.append(unit(name, len(cameras)).build(now))
        return cameras[-1]

    async with AsyncExitStack() as stack:
        for name in dialect_names():
            rng = random.Random(len(cameras))
            for scheme, serving in (
                ("udp", serve_udp(camera(name), "127.0.0.1", 0, rng=rng)),
                ("bare-udp", serve_udp(camera(name), "127.0.0.1", 0, bare=True, rng=rng)),
                ("tcp", serve_tcp(camera(name), "127.0.0.1", 0, rng=rng)),
            ):
                truly[f"{scheme}://127.0.0.1:{await stack.enter_async_context(serving)}"] = name
        asked = [*truly, f"serial:{tmp_path / 'wire'}"]
        chain = [camera(name) for name in dialect_names()]
        await stack.enter_async_context(serve_serial(chain, tmp_path / "wire", rng=random.Random(1)))
        for place, name in enumerate(dialect_names(), 1):
            truly[f"serial:{tmp_path / 'wire'}?address={place}"] = name
        ended = await ptzd(
            *("find", *asked, "--write", str(path), "--name", "left", "--json", "--per-second", "100"), seconds=60
        )
        assert ended.code == 0, ended.err
        assert {each["address"]: each["fits"][0] for each in ended.json()} == truly
        sure = {each["fits"][0]: each["sureness"] for each in ended.json()}
        assert sure["nibble4-14"] == "fits nibble4-14 alone"
        assert sure["shared5-205"] == "fits shared5-205 alone"
        assert sure["shared4-51"].startswith("fits 2: shared4-51 and nibble4-51; shared4-51 is likelier")
        assert "nothing moves" in ended.err

        again = await ptzd("find", asked[0], "--write", str(path))
        assert (again.code, "not written over" in again.err) == (2, True)
        config = load_config(path)
        assert [*config.camera] == ["left", *(f"camera-{number}" for number in range(2, 21))]
        path.write_text(path.read_text().replace("port = 1883", f'port = {broker.split(":")[1]}\nprotocol = "3.1.1"'))
        await start_ptzd("run", "--config", str(path))
        up: set[str] = set()
        async with asyncio.timeout(60), aiomqtt.Client("127.0.0.1", int(broker.split(":")[1])) as client:
            await client.subscribe("ptzd/camera/+/state", qos=1)
            async for message in client.messages:
                state = json.loads(message.payload)
                if (state["link"], state["power"], state["pan_counts"] is None) == ("up", "on", False):
                    up.add(state["camera"])
                if up == set(config.camera):
                    break
        assert not any(camera.head.asked_to_move for camera in cameras)


async def test_what_is_no_camera_and_what_can_not_be_told_is_said(ptzd: Ptzd, tmp_path: Path, free_port: int) -> None:
    loop = asyncio.get_running_loop()
    async with five_heads() as heads:
        transport, _ = await loop.create_datagram_endpoint(Elsewhat, local_addr=("127.0.0.1", 0))
        lamp = f"127.0.0.1:{transport.get_extra_info('sockname')[1]}"
        (asleep, (_, camera)), *_ = heads.items()
        camera.moved_by_another(PowerStandby(), loop.time())
        path = tmp_path / "found.toml"
        ended = await ptzd("find", lamp, asleep, f"127.0.0.1:{free_port}", "--write", str(path), "--json")
        transport.close()
    found = {each["address"]: each for each in ended.json()}
    assert [*found] == [f"udp://{lamp}", asleep], "of what does not answer nothing is said"
    assert found[f"udp://{lamp}"]["camera"] is False
    assert found[f"udp://{lamp}"]["strange"].startswith("a5 6c 61 6d 70")
    assert (found[asleep]["power"], found[asleep]["fits"]) == ("standby", [])
    assert ended.code == 1, "a configuration without a camera that is known is none"
    assert "camera" in ended.err


async def test_a_serial_device_that_is_not_there_is_told(ptzd: Ptzd, tmp_path: Path) -> None:
    ended = await ptzd("find", f"serial:{tmp_path / 'nowhere'}")
    assert (ended.code, ended.out) == (1, "0 of 7 answered, 0 as a camera does.\n")
    assert "Nobody answers on" in ended.err and "there is no such device" in ended.err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "127.0.0.0/8"),
        (["8.8.8.0/24"], "in no network of this computer"),
        (["127.0.0.1", "--dialect", "/nowhere.toml"], "can't be read"),
        (["serial:ttyUSB0"], "by its whole path"),
        (["127.0.0.1", "--per-second", "0"], "0.5<=x<=200"),
    ],
)
async def test_a_misuse_is_told_before_anything_is_sent(ptzd: Ptzd, arguments: list[str], says: str) -> None:
    ended = await ptzd("find", *arguments)
    assert (ended.code, ended.out) == (2, "")
    assert says in ended.err


IN_A_NETWORK_OF_ITS_OWN = """
import asyncio, json, random, subprocess, sys
import ptzsim.serving
from ptzsim import serve_udp
from ptzsim.fleet import CameraPlan

ptzsim.serving.loopback = str  # here is nobody else whom simulated cameras could be in the way of

async def main():
    now = asyncio.get_running_loop().time()
    camera = CameraPlan("any", "10.77.0.9", 52381, "nibble4-45", "tripod", 1, ready=True, loss=0.0).build(now)
    async with serve_udp(camera, "10.77.0.9", 52381, rng=random.Random(1)):
        process = await asyncio.create_subprocess_exec(*json.loads(sys.argv[1]))
        sys.exit(await process.wait())

asyncio.run(main())
"""


def test_a_range_of_a_network_of_ones_own_is_asked_through() -> None:
    ip = required("ip")
    namespace = f"ptzd-find-{os.getpid()}"
    inside = [ip, "netns", "exec", namespace]
    made = subprocess.run([ip, "netns", "add", namespace], capture_output=True, text=True, check=False)
    if made.returncode:
        if os.environ.get("PTZD_REQUIRE_TOOLS") == "1":
            pytest.fail(f"no network namespace can be made here: {made.stderr}")
        pytest.skip("no network namespace can be made here")
    try:
        for line in (
            "link set lo up",
            "link add stage type veth peer name wall",
            "addr add 10.77.0.9/24 dev stage",
            "link set stage up",
        ):
            subprocess.run([*inside, ip, *line.split()], check=True)
        find = [sys.executable, "-c", "from ptzd.cli import main; main()", "find", "--json", "--per-second", "200"]

        def found(target: str) -> subprocess.CompletedProcess[str]:
            asked = [*inside, sys.executable, "-c", IN_A_NETWORK_OF_ITS_OWN, json.dumps([*find, target])]
            return subprocess.run(asked, capture_output=True, text=True, timeout=60, check=False)

        through = found("10.77.0.0/28")
        assert [each["address"] for each in json.loads(through.stdout)] == ["udp://10.77.0.9:52381"]
        assert [each["fits"] for each in json.loads(through.stdout)] == [["nibble4-45"]]
        elsewhere = found("10.78.0.0/28")
        assert (elsewhere.returncode, "10.77.0.0/24" in elsewhere.stderr) == (2, True)
    finally:
        subprocess.run([ip, "netns", "delete", namespace], check=True)
