"""Asking for a move, and following it until it has ended."""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import click
from rich.progress import BarColumn, TextColumn, TimeRemainingColumn

from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.client import ANSWER_SECONDS, Client, Payload, reach, refused, sent_at
from ptzd.cli.output import Failure, say, say_json
from ptzd.cli.sentences import move_line
from ptzd.cli.values import FiniteRange
from ptzd.cli.waiting import advancing, progress_of

ENDED = ("settled", "refused", "superseded", "stopped", "failed")


@dataclass(frozen=True, slots=True)
class Move:
    """How somebody wants a camera to be moved, and the move to be followed."""

    broker: BrokerAddress
    on_air: bool
    no_wait: bool
    timeout: float
    as_json: bool

    def ask(self, camera: str, command: str, wanted: Mapping[str, object], goal: str) -> None:
        """Ask for a move to a `goal` and wait for its end, or with `no_wait` until it is accepted.

        Raises Failure, with the daemon's sentence, where it ends otherwise than settled.
        """
        payload = {**wanted, "on_air": self.on_air or None, "sent_at": sent_at()}
        try:
            report = asyncio.run(self._shown(camera, command, payload, goal))
        except KeyboardInterrupt:
            raise Failure(
                f"No longer waiting; a move that was accepted goes on: `ptzd stop {camera}` ends it."
            ) from None
        if self.as_json:
            say_json(report)
        elif report["phase"] == "settled":
            say(move_line(camera, report))
        if report["phase"] not in ("accepted", "settled"):
            raise refused(report)

    async def _shown(self, camera: str, command: str, payload: Payload, goal: str) -> Payload:
        """Ask for the move and follow it, and tell its promise as it leaves, and every later warning."""
        async with reach(self.broker) as client:
            await client.require_camera(camera)
            phase = TextColumn("{task.fields[phase]}")
            with progress_of(TextColumn(f"{camera} → {goal}"), phase, BarColumn(), TimeRemainingColumn()) as progress:
                bar = progress.add_task("", total=None, phase="asked")
                told: set[str | None] = {None}

                def show(report: Payload) -> None:
                    warning = report.get("warning")
                    if not self.as_json and report["phase"] == "accepted" and len(told) == 1:
                        say(move_line(camera, report))
                    elif not self.as_json and warning not in told:
                        say(f"{camera}: {warning}")
                    told.update((warning, ""))
                    progress.update(bar, phase=report["phase"], total=report.get("predicted_seconds"))

                async with advancing(progress, bar):
                    return await self._followed(client, camera, command, payload, show)

    async def _followed(
        self, client: Client, camera: str, command: str, payload: Payload, show: Callable[[Payload], None]
    ) -> Payload:
        """Ask for a move, `show` each of its reports, and return the first that need not be waited beyond.

        Raises Failure where nobody answers, or no such report comes in time.
        """
        until = ("accepted", *ENDED) if self.no_wait else ENDED
        await client.listen([f"camera/{camera}/move", "outcome"])
        ticket = await client.publish(f"camera/{camera}/{command}", payload)
        heard_of_it = False
        loop = asyncio.get_running_loop()
        began = loop.time()
        try:
            async with asyncio.timeout_at(began + min(ANSWER_SECONDS, self.timeout)) as patience:
                while True:
                    heard = await client.hear()
                    if heard.payload.get("id") != ticket:
                        continue
                    if heard.topic == "outcome":  # the message itself was refused: there is no move to report of
                        raise refused(heard.payload)
                    if not heard_of_it:
                        heard_of_it = True
                        patience.reschedule(began + self.timeout)
                    show(heard.payload)
                    if heard.payload.get("phase") in until:
                        return heard.payload
        except TimeoutError:
            if not heard_of_it:
                raise client.silent() from None
            raise Failure(
                f"Camera {camera} has not settled within {self.timeout:g} s; it may still be moving: "
                f"see `ptzd watch`, or end it with `ptzd stop {camera}`."
            ) from None


def move_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of whatever moves a camera; it gets them as one `move: Move`."""

    @click.option("--on-air", is_flag=True, help="Move although the camera is on program.")
    @click.option("--no-wait", is_flag=True, help="Return as soon as the move is accepted.")
    @click.option(
        "--timeout", type=FiniteRange(0, min_open=True), default=90.0, show_default=True, help="Seconds to wait."
    )
    @answer_options("Print the last report of the move as JSON.")
    @functools.wraps(command)
    def with_move(
        broker: BrokerAddress, on_air: bool, no_wait: bool, timeout: float, as_json: bool, **rest: Any
    ) -> None:
        command(move=Move(broker, on_air, no_wait, timeout, as_json), **rest)

    return with_move
