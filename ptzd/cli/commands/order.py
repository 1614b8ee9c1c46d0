"""`ptzd order`: the running order in a show file, checked, added to and numbered anew without losing a comment."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from ptzd.cli.configuration import mistakes_told, read_configuration
from ptzd.cli.output import Failure, Misuse, say, say_json
from ptzd.cli.sentences import capital
from ptzd.cli.stored import exported_positions, names_of, stored_positions_and_locks, strangers, text_in
from ptzd.cli.values import FiniteRange
from ptzd.files import (
    HIGHEST_NUMBER,
    LONGEST_SHOW_SECONDS,
    Cue,
    number_text,
    read_show_text,
    renumbered,
    replace_with_backup,
    with_cue,
)

_SHOW = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)
_SECONDS = FiniteRange(0, LONGEST_SHOW_SECONDS)


@click.group(no_args_is_help=True, epilog="Example: ptzd order check configs/choir-evening.toml")
def order() -> None:
    """Check, add to and renumber the running order in a show file.

    A file that is changed is kept beside the new one as NAME.bak; comments and layout stay.
    """


@order.command(
    short_help="Tell every mistake in a show file.",
    epilog="Example: ptzd order check configs/choir-evening.toml --config configs/granary.toml "
    "--positions configs/granary-show.toml",
)
@click.argument("show", type=_SHOW)
@click.option("--config", "config_path", type=_SHOW, help="The configuration, for cameras and stored positions.")
@click.option("--positions", "positions_path", type=_SHOW, help="Exported positions, in place of those in the store.")
@click.option("--json", "in_json", is_flag=True, help="Print the running order as JSON.")
def check(show: Path, config_path: Path | None, positions_path: Path | None, in_json: bool) -> None:
    """Tell every mistake in SHOW, each with its line; whether its moves fit is for `ptzd rehearse`.

    With --config, cameras that the configuration does not have and positions that are not stored are mistakes too; with
    --positions alone, those that are not in that file.
    """
    known, notes = _known(config_path, positions_path)
    with mistakes_told(show):
        read = read_show_text(text_in(show), known)
    if in_json:
        say_json(read.model_dump(mode="json", exclude_none=True))
        return
    moves = sum(len(cue.move) for cue in read.cue)
    looked = "" if known is not None else "; whether its cameras and positions exist, --config would tell"
    say(f"{show.name} has no mistakes: {len(read.cue)} cues, {moves} moves{looked}.")
    for note in notes:
        say(f"{capital(note)}{'' if note.endswith('?') else '.'}")


def _known(config_path: Path | None, positions_path: Path | None) -> tuple[dict[str, set[str]] | None, list[str]]:
    """Return the cameras and positions that there are, None where nobody says, and what is odd about them."""
    if config_path is not None:
        config = read_configuration(config_path)
        positions, _ = stored_positions_and_locks(config, positions_path)
        return names_of(config.camera, positions), strangers(config.camera, positions)
    if positions_path is not None:
        positions = exported_positions(positions_path)
        return names_of({position.camera for position in positions}, positions), []
    return None, []


@order.command(
    short_help="Put a cue in.",
    epilog='Example: ptzd order insert evening.toml 12.5 --label "A child reads" --after 20 --take left',
)
@click.argument("show", type=_SHOW)
@click.argument("number", type=FiniteRange(0, HIGHEST_NUMBER))
@click.option("--label", default="", help="What people call it.")
@click.option("--at", help="When it comes: a time into the show, such as 0:12:30.")
@click.option("--after", type=_SECONDS, help="When it comes: so many seconds after the cue before it.")
@click.option("--expected", type=_SECONDS, help="It comes on call, about so many seconds after the cue before it.")
@click.option("--take", help="The camera that goes on air.")
def insert(
    show: Path, number: float, label: str, at: str | None, after: float | None, expected: float | None, take: str | None
) -> None:
    """Put a cue into SHOW at the place of its NUMBER; its moves are then written into the file by hand."""
    if sum(given is not None for given in (at, after, expected)) != 1:
        raise Misuse("Say when the cue comes with one of --at, --after and --expected.")
    fields = {"number": number, "label": label, "at": at, "after": after, "expected": expected, "take": take}
    fields["on_call"] = True if expected is not None else None
    with _told(show):
        cue = Cue.model_validate({field: value for field, value in fields.items() if value not in (None, "")})
        text = with_cue(text_in(show), cue)
    _write(show, text, f"Cue {number_text(cue.number)} is in {show.name}")


@order.command(
    short_help="Number all cues anew.", epilog="Example: ptzd order renumber evening.toml --first 10 --step 10"
)
@click.argument("show", type=_SHOW)
@click.option(
    "--first", type=FiniteRange(0, HIGHEST_NUMBER), default=1.0, show_default=True, help="The first cue's number."
)
@click.option(
    "--step",
    type=FiniteRange(0.001, HIGHEST_NUMBER),
    default=1.0,
    show_default=True,
    help="How far the numbers lie apart.",
)
def renumber(show: Path, first: float, step: float) -> None:
    """Number the cues of SHOW anew, in the order in which they stand."""
    with _told(show):
        text = renumbered(text_in(show), first, step)
    _write(show, text, f"The cues of {show.name} are numbered anew")


@contextmanager
def _told(show: Path) -> Iterator[None]:
    """Raise Misuse for what is wrong with a show, or with a change of it."""
    try:
        with mistakes_told(show):
            yield
    except ValueError as error:
        raise Misuse(_first_line(error)) from None


def _write(show: Path, text: str, done: str) -> None:
    try:
        backup = replace_with_backup(show, text)
    except OSError as error:
        raise Failure(f"{show} can't be written: {error.strerror}; it is as it was.") from None
    say(f"{done}; what was there before is in {backup.name}.")


def _first_line(error: ValueError) -> str:
    """What pydantic says of a single cue, or what the edit says, as one sentence."""
    errors = getattr(error, "errors", None)
    if errors is None:
        return f"{capital(error)}."
    first = errors()[0]
    field = ".".join(str(part) for part in first["loc"]) or "The cue"
    return f"{field.capitalize()}: {first['msg'].removeprefix('Value error, ')}."
