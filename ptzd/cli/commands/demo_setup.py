"""A whole small production on this machine: a broker, three simulated cameras, a store with positions, the daemon.

Everything lives in a temporary folder and on ports of 127.0.0.1 that were free, and is gone at the end. The simulated
cameras are a program of their own: the daemon speaks to them over UDP as it would to real ones.
"""

from __future__ import annotations

import asyncio
import os
import random
import shutil
import sys
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from ptzd.bus.embedded import embedded_broker
from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import Client
from ptzd.cli.output import Failure
from ptzd.config import Config, load_config
from ptzd.daemon import NotAtRestError, StartError, run_daemon
from ptzd.positions import PositionStore

from .demo_ports import free_tcp_port, free_udp_ports

CAMERAS = ("gallery", "left", "right")
DIALECT = "nibble4-51"
MOUNT = "balcony-rail"
LENS = "sensor = [35.9, 24.0]\nfocal_length = [100, 400]\n"  # as the simulated cameras have it
SEED = 1783  # any: with it, each demo draws the same three heads
SHOW = Path(__file__).with_name("demo-show.toml")
CUES = Path(__file__).with_name("demo-cues.toml")
UP_SECONDS = 15.0


@asynccontextmanager
async def open_theatre(port: int, page_port: int) -> AsyncIterator[BrokerAddress]:
    """Open everything, with broker and page on these ports of 127.0.0.1. Raises Failure where a part does not start."""
    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="ptzd-demo-")))
        try:
            await stack.enter_async_context(embedded_broker("127.0.0.1", port))
        except OSError as error:
            reason = os.strerror(error.errno).lower() if error.errno else str(error)
            raise Failure(
                f"The demo's broker can't listen on 127.0.0.1:{port} ({reason}); "
                "leave --port out, and a free one is taken."
            ) from None
        ports, pictures = free_udp_ports(len(CAMERAS)), free_tcp_port()
        await stack.enter_async_context(_simulated_cameras(folder, ports, pictures))
        config = _configuration(folder, port, page_port, ports, pictures)
        async with PositionStore.open(config.store.path, calendar=lambda: datetime.now(UTC)) as store:
            await store.import_(SHOW.read_text(encoding="utf-8"))
        await stack.enter_async_context(_daemon(config))
        yield BrokerAddress("127.0.0.1", port, "ptzd")


async def wait_until_up(client: Client) -> None:
    """Return as soon as every camera answers. Raises Failure where one does not."""
    await client.listen(["camera/+/state"])
    waiting = set(CAMERAS)
    try:
        async with asyncio.timeout(UP_SECONDS):
            while waiting:
                heard = await client.hear()
                if heard.payload.get("link") == "up" and heard.payload.get("power") == "on":
                    waiting.discard(heard.camera or "")
    except TimeoutError:
        raise Failure(
            f"The simulated cameras {', '.join(sorted(waiting))} did not answer within {UP_SECONDS:.0f} s; "
            "try again, and look whether `ptzsim --help` runs."
        ) from None


@asynccontextmanager
async def _simulated_cameras(folder: Path, ports: Sequence[int], pictures: int) -> AsyncIterator[None]:
    fleet = folder / "cameras.toml"
    fleet.write_text(
        "\n".join(
            f'[camera.{name}]\nlisten = "127.0.0.1:{port}"\ndialect = "{DIALECT}"\nmount = "{MOUNT}"\n'
            f"seed = {SEED + index}\nready = true\n"
            for index, (name, port) in enumerate(zip(CAMERAS, ports, strict=True))
        ),
        encoding="utf-8",
    )
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", "from ptzsim.cli import main; main()"),
        *("--cameras-file", str(fleet), "--pictures", str(pictures), "--seed", str(SEED)),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        start_new_session=True,  # a Ctrl-C in the terminal must not end the cameras before the daemon has stopped them
    )
    try:
        assert process.stdout is not None
        for _ in ports:  # it says a line for each camera that listens
            if not await process.stdout.readline():
                raise Failure("The simulated cameras did not start; `ptzsim --help` shows whether they are installed.")
        yield
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


@asynccontextmanager
async def _daemon(config: Config) -> AsyncIterator[None]:
    """Run the daemon. Raises Failure where it does not start, or a camera was not seen to come to rest at the end."""
    ready = asyncio.Event()
    daemon = asyncio.create_task(run_daemon(config, rng=random.Random(SEED), on_ready=ready.set))
    waiting = asyncio.create_task(ready.wait())
    try:
        await asyncio.wait((daemon, waiting), return_when=asyncio.FIRST_COMPLETED)
        if daemon.done():
            await daemon  # it ended before it was ready: this raises why
        yield
    except StartError as error:
        raise Failure(str(error)) from None
    finally:
        waiting.cancel()
        daemon.cancel()
        await asyncio.wait((daemon, waiting))
        if not daemon.cancelled() and isinstance(restless := daemon.exception(), NotAtRestError):
            raise Failure(str(restless)) from None


def _configuration(
    folder: Path, broker_port: int, page_port: int, camera_ports: Sequence[int], pictures: int
) -> Config:
    """Write a configuration as a user would, and read it."""
    tables = [
        f'[broker]\nport = {broker_port}\nprotocol = "3.1.1"\n',
        f"[page]\nport = {page_port}\n",
        '[store]\npath = "show.db"\n',
        '[show]\nfile = "cues.toml"\n',
        '[tally]\nsource = "none"\n',  # the evening tells of the camera on air, and of no other
        *(
            f'[camera.{name}]\nlink = "udp://127.0.0.1:{port}"\ndialect = "{DIALECT}"\nmount = "{MOUNT}"\n'
            f'{LENS}picture = "http://127.0.0.1:{pictures}/{name}.jpg"\noverhead = {str(name == "gallery").lower()}\n'
            for name, port in zip(CAMERAS, camera_ports, strict=True)
        ),
    ]
    shutil.copyfile(CUES, folder / "cues.toml")  # it may be written to
    path = folder / "demo.toml"
    path.write_text("\n".join(tables), encoding="utf-8")
    return load_config(path)
