"""`ptzd lock`, `ptzd unlock`, `ptzd locks`: keep a camera still while somebody reaches for it, and see who does."""

from __future__ import annotations

import asyncio
import getpass
from datetime import datetime

import click

from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.client import Payload, ask_camera, reach, sent_at
from ptzd.cli.output import say, say_json
from ptzd.cli.sentences import lock_lines
from ptzd.cli.stillness import kept_states, require_still, tell, told_urgently
from ptzd.cli.values import name


@click.command(
    short_help="Keep a camera still, whoever asks.", epilog='Example: ptzd lock gallery --reason "changing the lens"'
)
@click.argument("camera", type=name)
@click.option("--reason", default="", help="Why; shown to everybody who asks the camera to move.")
@click.option("--by", default="", help="Who; your login name where you leave it out.")
@answer_options("Print the outcome as JSON.")
def lock(broker: BrokerAddress, camera: str, reason: str, by: str, as_json: bool) -> None:
    """Stop CAMERA and keep it still until it is unlocked, also across a restart of the daemon.

    Several people may lock one: it may move again when the last of them has let go.

    Say why where there is time: whoever finds it locked wants to know. It goes out whatever is known of the daemon, and
    ends with 1 where the camera is not seen to stand still. The lock is software: where a life depends on it, pull the
    plug.
    """
    wanted = {"by": by or _login(), "reason": reason}
    outcome, states = told_urgently(broker, f"camera/{camera}/lock", wanted, camera)
    if as_json:
        say_json(outcome)
    else:
        say(f"Camera {camera} is locked: nobody moves it until `ptzd unlock {camera}`.")
        say(*_lines(camera, outcome.get("result") or {}))
        tell(states)
    require_still(states)


@click.command(short_help="Let a camera move again.", epilog="Example: ptzd unlock gallery")
@click.argument("camera", type=name)
@click.option("--by", default="", help="Who; your login name where you leave it out.")
@click.option("--whose", help="Take off the lock of somebody else, who is named here as `ptzd locks` has it.")
@answer_options("Print the outcome as JSON.")
def unlock(broker: BrokerAddress, camera: str, by: str, whose: str | None, as_json: bool) -> None:
    """Take your lock off CAMERA; where nobody else has locked it, it may move again.

    Look first whether everybody's hands are clear of it. Who is named by --whose may be at the head right now: ask.
    """
    by = by or _login()
    outcome = ask_camera(broker, camera, "unlock", {"by": by, "whose": whose, "sent_at": sent_at()})
    if as_json:
        say_json(outcome)
    elif lines := _lines(camera, outcome.get("result") or {}):
        say(f"The lock of {whose or by} is off, but camera {camera} may not move yet:", *lines)
    else:
        say(f"Camera {camera} may move again.")


@click.command(short_help="List who keeps which camera still.", epilog="Example: ptzd locks")
@answer_options("Print all locks as JSON.")
def locks(broker: BrokerAddress, as_json: bool) -> None:
    """List every lock: the camera, who, why and since when."""
    states = asyncio.run(_states(broker))
    if as_json:
        say_json({camera: state.get("locks") or [] for camera, state in states.items()})
        return
    lines = [line for camera in sorted(states) for line in _lines(camera, states[camera])]
    say(*(lines or ["No camera is locked."]))


def _lines(camera: str, state: Payload) -> list[str]:
    """Return a line on each of those who keep a camera still, by its state or the result of a command."""
    since = [datetime.fromisoformat(lock["since"]).astimezone() for lock in state.get("locks") or ()]
    told = zip(lock_lines(state), since, strict=True)
    return [f"camera {camera}: {line} (since {moment:%H:%M:%S on %Y-%m-%d})" for line, moment in told]


async def _states(broker: BrokerAddress) -> dict[str, Payload]:
    async with reach(broker) as client:
        await client.require_daemon()
        if not await client.hear_it_live():
            raise client.offline()
        return await kept_states(client)


def _login() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # a user without a name, as in a container
        return "somebody"
