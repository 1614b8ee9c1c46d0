"""`ptzd rehearse`: whether a show's moves fit, before the show."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
from rich import box
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from ptzd.cameras import Lock
from ptzd.cli.broker import broker_of
from ptzd.cli.configuration import mistakes_told, read_configuration
from ptzd.cli.console import Console
from ptzd.cli.output import FAILED, Misuse, say, say_json
from ptzd.cli.sentences import capital
from ptzd.cli.stored import stored_positions_and_locks, text_in
from ptzd.cli.values import TEXT_FILE, FiniteRange
from ptzd.cli.waiting import progress_of
from ptzd.cli.writing import require_no_source, unwritable, write_text
from ptzd.config import Config
from ptzd.daemon import camera_settings
from ptzd.files import (
    ShowFile,
    clock_of_seconds,
    number_text,
    read_show_text,
    write_copy,
)
from ptzd.motion import HeadFileError
from ptzd.positions import HeadFiles, StoredPosition, unfit_positions
from ptzd.rehearsal import (
    Fixed,
    PlannedMove,
    Rehearsal,
    RehearsedCamera,
    doubts,
    fit_text,
    fix,
    range_text,
    reservations,
    vary,
    verdict,
)
from ptzd.rehearsal import rehearse as go_through
from ptzd.report import html_report, svg_report
from ptzd.visca import DialectError

from .rehearse_real_time import run_in_real_time
from .rehearse_simulated import print_simulated, simulated

MOST_ROWS = 120
SEED = 1  # any: with it, the same command says the same twice


@click.command(
    "rehearse",
    short_help="See whether a show's moves fit, before the show.",
    epilog="Example: ptzd rehearse configs/choir-evening.toml --config configs/granary.toml "
    "--positions configs/granary-show.toml",
)
@click.argument("show", type=TEXT_FILE)
@click.option("--config", "config_path", type=TEXT_FILE, required=True, help="The configuration, for the cameras.")
@click.option(
    "--positions", "positions_path", type=TEXT_FILE, help="Exported positions, in place of the configuration's store."
)
@click.option("--fix", "fix_path", type=TEXT_FILE, help="Write a copy in which what can be solved is solved.")
@click.option("--vary", "share", type=FiniteRange(0, 10), help="Vary gaps on call by this share, such as 0.2.")
@click.option("--runs", type=click.IntRange(1, 100_000), default=500, show_default=True, help="How many evenings.")
@click.option("--seed", type=int, default=SEED, show_default=True, help="The same seed draws the same.")
@click.option(
    "--report", "report_path", type=TEXT_FILE, help="Write the evening as one HTML page, in place of what was there."
)
@click.option("--svg", "svg_path", type=TEXT_FILE, help="Write it as one SVG picture, in place of what was there.")
@click.option("--simulate", is_flag=True, help="Play it too, against simulated cameras, and compare.")
@click.option(
    "--real-time",
    "timed_path",
    type=TEXT_FILE,
    help="Run it through the daemon, each go by a key, and write a copy with the times that were taken.",
)
@click.option("--json", "in_json", is_flag=True, help="Print everything as JSON.")
def rehearse(
    show: Path,
    config_path: Path,
    positions_path: Path | None,
    fix_path: Path | None,
    share: float | None,
    runs: int,
    seed: int,
    report_path: Path | None,
    svg_path: Path | None,
    simulate: bool,
    timed_path: Path | None,
    in_json: bool,
) -> int:
    """Go through the evening in SHOW and tell which moves do not fit, each with what would help.

    No camera moves, but with --real-time. Ends with 0 where everything fits, with 1 where there are conflicts; with
    --real-time, with 1 where a camera was not ready for its cue, or the show was changed meanwhile.
    """
    for out in (report_path, svg_path):
        require_no_source(out, show, config_path, positions_path)
    config = read_configuration(config_path)
    cameras = _cameras(config, *stored_positions_and_locks(config, positions_path))
    text, evening = _show(show, cameras)
    rehearsal = (
        go_through(evening, cameras) if share is None else vary(evening, cameras, share=share, runs=runs, seed=seed)
    )
    if timed_path is not None:
        _require_new(timed_path)
        as_written = run_in_real_time(evening, broker_of(config.broker), timed_path, text, show)
        return 0 if as_written else FAILED
    fixed = None if fix_path is None else _fixed(text, cameras, fix_path, show)
    if report_path is not None:
        write_text(report_path, html_report(rehearsal))
    if svg_path is not None:
        write_text(svg_path, svg_report(rehearsal))
    played = simulated(show, config_path, positions_path, seed) if simulate else None
    if in_json:
        say_json(_for_machines(rehearsal, fixed) | ({} if played is None else {"simulated": played}))
    else:
        _print(rehearsal)
        if fixed is not None:
            _print_fixed(fixed, fix_path)
        if played is not None:
            print_simulated(played, MOST_ROWS)
    return 0 if rehearsal.fits else FAILED


def _cameras(
    config: Config, positions: list[StoredPosition], locks: Mapping[str, tuple[Lock, ...]]
) -> dict[str, RehearsedCamera]:
    heads = HeadFiles(config.store.path.parent)
    try:
        return {
            name: RehearsedCamera(
                camera_settings(name, camera, heads.path(name)),
                {each.name: each for each in positions if each.camera == name},
                camera.focus == "auto",
                locks.get(name, ()),
            )
            for name, camera in config.camera.items()
        }
    except (DialectError, HeadFileError) as error:
        raise Misuse(str(error)) from None


def _show(path: Path, cameras: Mapping[str, RehearsedCamera]) -> tuple[str, ShowFile]:
    text = text_in(path)
    with mistakes_told(path):
        evening = read_show_text(text, {name: camera.positions for name, camera in cameras.items()})
    used = {*evening.show.start.items(), *((move.camera, move.position) for cue in evening.cue for move in cue.move)}
    for name, camera in cameras.items():
        positions = {key: position for key, position in camera.positions.items() if (name, key) in used}
        for trouble in unfit_positions(name, positions, camera.settings.dialect):
            raise Misuse(f"{capital(trouble)}.")
    return text, evening


def _fixed(text: str, cameras: Mapping[str, RehearsedCamera], path: Path, source: Path) -> Fixed:
    _require_new(path)
    columns = (TextColumn("solving conflicts"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with progress_of(*columns) as bar:
        task = bar.add_task("", total=None)
        fixed = fix(text, cameras, lambda done, of: bar.update(task, completed=done, total=of))
    try:
        write_copy(path, fixed.text, source=source)
    except OSError as error:
        raise unwritable(path, error) from None
    return fixed


def _require_new(path: Path) -> None:
    if path.exists():
        raise Misuse(f"There is a file {path} already; name one that is not there yet.")


# On the terminal


def _print(rehearsal: Rehearsal) -> None:
    if rehearsal.moves:
        Console().print(_table(rehearsal), "")
    if len(rehearsal.moves) > MOST_ROWS:
        say(f"Shown are the {MOST_ROWS} moves with the least to spare; --json and --report have them all.")
    say(
        f"{len(rehearsal.cues)} cues, {len(rehearsal.moves)} moves of {len(rehearsal.cameras)} cameras, "
        f"{clock_of_seconds(round(rehearsal.seconds))} long."
    )
    say(verdict(rehearsal), *reservations(rehearsal))
    for number, conflict in enumerate(rehearsal.conflicts, 1):
        say(f"{number}. {clock_of_seconds(round(conflict.from_seconds, 1))} {conflict.kind}: {conflict.sentence}.")
        say(*(f"   - {remedy.sentence}." for remedy in conflict.remedies))


def _table(rehearsal: Rehearsal) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, padding=0, pad_edge=False)  # fits 80 columns
    for heading in ("", "cue", "leaves", "camera", "position", "air", "needs", "has", "fit", "figures"):
        right = heading in ("cue", "leaves", "needs", "has")
        table.add_column(heading, justify="right" if right else "left", no_wrap=True)
    at_fault = {index for conflict in rehearsal.conflicts for index in conflict.moves[:1]}
    for move in _worth_a_row(rehearsal, at_fault):
        table.add_row(*_row(move, move.index in at_fault, rehearsal.varied is not None))
    return table


def _worth_a_row(rehearsal: Rehearsal, at_fault: Set[int]) -> list[PlannedMove]:
    """All moves; of a long show only those at fault and those with the least to spare: nobody reads a thousand rows."""
    if len(rehearsal.moves) <= MOST_ROWS:
        return list(rehearsal.moves)

    def spare(move: PlannedMove) -> tuple[bool, float]:
        return move.index not in at_fault, float("inf") if move.margin_seconds is None else move.margin_seconds

    return sorted(sorted(rehearsal.moves, key=spare)[:MOST_ROWS], key=lambda move: move.index)


def _row(move: PlannedMove, at_fault: bool, varied: bool) -> list[str]:
    return [
        "!" if at_fault else "",
        number_text(move.cue_number),
        clock_of_seconds(round(move.start_seconds, 1)),
        move.camera,
        move.position,
        "seen" if move.seen else "",
        range_text(move),
        "" if move.available_seconds is None else f"{move.available_seconds:.1f} s",
        fit_text(move, varied=varied),
        "\n".join(doubts(move)),
    ]


def _print_fixed(fixed: Fixed, path: Path | None) -> None:
    say(f"{path} is a copy in which {len(fixed.solved)} of these are solved:")
    say(*(f"   + {solved.conflict.sentence}: {solved.remedy.sentence}." for solved in fixed.solved))
    for unsolved in fixed.unsolved:
        say(f"   ! can't be solved: {unsolved.conflict.sentence}. What people can do: {unsolved.why}.")


# For machines and for the eye


def _for_machines(rehearsal: Rehearsal, fixed: Fixed | None) -> dict[str, Any]:
    plain = asdict(rehearsal)
    for table, move in zip(plain["moves"], rehearsal.moves, strict=True):
        table |= {"available_seconds": move.available_seconds, "margin_seconds": move.margin_seconds}
    found = {
        "fits": rehearsal.fits,
        "verdict": verdict(rehearsal),
        "reservations": [*reservations(rehearsal)],
        "not_measured": rehearsal.not_measured,
        **plain,
    }
    if fixed is not None:
        found["fixed"] = {
            "solved": [{"conflict": asdict(each.conflict), "remedy": asdict(each.remedy)} for each in fixed.solved],
            "unsolved": [{"conflict": asdict(each.conflict), "why": each.why} for each in fixed.unsolved],
        }
    return found
