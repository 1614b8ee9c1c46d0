"""What is no sensible value is refused before anything is sent."""

from __future__ import annotations

import re
from collections.abc import Awaitable
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest
from ptzsim import virtual_time
from rigs import framing, rigged

from ptzd.cameras import Recall
from ptzd.cli.client import refused
from ptzd.cli.main import cli
from ptzd.cli.output import broken, speak_for
from ptzd.positions import PositionStore, inline
from ptzd.refusal import Refusal


@pytest.mark.parametrize(
    "arguments",
    [
        "recall gallery choir-wide --seconds nan",
        "recall gallery choir-wide --timeout nan",
        "recall gallery choir-wide --timeout inf",
        "store gallery choir-wide --seconds nan",
        "watch --for nan",
    ],
)
def test_a_number_is_finite(capsys: pytest.CaptureFixture[str], arguments: str) -> None:
    assert speak_for(cli, arguments.split()) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "is not a finite number" in err
    assert err.count("\n") == 1


def commands_of(group: click.Group, before: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], click.Command]]:
    """Each command that has no other below it, with the words that call it."""
    found: list[tuple[tuple[str, ...], click.Command]] = []
    context = click.Context(group)
    for word in group.list_commands(context):
        command, words = group.get_command(context, word), (*before, word)
        assert command is not None
        found += commands_of(command, words) if isinstance(command, click.Group) else [(words, command)]
    return found


NAMED = {
    " ".join(words): each for words, command in commands_of(cli) for each in command.params if each.name == "camera"
}


@pytest.mark.parametrize("command", NAMED)
def test_a_camera_that_cannot_be_one_is_refused_by_every_command(command: str) -> None:
    with pytest.raises(click.BadParameter, match="is not a name; write 1 to 32"):
        NAMED[command].type_cast_value(click.Context(cli), ("Left",) if NAMED[command].nargs == -1 else "Left")


def test_a_mistake_is_a_sentence_before_the_help_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert speak_for(cli, ["positions", "import", "/"]) == 2
    assert "Is a directory. See: ptzd positions import --help" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["", "stop", "positions import"])
def test_help_is_also_asked_for_with_one_letter(capsys: pytest.CaptureFixture[str], command: str) -> None:
    assert speak_for(cli, [*command.split(), "-h"]) == 0
    assert "Example: ptzd" in capsys.readouterr().out


async def refusal_of(doing: Awaitable[object]) -> Refusal:
    with pytest.raises(Refusal) as refusal:
        await doing
    return refusal.value


def told(refusal: Refusal) -> str:
    return refused({"code": refusal.code, "sentence": refusal.sentence, "hint": refusal.hint}).message


def test_a_refusal_for_a_camera_on_air_names_the_option_and_not_the_field_of_a_message() -> None:
    async def play() -> None:
        async with rigged() as rig:
            await rig.ready()
            rig.camera.set_tally("program")
            rig.camera.recall(Recall("wide", framing(100), id="1"))
            report = rig.moves[-1]
            assert report.sentence is not None and '"on_air": true' in report.sentence
            asked_for = refused({"code": report.code, "sentence": report.sentence, "hint": report.hint}).message
            assert asked_for == "Camera gallery is on air; to move it all the same, add --on-air."

    virtual_time.run(play())


def test_a_refusal_that_no_option_helps_names_none() -> None:
    async def play() -> None:
        async with rigged(on_air_moves="refuse") as rig:
            await rig.ready()
            rig.camera.set_tally("program")
            rig.camera.recall(Recall("wide", framing(100), id="1"))
            assert rig.moves[-1].code == "on-air"
            assert rig.moves[-1].hint is None

    virtual_time.run(play())


async def test_a_refused_import_names_the_option_for_each_position_that_differs(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "configs" / "granary-show.toml").read_text("utf-8")
    async with PositionStore.open(tmp_path / "show.db", calendar=lambda: datetime.now(UTC), run_disk=inline) as store:
        await store.import_(text)
        refusal = await refusal_of(store.import_(re.sub(r"tilt_counts = .*", "tilt_counts = 7", text)))
    assert refusal.sentence.count("import with replace") > 1
    assert told(refusal) == f"N{refusal.sentence[1:]}.".replace("import with replace", "import with --replace")


def test_the_words_of_a_refusal_stay_where_the_daemon_gives_no_hint() -> None:
    told = refused({"code": "exists", "sentence": "camera left already has a position wide", "hint": None}).message
    assert told == "Camera left already has a position wide."


@pytest.mark.parametrize("columns", [40, 80])
def test_a_terminal_gets_sentences_broken_between_words(columns: int) -> None:
    text = "CAUTION: camera gallery will move by itself, at full speed.\n   - keep people clear of it, and cables."
    lines = broken(text, columns).split("\n")
    assert all(len(line) <= columns for line in lines)
    assert " ".join(" ".join(lines).split()) == " ".join(text.split())
    assert any(line.startswith("   - ") for line in lines)


def test_what_cannot_be_broken_stays_whole() -> None:
    assert "/var/lib/" + "a" * 90 in broken("See /var/lib/" + "a" * 90 + " for more.", 40).split("\n")[-2]
