"""`ptzd align`: bring a camera's positions back after it was knocked, swapped, or hung from a plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import click

from ptzd.cli.broker import BrokerAddress, answer_options
from ptzd.cli.client import Payload, ask_camera
from ptzd.cli.console import print_table
from ptzd.cli.output import Failure, Misuse, complain, require_yes, say, say_json, say_outcome
from ptzd.cli.sentences import capital
from ptzd.cli.values import name

COMPARING_SECONDS = 40.0  # a picture with a still, by a process that gives way to all others


@click.command(
    short_help="Bring positions back after a knock or a swap.", epilog="Example: ptzd align gallery --seen choir-wide"
)
@click.argument("camera", type=name)
@click.option("--seen", type=name, metavar="POSITION", help="What the camera shows now is this position.")
@click.option("--as-wide", is_flag=True, help="With --seen: its picture is as wide as it was, too (the zoom ring).")
@click.option("--match", type=name, metavar="POSITION", help="Look for this position by its still, and propose that.")
@click.option("--forget", type=name, metavar="POSITION", help="Forget that this position was seen.")
@click.option("--forget-all", is_flag=True, help="Forget all that was seen.")
@click.option("--leave", type=name, multiple=True, metavar="POSITION", help="Leave this position alone; once for each.")
@click.option("--undo", is_flag=True, help="Take the last alignment back, in one step.")
@click.option("--yes", is_flag=True, help="Write without asking.")
@answer_options("Print the outcome as JSON; writes only with --yes.")
def align(
    broker: BrokerAddress,
    camera: str,
    seen: str | None,
    as_wide: bool,
    match: str | None,
    forget: str | None,
    forget_all: bool,
    leave: Sequence[str],
    undo: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Correct all positions of CAMERA by a few that were framed anew. Nothing moves.

    Bring the camera, by hand or by nudges, to what a stored position showed, and say so with --seen. Do that with two
    positions or more, far from each other: then the command without these options shows what became of the head and
    of each position, and asks before it writes. One position alone tells how far pan and tilt are off, and not whether
    the head has rolled. The old framings stay in history.
    """
    if sum((seen is not None, match is not None, forget is not None, forget_all, undo)) > 1:
        raise Misuse("Say one of --seen, --match, --forget, --forget-all and --undo at a time.")
    if as_wide and seen is None:
        raise Misuse("--as-wide tells something of a position that is seen; name it with --seen.")
    if leave and (seen or match or forget or forget_all or undo):
        raise Misuse("--leave tells what an alignment leaves alone, and this is none; say it when you align.")
    if seen is not None:
        _tell_sightings(ask_camera(broker, camera, "sight", {"position": seen, "as_wide": as_wide or None}), as_json)
    elif match is not None:
        _match(broker, camera, match, yes=yes, as_json=as_json)
    elif forget is not None or forget_all:
        _tell_sightings(ask_camera(broker, camera, "unsight", {"position": forget}), as_json)
    elif undo:
        outcome = ask_camera(broker, camera, "unalign", {})
        names = ", ".join(outcome["result"]["positions"])
        say_outcome(outcome, f"Of camera {camera} are again what they were: {names}.", as_json)
    else:
        _align(broker, camera, leave, yes=yes, as_json=as_json)


def _align(broker: BrokerAddress, camera: str, leave: Sequence[str], *, yes: bool, as_json: bool) -> None:
    wanted: Payload = {"leave": list(leave)}
    if as_json:
        say_json(ask_camera(broker, camera, "align", wanted | {"apply": yes}))
        return
    found = ask_camera(broker, camera, "align", wanted)["result"]
    if not all(each["fits"] for each in found["sightings"]):
        rows = [
            (each["position"], f"{each['off_deg']:.2f}°", "" if each["fits"] else "does not fit")
            for each in found["sightings"]
        ]
        print_table(("seen", "off by", ""), rows, figures=("off by",), whole=("seen", ""))
        raise Failure(f"Nothing is written: {found['sentence']}.")
    _print_positions(found["positions"])
    say(f"{capital(found['sentence'])}.")
    leaning = max((abs(each["leans_deg"] or 0.0) for each in found["positions"]), default=0.0)
    if leaning >= 0.1:
        say(f"Pictures lean by up to {leaning:.1f}°, which no pan and tilt take back: see to the mount.")
    if (slipped := found["slipped_counts"]) is not None and abs(slipped) > 1:
        say("Focal lengths are told by the configuration's table, which is off by as much until the ring is set right.")
    for each in found["positions"]:
        if each["note"] is not None:
            what = "is left alone" if each["after"] is None else "is not quite as it was"
            complain(f"{each['position']} {what}: {each['note']}.")
    if found.get("warning"):
        complain(f"Mind: {found['warning']}.")
    count = sum(each["after"] is not None for each in found["positions"])
    positions = "1 position" if count == 1 else f"{count} positions"
    require_yes(f"Write {positions}?", given=yes)
    ask_camera(broker, camera, "align", wanted | {"apply": True})
    say(f"Corrected: {positions} of camera {camera}; `ptzd align {camera} --undo` takes that back.")


def _match(broker: BrokerAddress, camera: str, position: str, *, yes: bool, as_json: bool) -> None:
    outcome = ask_camera(broker, camera, "match", {"position": position}, COMPARING_SECONDS)
    found = outcome["result"]
    if as_json and not yes:
        say_json(outcome)
        return
    ways = (("right", "left", found["right"], 1920), ("up", "down", found["up"], 1080))
    shifted = [f"{round(abs(share) * size)} px {above if share > 0 else below}" for above, below, share, size in ways]
    if found["as_wide"]:
        shifted.append(f"{abs(found['larger']):.1%} {'tighter' if found['larger'] > 0 else 'wider'}".replace("%", " %"))
    complain(
        f"{position} is seen {', '.join(shifted)} (of 1920 × 1080) of where its still has it; "
        f"{found['sure']:.0%} of the picture agrees."
    )
    require_yes("Take that as seen?", given=yes)
    counts = ("pan_counts", "tilt_counts", "zoom_counts", "as_wide")
    wanted = {"position": position, **{field: found[field] for field in counts}}
    _tell_sightings(ask_camera(broker, camera, "sight", wanted), as_json)


def _tell_sightings(outcome: Payload, as_json: bool) -> None:
    if as_json:
        say_json(outcome)
        return
    result = outcome["result"]
    camera, sightings = result["camera"], result["sightings"]
    for each in sightings:
        wide = ", its picture as wide as it was" if each["as_wide"] else ""
        say(f"{each['position']} is seen {each['pan_deg']:+.2f}° of pan, {each['tilt_deg']:+.2f}° of tilt off{wide}.")
    if not sightings:
        say(f"No position of camera {camera} is seen.")
    elif len(sightings) == 1:
        best = f"; {result['next']} would tell most" if result.get("next") else ""
        say(f"One more, about a quarter turn from it, tells how the head is turned{best}.")
    else:
        say(f"`ptzd align {camera}` shows what that tells of all positions, and asks before it writes.")


def _print_positions(positions: Sequence[Mapping[str, object]]) -> None:
    headings = ("position", "pan", "tilt", "zoom", "was off by", "expected within")
    rows = []
    for each in positions:
        before, after = each["before"], each["after"]
        cells = [_changed(before, after, field) for field in ("pan_counts", "tilt_counts", "zoom_counts")]
        rows.append((str(each["position"]), *cells, _px(each["was_off_px"]), _expected(each)))
    print_table(headings, rows, figures=headings[1:], whole=("position",))
    say("Pan, tilt and zoom are the camera's counts, pixels those of a picture 1920 wide.")


def _changed(before: object, after: object, field: str) -> str:
    if not isinstance(before, dict):
        return "unknown"
    if not isinstance(after, dict):
        return f"{before[field]}"
    return f"{before[field]}" if before[field] == after[field] else f"{before[field]} → {after[field]}"


def _expected(each: Mapping[str, object]) -> str:
    if each["after"] is None:
        return "left alone"
    if isinstance(deg := each["expected_deg"], float) and each["expected_px"] is None:
        return f"{deg:.3f}°"
    return _px(each["expected_px"]) or "unknown"


def _px(value: object) -> str:
    return f"{value:.1f} px" if isinstance(value, float) else ""
