"""What `ptzd rehearse --simulate` adds: the show played against simulated cameras, beside what was predicted.

The evening is played by `ptzevening`, in a process of its own: the daemon knows nothing of simulated cameras.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rich import box
from rich.table import Table

from ptzd.cli.console import Console
from ptzd.cli.output import Failure, say

AGREES_SECONDS = 0.2  # predicted and simulated differ by no more than this where the sums are right
_SHOWN = 0.0005

Played = Mapping[str, Any]


def simulated(show: Path, config: Path, positions: Path | None, seed: int) -> Played:
    """Play a show and return what came of it, as `ptzevening` prints it. Raises Failure where it can't be played."""
    command = [sys.executable, "-m", "ptzevening", str(show), "--config", str(config), "--seed", str(seed)]
    if positions is not None:
        command += ["--positions", str(positions)]
    done = subprocess.run(command, stdout=subprocess.PIPE, check=False, text=True)  # its progress goes to our stderr
    try:
        played = json.loads(done.stdout)
    except ValueError:
        raise Failure(
            "The simulated evening was not played to its end; see that ptzevening is installed beside ptzd."
        ) from None
    assert isinstance(played, dict)
    if "error" in played:
        raise Failure(f"The simulated evening can't be played: {played['error']}.")
    return played


def print_simulated(played: Played, most_rows: int) -> None:
    """Print each move as predicted and as simulated, and how far they agree; of a long show those farthest off."""
    moves: Sequence[Played] = played["moves"]
    if moves:
        Console().print("", _table(_farthest_off(moves, most_rows)), "")
    if len(moves) > most_rows:
        say(f"Shown are the {most_rows} moves that are farthest off; --json has them all.")
    took = played["took_seconds"]
    say(
        f"Played through the daemon against simulated cameras: {played['seconds']:.0f} s of show in "
        f"{took['show']:.1f} s, {played['times_faster']:.0f} times faster; {played['datagrams']} datagrams, and "
        f"{played['skipped_seconds']:.0f} s in which nothing moved were passed over."
    )
    say(
        "No two simulated heads are quite alike: each was measured first, as `ptzd learn` does, and the show rehearsed "
        "anew with what that found."
    )
    compared = [move for move in moves if move["difference_seconds"] is not None]
    if compared:
        agreeing = sum(_agrees(move) for move in compared)
        worst = max(compared, key=lambda move: abs(move["difference_seconds"]))
        say(
            f"{agreeing} of {len(compared)} moves that settled took as long as predicted, within {AGREES_SECONDS:g} s; "
            f"the farthest off is {worst['camera']} to {worst['position']} by {worst['difference_seconds']:+.2f} s."
        )
    for sweep in played["sweeps"]:
        say(f"   - cue {_number(sweep)} switches {sweep['camera']} on: {_swept(sweep)}.")
    for move in moves:
        if remark := _remark(move):
            say(f"   - cue {_number(move)}, {move['camera']} to {move['position']}: {remark}.")


def _farthest_off(moves: Sequence[Played], most: int) -> Sequence[Played]:
    if len(moves) <= most:
        return moves

    def off(index: int) -> float:
        difference = moves[index]["difference_seconds"]
        return float("inf") if difference is None else abs(float(difference))

    return [moves[index] for index in sorted(sorted(range(len(moves)), key=off)[-most:])]


def _swept(sweep: Played) -> str:
    if sweep["simulated_seconds"] is None:
        return "it did not get ready until the end"
    return (
        f"it swept its range and was ready after {sweep['simulated_seconds']:.1f} s, where about "
        f"{sweep['predicted_seconds']:.0f} s are reckoned with"
    )


def _agrees(move: Played) -> bool:
    return abs(float(move["difference_seconds"])) <= AGREES_SECONDS + _SHOWN


def _remark(move: Played) -> str | None:
    if move["ended"] == "stood":
        return "the camera stands there already and is not sent"
    if move["ended"] != "settled":
        foretold = "" if move["conflict"] is None else f"as the rehearsal foretells ({move['conflict']}), "
        names_both = f"camera {move['camera']} to {move['position']}: "  # as does what stands before it here
        why = (move["sentence"] or f"it {move['ended']}").removeprefix(names_both)
        return f"{foretold}{why}"
    if move["from_position"] is not None and move["stood_in"] != move["from_position"]:
        stood = f"stood in {move['stood_in']}" if move["stood_in"] else "stood in no position"
        return f"the camera {stood} as it left, not in {move['from_position']} as rehearsed"
    return None


def _table(moves: Sequence[Played]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, collapse_padding=True, pad_edge=False)
    for heading in ("cue", "camera", "position", "predicted", "simulated", "difference", "in time"):
        left = heading in ("camera", "position", "in time")
        table.add_column(heading, justify="left" if left else "right", no_wrap=True)
    for move in moves:
        difference = move["difference_seconds"]
        table.add_row(
            _number(move),
            move["camera"],
            move["position"],
            f"{move['predicted_seconds']:.2f} s",
            move["ended"] if move["simulated_seconds"] is None else f"{move['simulated_seconds']:.2f} s",
            "" if difference is None else f"{difference:+.2f} s{'' if _agrees(move) else ' !'}",
            {True: "yes", False: "no", None: ""}[move["in_time"]],
        )
    return table


def _number(move: Played) -> str:
    return f"{move['cue_number']:g}"
