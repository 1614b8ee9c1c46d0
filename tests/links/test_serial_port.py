"""Cameras in a chain on a pseudo-terminal: found, spoken to, pulled out and put back.

Bytes: SRG-300H technical manual, "Command list".
"""

from __future__ import annotations

import asyncio
import os
import random
import subprocess
import sys
import termios
import tty
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest
import serial
from ptzsim import SimulatedCamera, Wiring, serve_serial
from rigs import simulated_camera
from waiting import until

from ptzd import links
from ptzd.links import LOST, Link, SerialAddress
from ptzd.visca import load_dialect

pytestmark = pytest.mark.usefixtures("nothing_fails_unseen")
POWER = bytes.fromhex("81 09 04 00 FF")
ON = bytes.fromhex("90 50 02 FF")


def make_cameras(count: int) -> list[SimulatedCamera]:
    return [simulated_camera(load_dialect("nibble4-51"), random.Random(seed)) for seed in range(count)]


async def answer(link: Link, question: bytes) -> bytes:
    """Ask until there is an answer, as a conversation does."""
    async with asyncio.timeout(4):
        while True:
            link.send(question)
            try:
                async with asyncio.timeout(0.3):
                    while (reply := await link.receive()) == LOST:
                        pass
                    return reply
            except TimeoutError:
                pass


async def test_what_is_said_on_the_wire_is_what_the_documents_print(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    said = b""

    def hear() -> None:
        nonlocal said
        said += os.read(ours, 100)

    asyncio.get_running_loop().add_reader(ours, hear)
    async with links.open(SerialAddress(os.ttyname(theirs), 3)) as link:
        await until(lambda: said == bytes.fromhex("FF 88 30 01 FF"))
        flags, speed = termios.tcgetattr(theirs)[2], termios.tcgetattr(theirs)[5]
        assert (speed, flags & termios.CSIZE, flags & (termios.PARENB | termios.CSTOPB)) == (
            termios.B9600,
            termios.CS8,
            0,
        )
        assert not flags & termios.HUPCL  # termios(3): or the lines drop as the last one closes it
        os.write(ours, bytes.fromhex("88 30 04 FF"))
        await until(lambda: said.endswith(bytes.fromhex("88 01 00 01 FF")))
        os.write(ours, bytes.fromhex("88 01 00 01 FF"))
        link.send(bytes.fromhex("81 01 06 02 0C 0B 00 02 00 00 00 00 00 00 FF"))
        await until(lambda: said.endswith(bytes.fromhex("83 01 06 02 0C 0B 00 02 00 00 00 00 00 00 FF")))
        os.write(ours, bytes.fromhex("90 50 02 FF B0 41 FF"))  # the first is another's
        assert await link.receive() == bytes.fromhex("90 41 FF")
    asyncio.get_running_loop().remove_reader(ours)
    os.close(ours)
    os.close(theirs)


@pytest.mark.parametrize("wiring", [Wiring(), Wiring(pieces=3, answers_broadcast=False)])
async def test_seven_cameras_on_one_port_answer_each_for_itself(tmp_path: Path, wiring: Wiring) -> None:
    cameras = make_cameras(7)
    async with AsyncExitStack() as stack:
        path = await stack.enter_async_context(
            serve_serial(cameras, tmp_path / "port", wiring=wiring, rng=random.Random(1))
        )
        opened = [await stack.enter_async_context(links.open(SerialAddress(str(path), place))) for place in range(1, 8)]
        assert await asyncio.gather(*(answer(link, POWER) for link in opened)) == [ON] * 7


async def test_a_device_that_vanishes_is_waited_for_and_addressed_anew(tmp_path: Path) -> None:
    cameras = make_cameras(2)
    async with (
        serve_serial(cameras, tmp_path / "port", rng=random.Random(1)) as path,
        links.open(SerialAddress(str(path), 1)) as first,
        links.open(SerialAddress(str(path), 2)) as second,
    ):
        assert await answer(second, POWER) == ON
        cameras[0].pull(asyncio.get_running_loop().time() + 1.0)
        async with asyncio.timeout(0.5):
            assert [await first.receive(), await second.receive()] == [LOST, LOST]
        await until(lambda: first.trouble == "there is no such device")
        await until(lambda: first.trouble is None)
        assert [await answer(first, POWER), await answer(second, POWER)] == [ON, ON]


@pytest.mark.parametrize("call", ["tcflush", "tcsetattr"])
async def test_a_device_that_vanishes_just_as_it_is_opened_is_waited_for_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    done, fails = getattr(termios, call), True

    def gone(*what: Any) -> None:
        if fails:
            raise termios.error(5, "Input/output error")
        done(*what)

    async with serve_serial(make_cameras(1), tmp_path / "port", rng=random.Random(1)) as path:
        monkeypatch.setattr(termios, call, gone)
        async with links.open(SerialAddress(str(path), 1)) as link:
            await until(lambda: "input/output error" in str(link.trouble))
            fails = False
            assert await answer(link, POWER) == ON


async def test_a_port_has_one_holder_and_who_must_reach_a_camera_gets_there_all_the_same(tmp_path: Path) -> None:
    (camera,) = make_cameras(1)
    async with serve_serial([camera], tmp_path / "port", rng=random.Random(1)) as path:
        address = SerialAddress(str(path), 1)
        other = await asyncio.create_subprocess_exec(
            sys.executable,
            "-c",
            "import serial, sys, time; held = serial.Serial(sys.argv[1], exclusive=True); print(1, flush=True); "
            "time.sleep(60)",
            str(path),
            stdout=subprocess.PIPE,
        )
        try:
            assert other.stdout is not None
            await other.stdout.readline()
            async with links.open(address) as link:
                await until(lambda: link.trouble == "another program has it in use")
                async with links.go_on(address, None) as beside:
                    assert await answer(beside, POWER) == ON
                other.kill()
                assert await answer(link, POWER) == ON
        finally:
            if other.returncode is None:
                other.kill()
            await other.wait()


async def test_a_port_is_free_for_others_when_the_last_of_its_links_has_gone(tmp_path: Path) -> None:
    async with serve_serial(make_cameras(2), tmp_path / "port", rng=random.Random(1)) as path:
        async with links.open(SerialAddress(str(path), 1)) as first:
            async with links.open(SerialAddress(str(path), 2)) as second:
                assert await answer(second, POWER) == ON
            assert await answer(first, POWER) == ON
            with pytest.raises(serial.SerialException):
                serial.Serial(str(path), exclusive=True)
        serial.Serial(str(path), exclusive=True).close()
