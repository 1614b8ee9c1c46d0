"""`ptzd run`: the daemon itself, in the foreground, as a service manager wants it."""

from __future__ import annotations

import asyncio
import logging
import random
import signal
from pathlib import Path

import click
import structlog

from ptzd.config import Config
from ptzd.logs import log_from
from ptzd.service import StartError, run_daemon

from .configuration import read_configuration
from .notify import feed_watchdog, notify
from .speech import Failure

SAFETY = (
    "Motors will move: keep hands, hair and cables clear of every head, and people out from under it. "
    "A camera that starts up sweeps its whole range. Local rules come first."
)


@click.command(short_help="Run the daemon in the foreground.", epilog="Example: ptzd run --config configs/granary.toml")
@click.option(
    "--config", "path", type=click.Path(dir_okay=False, path_type=Path), required=True, help="The configuration."
)
@click.option("--verbose", is_flag=True, help="Log the small things too.")
def run(path: Path, verbose: bool) -> None:
    """Run the daemon until it is told to end (SIGTERM, SIGINT); it leaves every camera at rest."""
    config = read_configuration(path)
    log_from(logging.DEBUG if verbose else logging.INFO)
    structlog.get_logger().warning(SAFETY)
    try:
        asyncio.run(serve(config))
    except StartError as error:
        raise Failure(str(error)) from None


async def serve(config: Config) -> None:
    """Run the daemon until a signal ends it. A second signal changes nothing: the cameras come to rest first."""
    loop = asyncio.get_running_loop()
    daemon = asyncio.create_task(run_daemon(config, rng=random.Random(), on_ready=lambda: notify("READY=1")))
    feeding = asyncio.create_task(feed_watchdog())
    ending = asyncio.Event()

    def end() -> None:
        if not ending.is_set():
            ending.set()
            notify("STOPPING=1")
            daemon.cancel()

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, end)
    try:
        await daemon
    except asyncio.CancelledError:
        if not ending.is_set():
            raise
    finally:
        feeding.cancel()
