"""`ptzd halt` stops cameras where no daemon runs, and never says that one rests which was not seen to."""

from __future__ import annotations

import asyncio
import random
import signal
import socket
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from pathlib import Path

import pytest
from commands import Ptzd, StartPtzd, until_up
from ptzsim import SimulatedCamera, Wiring, serve_serial, serve_tcp, serve_udp
from rigs import simulated_camera

from ptzd.visca import PanTiltDrive, load_dialect

Driving = dict[str, tuple[SimulatedCamera, int]]

NAMES = ("gallery", "left")


@pytest.fixture
async def driving() -> AsyncIterator[dict[str, tuple[SimulatedCamera, int]]]:
    """Two cameras that somebody drives, each with its UDP port."""
    dialect, loop = load_dialect("nibble4-51"), asyncio.get_running_loop()
    async with AsyncExitStack() as stack:
        cameras = {}
        for name in NAMES:
            rng = random.Random(name)
            camera = simulated_camera(dialect, rng)
            camera.body.perform(PanTiltDrive(10, 1, 1, 0), loop.time())
            cameras[name] = camera, await stack.enter_async_context(serve_udp(camera, "127.0.0.1", 0, rng=rng))
        yield cameras


def configured(folder: Path, **ports: int) -> Path:
    path = folder / "show.toml"
    tables = [
        f'[camera.{name}]\nlink = "udp://127.0.0.1:{port}"\ndialect = "nibble4-51"\n' for name, port in ports.items()
    ]
    path.write_text('[store]\npath = "show.db"\n' + "".join(tables))
    return path


async def test_every_camera_is_stopped_and_told_of_on_a_line(ptzd: Ptzd, driving: Driving, tmp_path: Path) -> None:
    path = configured(tmp_path, **{name: port for name, (_, port) in driving.items()})
    ended = await ptzd("halt", "--config", str(path))
    assert (ended.code, ended.err) == (0, "")
    now, dialect = asyncio.get_running_loop().time(), load_dialect("nibble4-51")
    lines = ended.out.splitlines()
    for line, (name, (camera, _)) in zip(lines, driving.items(), strict=True):
        assert not camera.head.moving(now)
        assert line.startswith(f"camera {name}: stands still after ")
        assert f"pan {dialect.pan.degrees(camera.head.pan_counts(now)):.1f}°" in line


async def test_a_head_that_somebody_sends_on_is_stopped_again_before_it_is_said_to_stand(
    ptzd: Ptzd, driving: Driving, tmp_path: Path
) -> None:
    path = configured(tmp_path, **{name: port for name, (_, port) in driving.items()})
    loop, (camera, _) = asyncio.get_running_loop(), driving["left"]

    async def send_on() -> None:
        while camera.head.moving(loop.time()):
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.6)
        camera.body.perform(PanTiltDrive(10, 1, 1, 0), loop.time())

    sending = asyncio.create_task(send_on())
    ended = await ptzd("halt", "--config", str(path), "--seconds", "10")
    await sending
    assert ended.code == 0
    stands = f"{load_dialect('nibble4-51').pan.degrees(camera.head.pan_counts(loop.time())):.1f}°"
    assert not camera.head.moving(loop.time())
    assert f"pan {stands}" in next(line for line in ended.out.splitlines() if line.startswith("camera left"))


@pytest.mark.parametrize(
    ("table", "setting"),
    [("show", 'file = "gone.toml"'), ("page", 'host = "0.0.0.0"'), ("camera.right", 'link = "nowhere"')],
)
async def test_a_mistake_elsewhere_in_the_configuration_is_told_and_keeps_no_head_moving(
    ptzd: Ptzd, driving: Driving, table: str, setting: str, tmp_path: Path
) -> None:
    path = configured(tmp_path, **{name: port for name, (_, port) in driving.items()})
    path.write_text(path.read_text() + f"[{table}]\n{setting}\n")
    ended = await ptzd("halt", "--config", str(path))
    assert ended.code == 2
    assert f"line 10, field {table}.{setting.split()[0]}: " in ended.err
    now = asyncio.get_running_loop().time()
    for line, (name, (camera, _)) in zip(ended.out.splitlines(), driving.items(), strict=True):
        assert not camera.head.moving(now)
        assert line.startswith(f"camera {name}: stands still after ")


@pytest.mark.parametrize(
    "broken",
    [
        "[broker]\nport = 1883x\n",
        '[camera.left]\nlabel = "once more"\n',
        "[page\n",
        "speed = \n",
        '[page]\nhosts = ["a",\n',
    ],
)
@pytest.mark.parametrize("before", [True, False])
async def test_a_file_that_is_no_toml_keeps_no_head_moving_either(
    ptzd: Ptzd, driving: Driving, broken: str, before: bool, tmp_path: Path
) -> None:
    path = configured(tmp_path, **{name: port for name, (_, port) in driving.items()})
    whole = path.read_text()
    path.write_text(broken + whole if before else whole + broken)
    ended = await ptzd("halt", "--config", str(path))
    assert ended.code == 2
    stopped = ended.err.partition("Stopped by a configuration with mistakes in it: ")[2]
    assert stopped.endswith(", and no other.\n")
    for line, (name, (camera, port)) in zip(ended.out.splitlines(), driving.items(), strict=True):
        assert not camera.head.moving(asyncio.get_running_loop().time())
        assert line.startswith(f"camera udp://127.0.0.1:{port} (line ")
        assert f", below {name}): stands still after " in line
        assert f"udp://127.0.0.1:{port} (line " in stopped


async def test_a_host_that_there_cannot_be_keeps_no_other_head_moving(
    ptzd: Ptzd, driving: Driving, tmp_path: Path
) -> None:
    path = configured(tmp_path, **{name: port for name, (_, port) in driving.items()})
    path.write_text(f"# A link is written as udp://... or udp://10.0.0..5\n[page\n{path.read_text()}")
    ended = await ptzd("halt", "--config", str(path))
    assert ended.code == 2
    assert len(ended.out.splitlines()) == len(driving)
    assert not any(camera.head.moving(asyncio.get_running_loop().time()) for camera, _ in driving.values())


@pytest.mark.parametrize("damaged", ["# [camera.left]", "[camera.left", "camera.left]", ""])
async def test_a_header_that_is_lost_neither_keeps_a_head_moving_nor_lets_it_be_said_to_stand(
    ptzd: Ptzd, driving: Driving, damaged: str, tmp_path: Path
) -> None:
    path = configured(tmp_path, **{name: port for name, (_, port) in driving.items()})
    path.write_text(path.read_text().replace("[camera.left]", damaged))
    ended = await ptzd("halt", "--config", str(path), "--json")
    assert ended.code == 2
    told = ended.json()
    assert [name.partition(" ")[0] for name in told] == [f"udp://127.0.0.1:{port}" for _, port in driving.values()]
    assert all(each["still"] for each in told.values())
    assert not any(camera.head.moving(asyncio.get_running_loop().time()) for camera, _ in driving.values())


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16"])
async def test_a_file_in_another_encoding_keeps_no_head_moving(
    ptzd: Ptzd, driving: Driving, encoding: str, tmp_path: Path
) -> None:
    path = configured(tmp_path, **{name: port for name, (_, port) in driving.items()})
    path.write_bytes(f'{path.read_text()}label = "An der B\xfchne"\n'.encode(encoding))
    ended = await ptzd("halt", "--config", str(path))
    assert ended.code == 2
    assert "is not UTF-8; save the file as UTF-8 text" in ended.err
    assert [line.partition(" after")[0] for line in ended.out.splitlines()] == [
        f"camera {name}: stands still" for name in driving
    ]
    assert not any(camera.head.moving(asyncio.get_running_loop().time()) for camera, _ in driving.values())


@pytest.mark.parametrize(("nibbles", "code"), [(4, 2), (5, 1)])
async def test_a_head_whose_dialect_cannot_be_read_is_stopped_and_not_said_to_stand_at_an_angle(
    ptzd: Ptzd, nibbles: int, code: int, tmp_path: Path
) -> None:
    head = load_dialect("nibble4-14" if nibbles == 4 else "shared5-205")
    camera, loop, rng = simulated_camera(head, random.Random(1)), asyncio.get_running_loop(), random.Random(1)
    camera.body.perform(PanTiltDrive(10, 1, 1, 0), loop.time())
    async with serve_udp(camera, "127.0.0.1", 0, rng=rng) as port:
        path = configured(tmp_path, left=port)
        path.write_text(path.read_text().replace("nibble4-51", "nibble4-15"))
        ended = await ptzd("halt", "--config", str(path), "--seconds", "3")
        assert ended.code == code
        assert not camera.head.moving(loop.time())
    still = "stands still" if nibbles == 4 else "was not seen to stand still"
    assert ended.out.startswith(f"camera left: {still} after ")
    assert ended.out.endswith(": at which angles can't be told without its dialect\n")


async def test_a_file_that_names_no_camera_is_told_with_what_is_to_be_done(ptzd: Ptzd, tmp_path: Path) -> None:
    path = tmp_path / "show.toml"
    path.write_text("[camera\n")
    ended = await ptzd("halt", "--config", str(path))
    assert (ended.code, ended.out) == (2, "")
    assert "No camera was told to stop: pull the plug of each that moves" in ended.err


@pytest.mark.parametrize("serial", [True, False])
async def test_of_two_cameras_on_one_link_none_is_said_to_stand_and_all_others_are_stopped(
    ptzd: Ptzd, driving: Driving, serial: bool, tmp_path: Path
) -> None:
    gallery, left = (port for _, port in driving.values())
    path = configured(tmp_path, gallery=gallery, right=left, left=left)
    if serial:
        text = path.read_text()
        path.write_text(text.replace(f"udp://127.0.0.1:{left}", f"serial:{tmp_path / 'none'}?address=1"))
    ended = await ptzd("halt", "--config", str(path), "--seconds", "2", "--json")
    assert ended.code == 1
    assert "Camera right, left has no link of its own: one was told, one may be moving" in ended.err
    told = ended.json()
    assert [told[name]["still"] for name in ("gallery", "right", "left")] == [True, False, False]
    assert not driving["gallery"][0].head.moving(asyncio.get_running_loop().time())


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1"])
async def test_two_links_that_lead_to_one_place_are_as_one(
    ptzd: Ptzd, driving: Driving, host: str, tmp_path: Path
) -> None:
    gallery, left = (port for _, port in driving.values())
    path = configured(tmp_path, gallery=gallery, right=left, left=left)
    text = path.read_text()
    path.write_text(text.replace(f"127.0.0.1:{left}", f"{host}:{left}", 1))
    ended = await ptzd("halt", "--config", str(path), "--seconds", "3")
    assert ended.code == 1
    assert "Camera right, left has no link of its own: one was told, one may be moving" in ended.err
    assert [line.split(":")[0] for line in ended.out.splitlines()] == ["camera gallery", "camera right or left"]


async def test_a_serial_port_under_two_names_is_one(ptzd: Ptzd, tmp_path: Path) -> None:
    camera, loop, rng = (
        simulated_camera(load_dialect("nibble4-51"), random.Random(1)),
        asyncio.get_running_loop(),
        random.Random(1),
    )
    camera.body.perform(PanTiltDrive(10, 1, 1, 0), loop.time())
    async with serve_serial([camera], tmp_path / "port", rng=rng):
        (tmp_path / "by-id").symlink_to(tmp_path / "port")
        path = configured(tmp_path, right=1, left=2)
        text = path.read_text()
        for number, device in enumerate(("port", "by-id"), 1):
            text = text.replace(f"udp://127.0.0.1:{number}", f"serial:{tmp_path / device}?address=1")
        path.write_text(text)
        ended = await ptzd("halt", "--config", str(path))
        assert not camera.head.moving(loop.time())
    assert ended.code == 1
    assert ended.out.startswith("camera right or left: stands still after ")


@pytest.mark.parametrize("kind", ["bare-udp", "tcp", "serial"])
async def test_so_it_is_on_each_kind_of_link(ptzd: Ptzd, kind: str, tmp_path: Path) -> None:
    dialect, loop, rng = load_dialect("nibble4-51"), asyncio.get_running_loop(), random.Random(1)
    cameras = [simulated_camera(dialect, rng) for _ in NAMES]
    async with AsyncExitStack() as stack:
        if kind == "serial":
            await stack.enter_async_context(serve_serial(cameras, tmp_path / "port", rng=rng))
            addresses = [f"serial:{tmp_path / 'port'}?address={place}" for place in (1, 2)]
        else:
            served = [
                serve_tcp(each, "127.0.0.1", 0, wiring=Wiring(connections=1), rng=rng)
                if kind == "tcp"
                else serve_udp(each, "127.0.0.1", 0, bare=True, rng=rng)
                for each in cameras
            ]
            addresses = [f"{kind}://127.0.0.1:{await stack.enter_async_context(each)}" for each in served]
        path = tmp_path / "show.toml"
        tables = [
            f'[camera.{name}]\nlink = "{address}"\ndialect = "nibble4-51"\n'
            for name, address in zip(NAMES, addresses, strict=True)
        ]
        path.write_text('[store]\npath = "show.db"\n' + "".join(tables))
        for each in cameras:
            each.body.perform(PanTiltDrive(10, 1, 1, 0), loop.time())
        ended = await ptzd("halt", "--config", str(path))
        assert (ended.code, ended.err) == (0, "")
        assert ended.out.count("stands still after") == 2
        assert not any(each.head.moving(loop.time()) for each in cameras)


@pytest.mark.parametrize("answers", [True, False], ids=["serving", "frozen"])
async def test_beside_a_daemon_on_a_serial_port_only_one_looks_whether_the_heads_stand(
    ptzd: Ptzd, broker: str, start_ptzd: StartPtzd, answers: bool, tmp_path: Path
) -> None:
    dialect, loop, rng = load_dialect("nibble4-51"), asyncio.get_running_loop(), random.Random(1)
    cameras = [simulated_camera(dialect, rng) for _ in NAMES]
    async with serve_serial(cameras, tmp_path / "port", rng=rng):
        path = configured(tmp_path, **{name: place for place, name in enumerate(NAMES, 1)})
        text = path.read_text().replace("udp://127.0.0.1:", f"serial:{tmp_path / 'port'}?cameras=2&address=")
        path.write_text(f'{text}[broker]\nprotocol = "3.1.1"\nport = {broker.rpartition(":")[2]}\n')
        daemon = await start_ptzd("run", "--config", str(path))
        await until_up(broker, daemon)
        if not answers:
            daemon.send_signal(signal.SIGSTOP)
        cameras[1].body.perform(PanTiltDrive(10, 1, 1, 0), loop.time())
        ended = await ptzd("halt", "--config", str(path))
        daemon.send_signal(signal.SIGCONT)
        assert not any(each.head.moving(loop.time()) for each in cameras)
        assert (ended.code, ended.err) == (0, "")
        lines = ended.out.splitlines()[-2:]
        for line, name, camera in zip(lines, NAMES, cameras, strict=True):
            seen = f"the daemon (process {daemon.pid}) sees it stand still" if answers else "stands still"
            assert line.startswith(f"camera {name}: {seen} after ")
            assert f": pan {dialect.pan.degrees(camera.head.pan_counts(loop.time())):.1f}°" in line


async def test_a_camera_that_is_not_seen_at_rest_makes_it_fail_and_is_warned_of(
    ptzd: Ptzd, driving: Driving, tmp_path: Path
) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as nobody:
        nobody.bind(("127.0.0.1", 0))
        path = configured(tmp_path, gallery=driving["gallery"][1], right=nobody.getsockname()[1])
        ended = await ptzd("halt", "--config", str(path), "--seconds", "1.5", "--json")
    assert ended.code == 1
    assert ended.err.startswith("Camera right was not seen to come to rest")
    told = ended.json()
    assert (told["gallery"]["still"], told["gallery"]["heard"]) == (True, True)
    assert (told["right"]["still"], told["right"]["heard"], told["right"]["pan_deg"]) == (False, False, None)
    assert told["right"]["seconds"] == pytest.approx(1.5, abs=0.5)
