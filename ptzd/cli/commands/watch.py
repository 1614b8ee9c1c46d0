"""`ptzd watch`: what all cameras do, as they do it."""

from __future__ import annotations

import asyncio
import sys

import click
from rich.live import Live

from ptzd.cli.board import Board, daemon_line, doing, learning_line, refusal_line, remarks, tally_words
from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.client import Client, Heard, Payload
from ptzd.cli.console import Console
from ptzd.cli.output import say, say_json
from ptzd.cli.sentences import move_line
from ptzd.cli.values import FiniteRange
from ptzd.cli.watching import look_on

TOPICS = ("status", "camera/+/state", "camera/+/move", "camera/+/learn-progress", "outcome")


@click.command(short_help="Show what all cameras do, as they do it.", epilog="Example: ptzd watch --json --for 10")
@click.option("--for", "seconds", type=FiniteRange(0, min_open=True), help="End after so many seconds.")
@answer_options("Print each message as a line of JSON.")
def watch(broker: BrokerAddress, seconds: float | None, as_json: bool) -> None:
    """Show every camera's link, phase, position, seconds to go, tally, lock and faults, each move as it lands, and
    every command that is refused.

    A live table on a terminal, plain lines otherwise. It waits for a daemon that is not there, and for a broker that
    goes away. Ctrl-C ends it.
    """
    for_people = _show_board if sys.stdout.isatty() else _print_lines
    look_on(broker, seconds, TOPICS, _print_messages if as_json else for_people)


async def _print_messages(client: Client) -> None:
    while True:
        heard = await client.hear_of_the_living()
        say_json({"topic": heard.topic, "payload": heard.payload})


async def _print_lines(client: Client) -> None:
    said: dict[str, str] = {}
    while True:
        heard = await client.hear_of_the_living()
        line = _line(heard)
        if line is not None and said.get(heard.topic) != line:
            said[heard.topic] = line
            say(line)


def _line(heard: Heard) -> str | None:
    if heard.topic == "status":
        return daemon_line(str(heard.payload.get("state", "?")), lives=not heard.kept)
    if heard.topic == "outcome":
        return refusal_line(heard.payload)
    if heard.camera is None:
        return None
    if heard.topic.endswith("/move"):
        return move_line(heard.camera, heard.payload)
    if heard.topic.endswith("/learn-progress"):
        return learning_line(heard.camera, heard.payload)
    return state_line(heard.camera, heard.payload)


def state_line(camera: str, state: Payload) -> str:
    """Return one line on a camera at rest or at work, without the figures that change all the time."""
    stands = f", in {state['position']}" if state.get("position") else ""
    plain = state.get("tally") in (None, "off") and state.get("tally_source") in (None, "message")
    tally = "" if plain else f", {tally_words(state)}"
    more = "".join(f"; {remark}" for remark in remarks(state))
    return f"{camera}: link {state.get('link', '?')}, {doing(state)}{stands}{tally}{more}"


async def _show_board(client: Client) -> None:
    board = Board(asyncio.get_running_loop().time)
    with Live(board, console=Console(), refresh_per_second=8):
        while True:
            board.take(await client.hear_of_the_living())
