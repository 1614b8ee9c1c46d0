"""`ptzd positions`: what is stored, and what was; names, and the show as a text file."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TextIO

import click

from ptzd import toml
from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.clear import ask_when_clear
from ptzd.cli.client import ANSWER_SECONDS, Payload, ask_camera, reach
from ptzd.cli.console import print_table
from ptzd.cli.output import Failure, Misuse, complain, say, say_as_it_is, say_json, say_outcome
from ptzd.cli.sentences import capital
from ptzd.cli.values import TEXT_FILE, FiniteRange, name
from ptzd.cli.writing import write_text

RESTORE_SECONDS = 3600.0  # a camera may have many positions, and a slow zoom
COUNTS = "Figures without a unit are the camera's counts"


class _ListFirst(click.Group):
    """A group whose first word may also be a camera: then, and without any word, it lists."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if not args or (args[0] not in self.commands and args[0] not in ("-h", "--help")):
            args = ["list", *args]
        return super().parse_args(ctx, args)


@click.group(
    short_help="List, undo, rename, export or import positions.",
    cls=_ListFirst,
    epilog="Example: ptzd positions gallery",
)
def positions() -> None:
    """List the stored positions of all cameras or of one, or do something with them."""


@positions.command(
    "list", short_help="List the stored positions.", epilog="Example: ptzd positions list gallery --json"
)
@click.argument("camera", type=name, required=False)
@answer_options("Print the positions as JSON.")
def list_(broker: BrokerAddress, camera: str | None, as_json: bool) -> None:
    """List the stored positions of CAMERA, or of all; the word `list` may be left out."""
    found, troubles = asyncio.run(_list(broker, camera))
    for trouble in troubles:
        complain(f"The daemon tells: {trouble}.")
    if troubles and not any(found.values()):  # that none are stored, nobody knows
        raise Failure("No positions are listed; what the daemon tells may be why.")
    if as_json:
        say_json(found)
        return
    rows = [(one, position["name"], *_cells(position)) for one, stored in found.items() for position in stored]
    if rows:
        print_table(("camera", "position", *_HEADINGS), rows, figures=_FIGURES, whole=_WHOLE)
        say(f"{COUNTS}; `ptzd positions history` tells when it was stored.")
    else:
        say(f"No positions are stored{f' for camera {camera}' if camera else ''}; store one with `ptzd store`.")


@positions.command(
    short_help="Show every framing that a position had.", epilog="Example: ptzd positions history gallery soloist"
)
@click.argument("camera", type=name)
@click.argument("position", type=name)
@answer_options("Print the history as JSON.")
def history(broker: BrokerAddress, camera: str, position: str, as_json: bool) -> None:
    """Show every framing that POSITION of CAMERA has or had; 1 is the oldest."""
    result = ask_camera(broker, camera, "history", {"position": position})["result"]
    if as_json:
        say_json(result)
        return
    rows = [
        (
            str(entry["number"]),
            "in use" if entry["current"] else "",
            *_cells(entry["position"]),
            "" if entry["position"].get("still") is None else "yes",
            _local(entry["position"]["stored_at"]),
        )
        for entry in result["entries"]
    ]
    print_table(("number", "", *_HEADINGS, "still", "stored at"), rows, figures=_FIGURES, whole=_WHOLE)
    say(f"{COUNTS}.")


@positions.command(
    short_help="Bring an old framing back; nothing moves.", epilog="Example: ptzd positions revert gallery soloist 2"
)
@click.argument("camera", type=name)
@click.argument("position", type=name)
@click.argument("number", type=click.IntRange(min=1))
@answer_options("Print the outcome as JSON.")
def revert(broker: BrokerAddress, camera: str, position: str, number: int, as_json: bool) -> None:
    """Bring framing NUMBER of a position's history back, also of a deleted one. Nothing moves."""
    outcome = ask_camera(broker, camera, "revert", {"position": position, "number": number})
    say_outcome(outcome, f"Position {position} of camera {camera} is again what it was as number {number}.", as_json)


@positions.command(
    short_help="Set a camera's own memories anew, as after a swap.",
    epilog="Example: ptzd positions restore gallery",
)
@click.argument("camera", type=name)
@click.option("--yes", is_flag=True, help="Begin without asking: nobody is near, no cable is in the way.")
@answer_options("Print the outcome as JSON; needs --yes.")
def restore(broker: BrokerAddress, camera: str, yes: bool, as_json: bool) -> None:
    """Have CAMERA go to each of its positions and keep it in a memory of its own. It asks first.

    For a camera whose configuration has `memories`. `ptzd stop CAMERA` ends it at any moment.
    """
    try:
        outcome = ask_when_clear(broker, camera, "restore", {}, yes=yes, may_ask=not as_json, seconds=RESTORE_SECONDS)
    except KeyboardInterrupt:
        raise Failure(f"Camera {camera} was told to stop; not all of its memories are set.") from None
    result = outcome["result"]
    if as_json:
        say_json(outcome)
    else:
        say(f"Camera {camera} holds in its own memories: {', '.join(result['restored']) or 'nothing'}.")
    if result["left"]:
        raise Failure("\n".join(f"{sentence}." for sentence in result["left"]))


@positions.command(
    short_help="Give a position another pace, or none; nothing moves.",
    epilog="Example: ptzd positions pace gallery soloist --clear",
)
@click.argument("camera", type=name)
@click.argument("position", type=name)
@click.option("--speed", type=click.IntRange(1, 24), help="Pan step with which it is to be recalled.")
@click.option("--seconds", type=FiniteRange(0, 600, min_open=True), help="How long a recall of it is to take.")
@click.option("--clear", is_flag=True, help="Recall it as the camera's own speed says.")
@answer_options("Print the outcome as JSON.")
def pace(
    broker: BrokerAddress,
    camera: str,
    position: str,
    speed: int | None,
    seconds: float | None,
    clear: bool,
    as_json: bool,
) -> None:
    """Give POSITION of CAMERA the pace of its recalls, or take it away. Nothing moves, and its framing stays."""
    if (speed is not None) + (seconds is not None) + clear != 1:
        raise Misuse("Say the pace with one of --speed, --seconds and --clear.")
    outcome = ask_camera(broker, camera, "pace", {"position": position, "speed": speed, "seconds": seconds})
    said = "has no pace of its own any more" if clear else "has another pace"
    say_outcome(outcome, f"Position {position} of camera {camera} {said}; nothing moves by that.", as_json)


@positions.command(
    short_help="Give a position another name.", epilog="Example: ptzd positions rename gallery soloist soloist-close"
)
@click.argument("camera", type=name)
@click.argument("position", type=name)
@click.argument("new", type=name)
@answer_options("Print the outcome as JSON.")
def rename(broker: BrokerAddress, camera: str, position: str, new: str, as_json: bool) -> None:
    """Give POSITION of CAMERA the NEW name; its history goes with it."""
    outcome = ask_camera(broker, camera, "rename", {"position": position, "to": new})
    say_outcome(outcome, f"Position {position} of camera {camera} is now {new}.", as_json)


@positions.command(epilog="Example: ptzd positions delete gallery soloist")
@click.argument("camera", type=name)
@click.argument("position", type=name)
@answer_options("Print the outcome as JSON.")
def delete(broker: BrokerAddress, camera: str, position: str, as_json: bool) -> None:
    """Delete POSITION of CAMERA. Its history stays: `ptzd positions revert` brings it back."""
    outcome = ask_camera(broker, camera, "delete", {"position": position})
    said = f"Position {position} of camera {camera} is deleted; `ptzd positions revert` undoes it."
    say_outcome(outcome, said, as_json)


@positions.command(short_help="Write all positions as a text file.", epilog="Example: ptzd positions export show.toml")
@click.argument("file", type=TEXT_FILE, required=False)
@click.option("--camera", type=name, help="Only those of one camera.")
@click.option("--stills", is_flag=True, help="With the pictures that are kept of them, behind all positions.")
@answer_options("Print the text within JSON.")
def export(broker: BrokerAddress, file: Path | None, camera: str | None, stills: bool, as_json: bool) -> None:
    """Write all positions as one text to FILE, in place of what it held, or to stdout.

    With stills it may have 5 MB, about eighty of them: export more camera by camera.
    """
    if file is not None and file.is_file() and not _holds_positions(file):
        raise Misuse(f"{file} is there and holds no positions, so it is not written over; name another file.")
    wanted: Payload = {"camera": camera} if camera is not None else {}
    result = asyncio.run(_ask_show(broker, "export", wanted | ({"stills": True} if stills else {})))["result"]
    if file is not None:
        write_text(file, result["show"])
    if as_json:
        say_json(result)
    elif file is None:
        say_as_it_is(result["show"].removesuffix("\n"))
    else:
        say(f"The positions are in {file}.")


@positions.command(
    "import", short_help="Take positions from a text file.", epilog="Example: ptzd positions import show.toml --replace"
)
@click.argument("file", type=click.File(encoding="utf-8"))
@click.option("--replace", is_flag=True, help="Replace positions that differ; the old framings stay in history.")
@answer_options("Print the numbers as JSON.")
def import_(broker: BrokerAddress, file: TextIO, replace: bool, as_json: bool) -> None:
    """Take all positions from FILE (- is stdin), or none where there is any mistake in it."""
    try:
        text = file.read()
    except UnicodeDecodeError:
        raise Failure(f"{file.name} is not UTF-8; save it as UTF-8 text.") from None
    result = asyncio.run(_ask_show(broker, "import", {"show": text, "replace": replace}))["result"]
    if as_json:
        say_json(result)
    else:
        say(f"{result['added']} positions are new, {result['replaced']} replaced, {result['unchanged']} unchanged.")
    for warning in result["warnings"]:
        complain(f"{capital(warning)}.")


async def _list(broker: BrokerAddress, camera: str | None) -> tuple[dict[str, list[Payload]], list[str]]:
    """Return the positions by camera, and the daemon's troubles."""
    async with reach(broker) as client:
        if camera is not None:
            status = await client.require_camera(camera)
            cameras = [camera]
        else:
            status = await client.require_daemon()
            cameras = sorted(status["cameras"])
        found: dict[str, list[Payload]] = {}
        await client.listen([f"camera/{camera}/positions" for camera in cameras])
        try:
            async with asyncio.timeout(ANSWER_SECONDS):
                while len(found) < len(cameras):
                    heard = await client.hear()
                    if heard.camera is not None:
                        found[heard.camera] = heard.payload["positions"]
        except TimeoutError:
            raise client.silent() from None
        troubles = [str(trouble) for trouble in status.get("troubles") or ()]
        return {camera: found[camera] for camera in cameras}, troubles


async def _ask_show(broker: BrokerAddress, verb: str, payload: Payload) -> Payload:
    async with reach(broker) as client:
        await client.require_daemon()
        return await client.ask(f"show/{verb}", payload)


_FIGURES = ("pan", "tilt", "zoom", "focus", "number")
_WHOLE = ("", "pace")
_HEADINGS = ("pan", "tilt", "zoom", "focus", "pace", "note")


def _cells(position: Payload) -> tuple[str, ...]:
    """One position in cells: degrees and millimetres as far as they are known, and below them the counts."""
    pace = ""
    if position["speed"] is not None:
        pace = f"step {position['speed']}"
    elif position["seconds"] is not None:
        pace = f"{position['seconds']:g} s"
    focus = "auto" if position["focus_mode"] == "auto" else str(position["focus_counts"])
    measures = (
        _measured(position.get("pan_deg"), "{:.2f}°", position["pan_counts"]),
        _measured(position.get("tilt_deg"), "{:.2f}°", position["tilt_counts"]),
        _measured(position.get("focal_length_mm"), "{:g} mm", position["zoom_counts"]),
    )
    note = position["note"]
    if position.get("provisional"):
        note = f"provisional{'; ' if note else ''}{note}"
    return *measures, focus, pace, note


def _measured(value: float | None, form: str, counts: int) -> str:
    return str(counts) if value is None else f"{form.format(value)}\n{counts}"


def _local(moment: str) -> str:
    """A moment by the clock on this computer's wall, with its zone."""
    return datetime.fromisoformat(moment).astimezone().strftime("%Y-%m-%d %H:%M %Z")


def _holds_positions(file: Path) -> bool:
    """Whether nothing but positions would be lost with it."""
    with suppress(OSError, ValueError):
        return not toml.loads(file.read_text("utf-8")).keys() - {"positions", "stills"}
    return False
