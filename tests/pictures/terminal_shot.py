"""Take `watch.svg`: what `ptzd watch` shows on a terminal in the middle of the choir evening.

    python -m pictures.terminal_shot        (in `tests/`, takes half a minute)

All of it is the real thing but for the cameras: a broker, three simulated cameras, `ptzd run`, and `ptzd watch` on a
terminal of its own. The picture is the last that it drew before Ctrl-C.
"""

from __future__ import annotations

import asyncio
import fcntl
import io
import json
import os
import pty
import re
import signal
import struct
import sys
import termios
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import aiomqtt
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from ptzd.bus.embedded import embedded_broker
from ptzd.cli.commands.demo_ports import free_tcp_port, free_udp_ports

CONFIGS = Path(__file__).parents[2] / "configs"
FILE = Path(__file__).with_name("watch.svg")
COLUMNS, LINES = 80, 20
CAMERAS = ("left", "right", "gallery")
PTZD = (sys.executable, "-c", "from ptzd.cli import main; main()")
PTZSIM = (sys.executable, "-c", "from ptzsim.cli import main; main()")

# Rich's own frame asks the network for a font; any fixed one will do, for each piece is told how long it is.
FRAME = """\
<svg viewBox="0 0 {terminal_width} {terminal_height}" xmlns="http://www.w3.org/2000/svg" role="img">
<title>TITLE</title>
<style>
.{unique_id}-matrix{{font-family:"DejaVu Sans Mono","Liberation Mono",Menlo,Consolas,monospace;\
font-size:{char_height}px;line-height:{line_height}px}}
{styles}
</style>
<defs>
{lines}
</defs>
<rect width="100%" height="100%" rx="8" fill="#0c0c0c"/>
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</svg>
"""


@asynccontextmanager
async def running(*command: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """A program that stays, until the context ends."""
    quiet = asyncio.subprocess.DEVNULL
    process = await asyncio.create_subprocess_exec(*command, stdin=quiet, stdout=quiet, stderr=quiet)
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


async def ptzd(*arguments: str) -> int:
    """Run a command to its end and return its exit code."""
    async with running(*PTZD, *arguments) as process:
        return await process.wait()


@asynccontextmanager
async def theatre(folder: Path, gallery: str = "") -> AsyncIterator[tuple[int, int]]:
    """The granary's daemon, `gallery` being more of that camera's table; ports of its broker and first camera."""
    broker, ports = free_tcp_port(), free_udp_ports(len(CAMERAS))
    config = (CONFIGS / "granary.toml").read_text("utf-8").replace("1883", str(broker))
    config = config.replace('protocol = "5"', 'protocol = "3.1.1"')  # which is what this broker speaks
    for old, port in zip(("52381", "52382", "52383"), ports, strict=True):
        config = config.replace(old, str(port))
    (folder / "granary.toml").write_text(f"{config}\n{gallery}\n", "utf-8")
    async with (
        embedded_broker("127.0.0.1", broker),
        running(*PTZD, "run", "--config", str(folder / "granary.toml")),
    ):
        async with asyncio.timeout(30):
            while await ptzd(
                "positions", "import", str(CONFIGS / "granary-show.toml"), "--broker", f"127.0.0.1:{broker}"
            ):
                await asyncio.sleep(0.2)
        yield broker, ports[0]


def simulated(first: int, seed: int = 0) -> tuple[str, ...]:
    """The command for the granary's three cameras, as these units."""
    cameras = ("--listen", f"127.0.0.1:{first}", "--cameras", "3", "--dialect", "nibble4-51", "--ready")
    return *PTZSIM, *cameras, "--seed", str(seed)


async def play(broker: int) -> None:
    """The left camera is on air and glides across the choir, the gallery makes ready for the soloist."""

    async def say(topic: str, payload: object) -> None:
        await client.publish(f"ptzd/{topic}", payload if isinstance(payload, str) else json.dumps(payload), qos=1)

    async with aiomqtt.Client("127.0.0.1", broker) as client:
        for camera, position in (("left", "choir-wide"), ("right", "piano"), ("gallery", "choir-wide")):
            await say(f"camera/{camera}/recall", position)
        await asyncio.sleep(8)
        await say("camera/left/tally", "program")
        await say("camera/right/tally", "preview")
        await say("camera/left/recall", {"position": "sopranos", "seconds": 12.0, "on_air": True})
        await asyncio.sleep(5)
        await say("camera/gallery/recall", "soloist")
        await asyncio.sleep(1.2)


async def watched(broker: int) -> str:
    """What a terminal shows at the end of that, as `ptzd watch` drew it."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))
    drawn = bytearray()
    asyncio.get_running_loop().add_reader(ours, lambda: drawn.extend(os.read(ours, 65536)))
    watch = await asyncio.create_subprocess_exec(
        *(*PTZD, "watch", "--broker", f"127.0.0.1:{broker}"),
        stdin=theirs,
        stdout=theirs,
        env={key: value for key, value in os.environ.items() if key != "NO_COLOR"} | {"TERM": "xterm-256color"},
    )
    await play(broker)
    watch.send_signal(signal.SIGINT)
    await watch.wait()
    await asyncio.sleep(0.1)
    asyncio.get_running_loop().remove_reader(ours)
    os.close(ours)
    os.close(theirs)
    whole = drawn.decode("utf-8").replace("\r", "")
    last = re.split(r"\x1b\[2K", whole)[-1]  # each drawing begins by wiping out the lines of the one before
    return last.split("\x1b[?25h")[0].strip("\n")


def picture(shown: str, title: str) -> str:
    """What a terminal shows, as SVG."""
    text = Text.from_ansi(shown)
    console = Console(record=True, width=COLUMNS + 4, file=io.StringIO(), force_terminal=True, color_system="truecolor")
    console.print(Padding(text, (1, 2)))
    frame = FRAME.replace("TITLE", title)
    return console.export_svg(code_format=frame, unique_id="watch", font_aspect_ratio=0.6)


def keep(file: Path, shown: str, title: str) -> None:
    """Write the picture of what a terminal shows."""
    lines = picture(shown, title).splitlines()
    file.write_text("".join(f"{line.rstrip()}\n" for line in lines), "utf-8")


async def main() -> None:
    """Take the picture."""
    with TemporaryDirectory() as folder:
        async with theatre(Path(folder)) as (broker, first), running(*simulated(first)):
            shown = await watched(broker)
    keep(FILE, shown, "ptzd watch in the middle of an evening")
    print(shown)


if __name__ == "__main__":
    asyncio.run(main())
