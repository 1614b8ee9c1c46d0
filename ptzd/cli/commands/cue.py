"""`ptzd cue`: run a show's cues."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from decimal import Decimal, InvalidOperation
from functools import partial

import click
from rich.live import Live
from rich.text import Text

from ptzd.cli.broker import BrokerAddress, answer_options, broker_options
from ptzd.cli.client import CUE_STATE, Client, Heard, Payload, reach, sent_at
from ptzd.cli.console import Console
from ptzd.cli.keys import require_terminal
from ptzd.cli.output import Failure, complain, say, say_json
from ptzd.cli.sentences import amiss, go_lines, places_lines, state_lines, warning_lines
from ptzd.cli.values import FiniteRange
from ptzd.cli.watching import look_on

from .cue_desk import at_desk

HIGHEST_NUMBER = 99_999


def cue_number(text: str) -> str:
    """Return a cue's number, such as 12 or 12.5; anything else is used wrongly before it is sent anywhere."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        number = Decimal("nan")
    if not number.is_finite() or not 0 <= number <= HIGHEST_NUMBER or number != round(number, 3):
        raise click.BadParameter(
            f"{text!r} is not a cue number; write one from 0 to {HIGHEST_NUMBER} with up to three decimals, "
            "such as 12.5."
        )
    return str(number)


_ANSWER = answer_options("Print where the show stands as JSON.")


@click.group(short_help="Run a show's cues.", epilog="Example: ptzd cue go", no_args_is_help=True)
def cue() -> None:
    """Run the cues of the show that the daemon has loaded: standby, go, and finding one's place.

    Only standby, places and go move cameras; hold keeps them from it. The daemon remembers where the show stands.
    """


@cue.command(short_help="Send the cameras off air to their framings.", epilog="Example: ptzd cue standby 12.5")
@click.argument("number", type=cue_number, required=False)
@_ANSWER
def standby(broker: BrokerAddress, number: str | None, as_json: bool) -> None:
    """Send every camera off air to its framing in cue NUMBER, or in the next, and tell who is not ready yet.

    A camera on air goes as soon as it is off; a move with an `earliest` leaves as long after the go of the cue before
    as it was rehearsed.
    """
    _run(broker, "standby", {"number": number, "sent_at": sent_at()}, as_json)


@cue.command(short_help="Send the cameras off air to where the show wants them.", epilog="Example: ptzd cue places")
@_ANSWER
def places(broker: BrokerAddress, as_json: bool) -> None:
    """Send every camera off air to where it should stand before the next cue: after a jump, a restart, a recall.

    It tells camera by camera which was sent, which stands there, and which was not sent and why, such as one on air,
    or one that somebody moves; then it ends with 1.
    """
    result = _run(broker, "places", {"sent_at": sent_at()}, as_json)
    if result.get("not_sent"):
        raise click.exceptions.Exit(1)


@cue.command(short_help="Run the next cue.", epilog="Example: ptzd cue go")
@click.argument("number", type=cue_number, required=False)
@_ANSWER
def go(broker: BrokerAddress, number: str | None, as_json: bool) -> None:
    """Start the moves on air of cue NUMBER, or of the next, and step on.

    What the standby still held back for its `earliest` leaves now, unless it would be seen; that is told. It ends with
    1 where a camera was left behind, would not move, or is seen and was not ready, and names it; the cue stands all the
    same.
    """
    result = _run(broker, "go", {"number": number, "sent_at": sent_at()}, as_json)
    if amiss(result):
        raise click.exceptions.Exit(1)


@cue.command(short_help="Take back the last go; nothing moves.", epilog="Example: ptzd cue back")
@_ANSWER
def back(broker: BrokerAddress, as_json: bool) -> None:
    """Take back the last go: the cue that it ran is the next again. Nothing moves."""
    _run(broker, "back", {"sent_at": sent_at()}, as_json)


@cue.command(short_help="Make another cue the next; nothing moves.", epilog="Example: ptzd cue jump 12")
@click.argument("number", type=cue_number)
@_ANSWER
def jump(broker: BrokerAddress, number: str, as_json: bool) -> None:
    """Make cue NUMBER the next. Nothing moves."""
    _run(broker, "jump", {"number": number, "sent_at": sent_at()}, as_json)


@cue.command(short_help="Read the show file anew; nothing moves.", epilog="Example: ptzd cue load")
@_ANSWER
def load(broker: BrokerAddress, as_json: bool) -> None:
    """Read the file of the show anew, as it was changed. Nothing moves; ask for standby again.

    The show stays at its cue, though it was numbered anew; where that can't be told for sure, this says so and ends
    with 1: look, and jump. A file with mistakes changes nothing.
    """
    warnings = warning_lines(_run(broker, "load", {}, as_json))
    for warning in warnings:
        complain(warning)
    if warnings:
        raise click.exceptions.Exit(1)


@cue.command(short_help="Run the show at one key a cue.", epilog="Example: ptzd cue desk")
@broker_options
def desk(broker: BrokerAddress) -> None:
    """Run the show at one key each: Enter is go, s standby, p places, b back, h hold and release, the space bar stops
    every camera, q leaves.

    It shows the standing cue, the next, and who is not ready for it and why.
    """
    require_terminal("from elsewhere use `ptzd cue go`")
    at_desk(broker)


@cue.command(short_help="Keep standby and go from doing anything.", epilog="Example: ptzd cue hold")
@_ANSWER
def hold(broker: BrokerAddress, as_json: bool) -> None:
    """Let no cue start a move until the release. What moves already goes on; `ptzd stop` ends that."""
    _run(broker, "hold", {}, as_json)


@cue.command(short_help="End the hold; nothing moves.", epilog="Example: ptzd cue release")
@_ANSWER
def release(broker: BrokerAddress, as_json: bool) -> None:
    """End the hold. Nothing moves until somebody asks for standby or go."""
    _run(broker, "release", {}, as_json)


@cue.command(short_help="Show where the show stands, as it goes on.", epilog="Example: ptzd cue watch --for 10")
@click.option("--for", "seconds", type=FiniteRange(0, min_open=True), help="End after so many seconds.")
@answer_options("Print each change as a line of JSON.")
def watch(broker: BrokerAddress, seconds: float | None, as_json: bool) -> None:
    """Show the standing cue, the next and who is not ready, and every change of it.

    It waits for a daemon that is not there, and for a broker that goes away. Ctrl-C ends it.
    """
    in_lines = partial(_print_states, tell=lambda state: say(*state_lines(state)))
    for_people = _show_state if sys.stdout.isatty() else in_lines
    look_on(broker, seconds, [CUE_STATE], partial(_print_states, tell=say_json) if as_json else for_people)


def _run(broker: BrokerAddress, verb: str, payload: Payload, as_json: bool) -> Payload:
    """Ask the daemon and show where the show stands then; return the outcome's result."""
    state, result = asyncio.run(_ask(broker, verb, payload))
    if as_json:
        say_json(state | result)
        return result
    say(*go_lines(result), *places_lines(result), *state_lines(state))
    return result


async def _ask(broker: BrokerAddress, verb: str, payload: Payload) -> tuple[Payload, Payload]:
    """Ask the daemon; return where the show stands then, and the outcome's result, if there is one.

    Raises Failure where it refused or did not answer.
    """
    async with reach(broker) as client:
        await client.require_daemon()
        await client.listen([CUE_STATE])
        state: Payload = {}

        async def hear() -> Heard:
            nonlocal state
            heard = await client.hear()
            if heard.topic == CUE_STATE:
                state = heard.payload  # it comes before the outcome of what brought it about
            return heard

        outcome = await client.ask(f"cue/{verb}", payload, hear=hear)
    if not state:
        raise Failure("The daemon did it but has not said where the show stands; look with `ptzd cue watch`.")
    return state, outcome.get("result") or {}


async def _next_state(client: Client) -> Payload | None:
    """Return where the show stands, or None where the daemon that said so is gone."""
    while True:
        heard = await client.hear_of_the_living()
        if heard.topic == CUE_STATE:
            return heard.payload
        if heard.topic == "status" and not client.online:
            return None


async def _print_states(client: Client, tell: Callable[[Payload], None]) -> None:
    while True:
        if (state := await _next_state(client)) is not None:
            tell(state)
        else:
            complain(client.offline().message)


async def _show_state(client: Client) -> None:
    with Live(Text("waiting for the daemon to say where the show stands"), console=Console()) as live:
        while True:
            state = await _next_state(client)
            live.update(Text("\n".join([client.offline().message] if state is None else state_lines(state))))
