"""Asking for a move, and following it until it has ended."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable

import click
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import ANSWER_SECONDS, Client, Payload, reach, refused
from ptzd.cli.console import Console
from ptzd.cli.numbers import FiniteRange
from ptzd.cli.output import Failure, say, say_json
from ptzd.cli.sentences import move_line
from ptzd.cli.waiting import advancing

ENDED = ("settled", "refused", "superseded", "stopped", "failed")


def follow_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command `no_wait`, `timeout` and `as_json`."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the last report of the move as JSON."),
        click.option(
            "--timeout", type=FiniteRange(0, min_open=True), default=90.0, show_default=True, help="Seconds to wait."
        ),
        click.option("--no-wait", is_flag=True, help="Return as soon as the move is accepted."),
    ):
        command = option(command)
    return command


def move(
    broker: BrokerAddress,
    camera: str,
    command: str,
    wanted: Payload,
    goal: str,
    *,
    no_wait: bool,
    timeout: float,
    as_json: bool,
) -> None:
    """Ask for a move to a `goal` and wait for its end, or with `no_wait` until it is accepted.

    Raises Failure, with the daemon's sentence, where it ends otherwise than settled.
    """
    until = ("accepted", *ENDED) if no_wait else ENDED
    try:
        report = asyncio.run(_shown(broker, camera, command, wanted, goal, until, timeout, aloud=not as_json))
    except KeyboardInterrupt:
        raise Failure(f"No longer waiting; a move that was accepted goes on: `ptzd stop {camera}` ends it.") from None
    if as_json:
        say_json(report)
    elif report["phase"] == "settled":
        say(move_line(camera, report))
    if report["phase"] not in ("accepted", "settled"):
        raise refused(report)


async def _shown(
    broker: BrokerAddress,
    camera: str,
    command: str,
    wanted: Payload,
    goal: str,
    until: tuple[str, ...],
    patience_seconds: float,
    *,
    aloud: bool,
) -> Payload:
    """Ask for the move and follow it; `aloud`, tell its promise as it leaves, and every later warning."""
    async with reach(broker) as client:
        await client.require_camera(camera)
        with Progress(
            TextColumn(f"{camera} → {goal}"),
            TextColumn("{task.fields[phase]}"),
            BarColumn(),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            transient=True,
            redirect_stdout=sys.stdout.isatty(),  # else what is said would not go down the pipe
            disable=not sys.stderr.isatty(),
        ) as progress:
            bar = progress.add_task("", total=None, phase="asked")
            told: set[str | None] = {None}

            def show(report: Payload) -> None:
                warning = report.get("warning")
                if aloud and report["phase"] == "accepted" and len(told) == 1:
                    say(move_line(camera, report))
                elif aloud and warning not in told:
                    say(f"{camera}: {warning}")
                told.update((warning, ""))
                progress.update(bar, phase=report["phase"], total=report.get("predicted_seconds"))

            async with advancing(progress, bar):
                return await _follow(client, camera, command, wanted, until, patience_seconds, show)


async def _follow(
    client: Client,
    camera: str,
    command: str,
    wanted: Payload,
    until: tuple[str, ...],
    patience_seconds: float,
    show: Callable[[Payload], None],
) -> Payload:
    """Ask for a move, `show` each of its reports, and return the first whose phase is one of `until`.

    Raises Failure where nobody answers, or no such phase comes within `patience_seconds`.
    """
    await client.listen([f"camera/{camera}/move", "outcome"])
    ticket = await client.publish(f"camera/{camera}/{command}", wanted)
    heard_of_it = False
    loop = asyncio.get_running_loop()
    began = loop.time()
    try:
        async with asyncio.timeout_at(began + min(ANSWER_SECONDS, patience_seconds)) as patience:
            while True:
                heard = await client.hear()
                if heard.payload.get("id") != ticket:
                    continue
                if heard.topic == "outcome":  # the message itself was refused: there is no move to report of
                    raise refused(heard.payload)
                if not heard_of_it:
                    heard_of_it = True
                    patience.reschedule(began + patience_seconds)
                show(heard.payload)
                if heard.payload.get("phase") in until:
                    return heard.payload
    except TimeoutError:
        if not heard_of_it:
            raise client.silent() from None
        raise Failure(
            f"Camera {camera} has not settled within {patience_seconds:g} s; it may still be moving: "
            f"see `ptzd watch`, or end it with `ptzd stop {camera}`."
        ) from None
