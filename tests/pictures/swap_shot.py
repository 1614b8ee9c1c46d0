"""Take `swap.svg`: two commands that bring all of a camera back after another one was hung in its place.

    python -m pictures.swap_shot        (in `tests/`, takes two minutes)

All of it is the real thing but for the cameras. The one on the gallery keeps its positions in memories of its own; then
another unit hangs there, turned by other angles, with nothing in its memories, and two positions are framed anew.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import pty
import struct
import termios
from pathlib import Path
from tempfile import TemporaryDirectory

from .terminal_shot import COLUMNS, PTZD, keep, ptzd, running, simulated, theatre

FILE = Path(__file__).with_name("swap.svg")
TURNED = 2.1, 0.4  # degrees: how the other one hangs, to the right and up
FRAMED = ("choir-wide", "soloist")
BACK = (("align", "gallery", "--yes"), ("positions", "restore", "gallery", "--yes"))


async def printed(*arguments: str) -> str:
    """What a command prints on a terminal."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, COLUMNS, 0, 0))
    read = bytearray()
    asyncio.get_running_loop().add_reader(ours, lambda: read.extend(os.read(ours, 65536)))
    process = await asyncio.create_subprocess_exec(*PTZD, *arguments, stdin=theirs, stdout=theirs, stderr=theirs)
    assert await process.wait() == 0, read.decode()
    await asyncio.sleep(0.1)
    asyncio.get_running_loop().remove_reader(ours)
    os.close(ours)
    os.close(theirs)
    return read.decode("utf-8").replace("\r", "").strip("\n")


async def until_ready(*at: str) -> None:
    async with asyncio.timeout(60):
        while await ptzd("recall", "gallery", FRAMED[0], *at):
            await asyncio.sleep(0.5)


async def another_camera(first: int) -> asyncio.subprocess.Process:
    """Hang other units where the first ones were."""
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(*simulated(first, 7), stdin=pipe, stdout=asyncio.subprocess.DEVNULL)
    assert process.stdin is not None
    process.stdin.write(("camera-3 knocked " + " ".join(map(str, TURNED)) + "\n").encode())
    await process.stdin.drain()
    return process


async def main() -> None:
    """Take the picture."""
    with TemporaryDirectory() as folder:
        async with theatre(Path(folder), "memories = { count = 6 }") as (broker, first):
            at = ("--broker", f"127.0.0.1:{broker}")
            async with running(*simulated(first)):
                await until_ready(*at)
                assert await ptzd("positions", "restore", "gallery", "--yes", *at) == 0
            process = await another_camera(first)
            await until_ready(*at)
            for position in FRAMED:
                assert await ptzd("recall", "gallery", position, *at) == 0
                assert await ptzd("nudge", "gallery", f"--pan-deg={-TURNED[0]}", f"--tilt-deg={-TURNED[1]}", *at) == 0
                assert await ptzd("align", "gallery", "--seen", position, *at) == 0
            shown = [f"$ ptzd {' '.join(command)}\n{await printed(*command, *at)}" for command in BACK]
            process.terminate()
            await process.wait()
    keep(FILE, "\n\n".join(shown), "Two commands bring back what a swapped camera had")
    print("\n\n".join(shown))


if __name__ == "__main__":
    asyncio.run(main())
