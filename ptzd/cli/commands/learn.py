"""`ptzd learn`: measure how a head moves, so that its moves are timed by what it is and not by what its papers say."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import click
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn

from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.client import ANSWER_SECONDS, Client, Payload, ask_camera, reach, refused
from ptzd.cli.output import Failure, Misuse, complain, require_yes, say, say_json
from ptzd.cli.sentences import duration
from ptzd.cli.values import TEXT_FILE, FiniteRange, name
from ptzd.cli.waiting import progress_of

KEEPALIVE_SECONDS = 5  # within twice of which a broker sees that this process is cut off
GONE = (
    "The daemon has gone while camera {camera} was learned, and nothing was learned; its guard stops the camera: see "
    "that it stands still, or end it with `ptzd halt --config FILE`."
)
SILENCE_SECONDS = 60.0  # without a sign of progress; no trial takes as long
IN_MID_MOVE = {
    "smooth": "goes on smoothly",
    "stops": "stops first",
    "refused": "is refused",
    "unknown": "the trials did not agree, or the range was too small to tell",
}
DEGREES = FiniteRange(-360, 360)
ANGLE = FiniteRange(1, 180)


@click.command(
    short_help="Measure how a head moves, for exact predictions.",
    epilog="Example: ptzd learn gallery --pan -60 60 --tilt -10 30",
)
@click.argument("camera", type=name)
@click.option("--pan", type=(DEGREES, DEGREES), metavar="FROM TO", help="Range of pan it may use, in degrees.")
@click.option("--tilt", type=(DEGREES, DEGREES), metavar="FROM TO", help="Range of tilt it may use, in degrees.")
@click.option("--near-ends", is_flag=True, help="Allow ranges that come nearer than 5 degrees to the head's ends.")
@click.option(
    "--limits", is_flag=True, help="Instead: find the ends of pan, tilt and zoom, at the slowest speed; needs --config."
)
@click.option(
    "--pan-angle", type=ANGLE, metavar="DEGREES", help="With --limits: between two marks, as seen from above."
)
@click.option("--tilt-angle", type=ANGLE, metavar="DEGREES", help="With --limits: between two marks above each other.")
@click.option("--write", "path", type=TEXT_FILE, help="With --limits: a new dialect.")
@click.option("--yes", is_flag=True, help="Begin without asking: nobody is near, no cable is in the way.")
@answer_options("Print the outcome as JSON; needs --yes.")
def learn(
    broker: BrokerAddress,
    camera: str,
    pan: tuple[float, float] | None,
    tilt: tuple[float, float] | None,
    near_ends: bool,
    limits: bool,
    pan_angle: float | None,
    tilt_angle: float | None,
    path: Path | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Measure how CAMERA's head and lens move, within a range, and use it for every prediction from then on.

    The head moves through the given range at every speed it has, in its slow mode too where it has one, and the lens
    through its whole range; afterwards the camera stands where it stood. How long that will take is told more exactly
    when a first look, near where it stands, has shown how late the camera answers and how slow its zoom is. The wider
    the range, the more of the fast steps can be measured. `ptzd stop CAMERA`, or Ctrl-C here, ends it at any moment. A
    camera that is locked or on air refuses.

    With --limits it finds out instead what no document tells of a head: where its ends are, and, by two marks that you
    bring to the middle of the picture, how many counts a degree has. What it does with a new order in mid-move is
    learned without.
    """
    if limits and (pan is not None or tilt is not None or near_ends):
        raise Misuse("--limits goes to all ends: --pan, --tilt and --near-ends hold it in no range.")
    if not limits and (pan_angle is not None or tilt_angle is not None or path is not None):
        raise Misuse("--pan-angle, --tilt-angle and --write are for --limits, which was not said.")
    if limits:
        from .learn_limits import learn_limits  # it takes its time

        angles = {axis: each for axis, each in (("pan", pan_angle), ("tilt", tilt_angle)) if each is not None}
        learn_limits(broker, camera, angles, path, yes=yes, as_json=as_json)
        return
    if pan is None or tilt is None:
        raise click.UsageError("Missing option '--pan' or '--tilt': in which range may it move?")
    for axis, (least, most) in (("pan", pan), ("tilt", tilt)):
        if not least < most:
            raise Misuse(f"--{axis} {least:g} {most:g} is no range; write the smaller angle first.")
    if as_json and not yes:
        raise Misuse("With --json nobody can be asked; make sure that nobody is near the head, and add --yes.")
    wanted = {"pan_deg": list(pan), "tilt_deg": list(tilt), "near_ends": near_ends or None}
    # Nothing moves by that; a daemon that would refuse to learn refuses here.
    estimate = ask_camera(broker, camera, "learn", wanted | {"estimate": True}).get("result") or {}
    complain(caution(camera, pan, tilt, float(estimate.get("seconds") or 0.0)))
    require_yes("Begin?", given=yes)
    try:
        outcome = asyncio.run(_learn(broker, camera, wanted))
    except KeyboardInterrupt:
        raise Failure(f"Camera {camera} was told to stop; nothing was learned.") from None
    if as_json:
        say_json(outcome)
        return
    result = outcome.get("result") or {}
    say(f"Camera {camera} has been learned; from now on its moves are planned with what {result.get('path')} says.")
    if (renewal := IN_MID_MOVE.get(str(result.get("renewal")))) is not None:
        say(f"A new order in mid-move: {renewal}.")


def caution(camera: str, pan: tuple[float, float], tilt: tuple[float, float], seconds: float) -> str:
    """Return what people must know before a head begins to move by itself, for about so many seconds."""
    return (
        f"CAUTION: camera {camera} will move by itself for about {duration(seconds)}, at up to its full speed, "
        f"between pan {pan[0]:g}° and {pan[1]:g}° and tilt {tilt[0]:g}° and {tilt[1]:g}°, "
        "and no further than its window, if it has one. Keep hands and people clear of it; with a long lens, or "
        "overhead, see that nothing can catch on it and that its cables reach everywhere. "
        f"`ptzd stop {camera}` halts it at any moment."
    )


async def _learn(broker: BrokerAddress, camera: str, wanted: Payload) -> Payload:
    # Nobody is there to stop it any more where this process is gone, or cut off: then the broker does.
    async with reach(broker, KEEPALIVE_SECONDS, will=f"camera/{camera}/stop") as client:
        words = TextColumn(f"{camera}: {{task.fields[doing]}}", markup=False)
        with progress_of(words, BarColumn(), MofNCompleteColumn(), TextColumn("{task.fields[left]}")) as bar:
            task = bar.add_task("", total=None, doing="asked", left="")
            promised: float | None = None

            def show(progress: Payload) -> None:
                nonlocal promised
                if promised is None and (seconds := progress.get("promised_seconds")) is not None:
                    promised = float(seconds)
                    complain(f"A first look at camera {camera} is over; in all it will take {duration(promised)}.")
                left = float(progress.get("seconds_left") or 0.0)
                doing, left_words = str(progress.get("doing")), f"{duration(left)} left"
                bar.update(task, completed=progress.get("done"), total=progress.get("of"), doing=doing, left=left_words)

            async with client.stopping_when_left(camera):
                return await follow(client, camera, wanted, show)


async def follow(client: Client, camera: str, wanted: Payload, show: Callable[[Payload], None]) -> Payload:
    """Ask for the learning, `show` its progress, and return its outcome. Raises Failure where it did not succeed."""
    await client.listen(["status", f"camera/{camera}/learn-progress", "outcome"])
    ticket = await client.publish(f"camera/{camera}/learn", wanted)
    began = False
    while True:
        try:
            async with asyncio.timeout(SILENCE_SECONDS if began else ANSWER_SECONDS):
                heard = await client.receive()
                while heard.payload.get("id") != ticket:
                    if heard.topic == "status" and not client.online:
                        raise client.offline() if not began else Failure(GONE.format(camera=camera))
                    heard = await client.receive()
        except TimeoutError:
            if not began:
                raise client.silent() from None
            raise Failure(
                f"The daemon has said nothing of camera {camera} for {SILENCE_SECONDS:.0f} s; "
                f"it may still be moving: see `ptzd watch`, or end it with `ptzd stop {camera}`."
            ) from None
        began = True
        if heard.topic == "outcome":
            if heard.payload.get("ok") is not True:
                raise refused(heard.payload)
            return heard.payload
        show(heard.payload)
