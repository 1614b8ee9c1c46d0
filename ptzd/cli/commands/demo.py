"""`ptzd demo`: a village choir's evening with three simulated cameras, and nothing else needed."""

from __future__ import annotations

import asyncio
import logging
import os
import shlex
import shutil
import sys
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import click
from rich.live import Live

from ptzd.cli.board import Board
from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import Client, Heard, reach
from ptzd.cli.console import Console
from ptzd.cli.endings import end_by_signal, ignore_meaningless_signals
from ptzd.cli.output import FAILED, say, say_as_it_is, say_json
from ptzd.cli.sentences import move_line
from ptzd.logs import log_from

from .demo_evening import EVENING, Takings, play, show_what_is_taken
from .demo_ports import free_tcp_port
from .demo_setup import open_theatre, wait_until_up

LAST_WORDS_SECONDS = 0.5

Announce = Callable[[str], None]
Show = Callable[[Heard], None]


@click.command(short_help="Play an evening with three simulated cameras.", epilog="Example: ptzd demo --once --json")
@click.option("--once", is_flag=True, help="End by itself after the evening, with a summary.")
@click.option("--json", "as_json", is_flag=True, help="Print lines of JSON: each report of a move, then the summary.")
@click.option("--port", type=click.IntRange(1, 65535), help="The broker's port; a free one where you leave it out.")
def demo(once: bool, as_json: bool, port: int | None) -> int:
    """Play a short evening with three simulated cameras; no broker, camera or configuration is needed.

    Afterwards it stays up, so that you can recall positions from a second terminal; Ctrl-C ends it. Ends with 0 when
    every move settled; where a camera was not seen to come to rest at the end, with 1.
    """
    ignore_meaningless_signals()
    log_from(logging.ERROR)
    return asyncio.run(_demo(once, as_json, port or free_tcp_port()))


async def _demo(once: bool, as_json: bool, port: int) -> int:
    performance = asyncio.current_task()
    assert performance is not None
    ended_by_hand = False

    def end() -> None:
        nonlocal ended_by_hand
        ended_by_hand = True
        performance.cancel()

    end_by_signal(end)
    if not as_json:
        say("A choir's evening in an old granary: three simulated cameras, the daemon and a broker, all right here.")
    try:
        page_port = free_tcp_port()
        page = f"http://127.0.0.1:{page_port}/"
        async with open_theatre(port, page_port) as broker, reach(broker) as client:
            await client.require_daemon()
            await wait_until_up(client)
            if not as_json:
                say(f"The operator's page, with pictures: {page}")
                if not once and _has_a_screen():
                    await asyncio.to_thread(webbrowser.open, page)
            takings = await (_play_as_json(client) if as_json else _play_for_people(client))
            if not once:
                await _stay_up(client, broker, page, as_json)
    except asyncio.CancelledError:
        if not ended_by_hand:
            raise
        return FAILED if once else 0
    return 0 if takings.all_settled else FAILED


async def _play_as_json(client: Client) -> Takings:
    def show(heard: Heard) -> None:
        if heard.topic.endswith("/move"):
            say_json({"event": "move", "camera": heard.camera, **heard.payload})

    takings = await play(client, lambda words: say_json({"event": "round", "words": words}), show)
    say_json({"event": "summary", **takings.summary()})
    return takings


async def _play_for_people(client: Client) -> Takings:
    with _live_board() if sys.stdout.isatty() else _plain_lines() as (announce, show):
        takings = await play(client, announce, show)
        await _hear_the_last(client, show)
    say(takings.sentence())
    return takings


async def _hear_the_last(client: Client, show: Show) -> None:
    """Wait for what the cameras say of themselves after their moves: the last table is to show them at rest."""
    with suppress(TimeoutError):
        async with asyncio.timeout(LAST_WORDS_SECONDS):
            while True:
                show(await client.hear())


@contextmanager
def _live_board() -> Iterator[tuple[Announce, Show]]:
    board = Board(asyncio.get_running_loop().time)
    board.take(Heard("status", {"state": "online"}))
    console = Console()
    with Live(board, console=console, refresh_per_second=10):
        yield console.print, board.take


@contextmanager
def _plain_lines() -> Iterator[tuple[Announce, Show]]:
    def show(heard: Heard) -> None:
        if heard.camera is not None and heard.topic.endswith("/move"):
            say(f"  {move_line(heard.camera, heard.payload)}")

    yield say, show


async def _stay_up(client: Client, broker: BrokerAddress, page: str, as_json: bool) -> None:
    """Tell how to recall a position from elsewhere, and go on showing the moves until cancelled."""
    recall = f"{_called()} recall gallery house --broker {broker}"
    publish = f"mosquitto_pub -h {broker.host} -p {broker.port} -t ptzd/camera/gallery/recall -m soloist"
    watch = f"{_called()} watch --broker {broker}"
    if as_json:
        say_json({"event": "ready", "broker": str(broker), "page": page, "recall": recall, "publish": publish})
    else:
        say(f"The cameras stay up until Ctrl-C. The operator's page is {page}; or, from a second terminal:")
        for command in (watch, recall, publish):
            say_as_it_is(f"  {command}")
    on_air = EVENING[-1].on_air
    await client.listen(["cue/state"])
    while True:
        heard = await client.receive()
        if heard.topic == "cue/state":
            on_air = await show_what_is_taken(client, heard.payload, on_air)
        if heard.camera is None or not heard.topic.endswith("/move"):
            continue
        if as_json:
            say_json({"event": "move", "camera": heard.camera, **heard.payload})
        else:
            say(move_line(heard.camera, heard.payload))


def _has_a_screen() -> bool:
    """Whether somebody sits here who would see a browser open."""
    graphical = sys.platform == "darwin" or any(os.environ.get(one) for one in ("DISPLAY", "WAYLAND_DISPLAY"))
    return graphical and sys.stdout.isatty()


def _called() -> str:
    """How this program is called, so that a command that it prints works where it is pasted."""
    if shutil.which("ptzd") or not Path(sys.argv[0]).is_file():
        return "ptzd"
    return shlex.quote(str(Path(sys.argv[0]).absolute()))
