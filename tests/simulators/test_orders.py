"""What somebody beside a simulated camera does to it by a line, as a controller then finds it.

Bytes are those of the SRG-300H technical manual: the power inquiry and its answers, 02 on and 03 standby.
"""

from __future__ import annotations

import asyncio
import socket
import sys
from collections.abc import Callable

import pytest
from ptzsim import Knock, SimulatedCamera
from ptzsim.orders import do

MakeCamera = Callable[..., SimulatedCamera]

ASK_POWER = bytes.fromhex("81 09 04 00 FF")
ON, STANDBY = bytes.fromhex("90 50 02 FF"), bytes.fromhex("90 50 03 FF")


def test_power_and_faults_are_set_by_a_line(make_camera: MakeCamera) -> None:
    one, two = make_camera(ready=True), make_camera(ready=True)
    cameras = {"camera-1": one, "camera-2": two}
    assert do("camera-1 standby", cameras, 1.0) == ["camera-1 is in standby"]
    assert (one.body.powered, two.body.powered) == (False, True)
    do("camera-1 on", cameras, 2.0)
    assert one.body.powered and one.head.starting(2.1)
    assert not two.head.starting(2.1)
    do("camera-2 power-cut", cameras, 3.0)
    assert two.head.starting(3.1)
    do("all lose-position", cameras, 4.0)
    assert one.head.pan_fault and two.head.tilt_fault
    do("camera-1 find-position", cameras, 4.0)
    assert not one.head.pan_fault and two.head.pan_fault
    do("camera-1 silent 10", cameras, 5.0)
    do("camera-2 refuse-stops 2", cameras, 5.0)
    do("camera-2 ignore-stops 3", cameras, 5.0)
    assert (one.silent_until, two.refuses_stops_until, two.ignores_stops_until) == (15.0, 7.0, 8.0)
    [told] = do("camera-1 knocked -0.3", cameras, 6.0)
    assert told == "camera-1 stands turned by -0.3° to the right, 0° up, 0° clockwise"
    do("camera-1 zoom-slipped 1.2", cameras, 6.0)
    assert (one.knocked, one.zoom_slipped) == (Knock(-0.3), pytest.approx(0.012))
    do("camera-2 knocked 2 -0.5 1", cameras, 6.0)
    assert two.knocked == Knock(2.0, -0.5, 1.0)
    do("camera-1 silent 0", cameras, 6.0)
    assert one.silent_until == 6.0


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("camera-9 standby", "there is no camera 'camera-9'; did you mean camera-1?"),
        ("camera-1 stanby", "did you mean standby?"),
        ("camera-1", "write standby, on, power-cut"),
        ("camera-1 silent", "did you mean silent?"),
        ("camera-1 silent soon", "a number from 0 to 86400"),
        ("camera-1 silent nan", "a number from 0 to 86400"),
        ("camera-1 knocked far", "write a number from -30 to 30"),
        ("camera-1 standby now", "nothing to do to a camera"),
    ],
)
def test_a_line_that_is_none_is_told_with_what_would_be_right(
    make_camera: MakeCamera, line: str, sentence: str
) -> None:
    camera = make_camera(ready=True)
    with pytest.raises(ValueError) as told:
        do(line, {"camera-1": camera}, 0.0)
    assert sentence in str(told.value)
    assert camera.body.powered


async def test_a_line_on_the_standard_input_reaches_the_camera_that_controllers_speak_to() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as controller:
        controller.bind(("127.0.0.1", 0))
        controller.settimeout(5.0)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", "from ptzsim.cli import main; main()"),
            *("--listen", f"127.0.0.1:{port}", "--dialect", "nibble4-51", "--ready"),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        assert process.stdin is not None and process.stdout is not None

        def power(number: int) -> bytes:
            header = bytes.fromhex("01 10 00 05") + number.to_bytes(4, "big")
            controller.sendto(header + ASK_POWER, ("127.0.0.1", port))
            return controller.recv(64)[8:]

        try:
            assert b"listens" in await process.stdout.readline()
            assert await asyncio.to_thread(power, 1) == ON
            process.stdin.write(b"camera-1 stan")
            await process.stdin.drain()
            process.stdin.write(b"dby\n")
            assert await process.stdout.readline() == b"camera-1 is in standby\n"
            assert await asyncio.to_thread(power, 2) == STANDBY
            process.stdin.close()  # nobody types any more: it goes on
            assert await asyncio.to_thread(power, 3) == STANDBY
        finally:
            process.terminate()
            assert await process.wait() == 0
