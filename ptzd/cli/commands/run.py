"""`ptzd run`: the daemon itself, in the foreground, as a service manager wants it."""

from __future__ import annotations

import asyncio
import logging
import random
from pathlib import Path

import click
import structlog

from ptzd.bus import HeldElsewhere
from ptzd.cli.configuration import read_configuration
from ptzd.cli.endings import end_by_signal, ignore_meaningless_signals
from ptzd.cli.output import FAILED, Failure, Misuse
from ptzd.cli.values import TEXT_FILE
from ptzd.config import Config
from ptzd.daemon import NotAtRestError, StartError, StoreInUseError, run_daemon
from ptzd.logs import log_from

from .run_notify import feed_watchdog, notify

SAFETY = (
    "Motors will move: keep hands, hair and cables clear of every head, and people out from under it. "
    "A camera that starts up sweeps its whole range. Local rules come first."
)


@click.command(short_help="Run the daemon in the foreground.", epilog="Example: ptzd run --config configs/granary.toml")
@click.option("--config", "path", type=TEXT_FILE, required=True, help="The configuration.")
@click.option("--verbose", is_flag=True, help="Log the small things too.")
def run(path: Path, verbose: bool) -> int:
    """Run the daemon until it is told to end (SIGTERM, SIGINT, SIGHUP, SIGQUIT); it leaves every camera at rest.

    Ends with 1 where a camera was not seen to come to rest; the log names it. Ends with 2 where another daemon runs
    below the same base topic or uses the store, and leaves the cameras alone that this one does not move.
    """
    ignore_meaningless_signals()
    config = read_configuration(path)
    log_from(logging.DEBUG if verbose else logging.INFO, unhindered=True)
    structlog.get_logger().warning(SAFETY)
    try:
        asyncio.run(serve(config))
    except (HeldElsewhere, StoreInUseError) as error:
        raise Misuse(str(error)) from None
    except StartError as error:
        raise Failure(str(error)) from None
    except NotAtRestError:
        return FAILED  # the log has told which camera, and what to do
    return 0


async def serve(config: Config) -> None:
    """Run the daemon until a signal ends it. A second signal changes nothing: the cameras come to rest first.

    Raises StartError, HeldElsewhere and NotAtRestError as `run_daemon` does.
    """
    daemon = asyncio.create_task(run_daemon(config, rng=random.Random(), on_ready=lambda: notify("READY=1")))
    feeding = asyncio.create_task(feed_watchdog())
    ending = False

    def end() -> None:
        nonlocal ending
        ending = True
        notify("STOPPING=1")
        daemon.cancel()

    end_by_signal(end)
    try:
        await daemon
    except asyncio.CancelledError:
        if not ending:
            raise
    finally:
        feeding.cancel()
