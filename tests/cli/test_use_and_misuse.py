"""Every command helps with an example, and says in a sentence when it is used wrongly."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import click
import pytest
from commands import Ptzd
from jsonschema import Draft202012Validator

from ptzd.bus import asyncapi
from ptzd.cli.main import cli

ROOT = Path(__file__).parents[2]


def _commands(command: click.Command, path: str = "") -> dict[str, click.Command]:
    """Every command, by what is written after `ptzd`."""
    found = {path: command}
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            found |= _commands(below, f"{path} {name}".strip())
    return found


COMMANDS = _commands(cli)
PRINT_A_RESULT = sorted(
    set(COMMANDS)
    - {"", "cue", "cue desk", "hand", "order", "order insert", "order renumber", "run", "schema", "positions"}
)


@pytest.mark.parametrize("command", COMMANDS)
async def test_help_has_an_example_that_begins_with_the_command(ptzd: Ptzd, ptzd_alone: Ptzd, command: str) -> None:
    read_by_itself = " " not in command  # each module is, once
    ended = await (ptzd_alone if read_by_itself else ptzd)(*command.split(), "--help")
    assert (ended.code, ended.err) == (0, "")
    assert re.search(rf"Example: ptzd {command}", ended.out)
    assert ("--json" in ended.out) == (command in PRINT_A_RESULT)


def _numbers(kind: click.ParamType[Any]) -> list[click.ParamType[Any]]:
    kinds = [one for each in kind.types for one in _numbers(each)] if isinstance(kind, click.Tuple) else [kind]
    return [one for one in kinds if isinstance(one, click.types.FloatParamType)]


def test_no_command_takes_for_a_number_what_is_not_finite() -> None:
    numbers = [
        (command, parameter.name, kind)
        for command, found in COMMANDS.items()
        for parameter in found.params
        for kind in _numbers(parameter.type)
    ]
    assert len(numbers) > 10
    for command, parameter, kind in numbers:
        for text in ("nan", "inf", "-inf"):
            with pytest.raises(click.BadParameter):
                kind.convert(text, None, None)
                pytest.fail(f"{command} takes {text} for {parameter}")


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        ("recall", "Missing argument 'CAMERA'"),
        ("recall gallery", "Missing argument 'POSITION'"),
        ("recall Gallery choir-wide", "'Gallery' is not a name"),
        ("recall gallery choir_wide", "'choir_wide' is not a name"),
        ("recall gallery choir-wide --speed 25", "25 is not in the range 1<=x<=24"),
        ("recall gallery choir-wide --speed 3 --seconds 4", "not both"),
        ("recall gallery choir-wide --seconds 0", "0.0 is not in the range 0<x<=600"),
        ("recall gallery choir-wide --broker 127.0.0.1:99999", "is not HOST:PORT"),
        ("learn gallery --limits --pan -30 30", "hold it in no range"),
        ("learn gallery --limits --near-ends", "hold it in no range"),
        ("learn gallery --pan -30 30 --tilt -10 10 --write new.toml", "for --limits, which was not said"),
        ("align gallery --seen choir-wide --leave soloist", "say it when you align"),
        ("recall gallery choir-wide --base a/+", "can't be the start of a topic"),
        ("recall gallery choir-wide --password-file /nowhere", "can't be read"),
        ("nudge gallery", "This moves nothing"),
        ("nudge gallery --tighter 1", "1.0 is not in the range -4<=x<=0.9"),
        ("frame gallery --point 0.5 0.5 --box 0 0 1 1", "either --point or --box"),
        ("frame gallery --point 0.5 1.5", "1.5 is not in the range 0<=x<=1"),
        ("store gallery", "Missing argument 'POSITION'"),
        ("store gallery soloist --speed 3 --seconds 4", "not both"),
        ("stop one two", "unexpected extra argument"),
        ("lock", "Missing argument 'CAMERA'"),
        ("unlock", "Missing argument 'CAMERA'"),
        ("positions history gallery", "Missing argument 'POSITION'"),
        ("positions revert gallery soloist", "Missing argument 'NUMBER'"),
        ("positions revert gallery soloist 0", "0 is not in the range x>=1"),
        ("positions rename gallery soloist", "Missing argument 'NEW'"),
        ("positions delete gallery", "Missing argument 'POSITION'"),
        ("positions import", "Missing argument 'FILE'"),
        ("positions import /nowhere.toml", "/nowhere.toml"),
        ("positions Gallery", "'Gallery' is not a name"),
        ("watch gallery", "unexpected extra argument"),
        ("schema sonnet", "there are config, bus, show, messages"),
        ("schema mesages", "did you mean messages?"),
        ("run", "Missing option '--config'"),
        ("run --config /nowhere.toml", "no file /nowhere.toml"),
        ("check", "Missing option '--config'"),
        ("check --config /nowhere.toml", "no file /nowhere.toml"),
        ("demo --port 0", "0 is not in the range"),
        ("stopp", "No such command 'stopp'"),
    ],
)
async def test_a_command_used_wrongly_ends_with_2_and_one_line(ptzd: Ptzd, arguments: str, what: str) -> None:
    ended = await ptzd(*arguments.split())
    assert (ended.code, ended.out) == (2, "")
    assert what in ended.err
    assert ended.err.count("\n") == 1


async def test_without_a_command_the_help_is_shown(ptzd: Ptzd) -> None:
    ended = await ptzd()
    assert ended.code == 2
    assert "Commands:" in ended.err


@pytest.mark.parametrize("command", ["run", "check"])
async def test_every_mistake_of_a_configuration_is_told_at_once(ptzd: Ptzd, tmp_path: Path, command: str) -> None:
    config = tmp_path / "wrong.toml"
    config.write_text(
        '[broker]\nport = 99999\n[store]\npath = "show.db"\n'
        '[camera.gallery]\nlink = "http://127.0.0.1"\ndialect = "nibble4-51"\nspeeed = 3\n'
    )
    ended = await ptzd(command, "--config", str(config))
    assert (ended.code, ended.out) == (2, "")
    lines = ended.err.splitlines()
    assert len(lines) == 3
    assert [re.findall(rf"^{config}: line (\d+)", line) for line in lines] == [["2"], ["6"], ["8"]]


async def test_the_schema_of_the_configuration_takes_the_example_and_refuses_what_is_unknown(ptzd: Ptzd) -> None:
    ended = await ptzd("schema", "config")
    assert ended.code == 0
    schema = Draft202012Validator(ended.json())
    example = tomllib.loads((ROOT / "configs" / "granary.toml").read_text())
    assert list(schema.iter_errors(example)) == []
    assert list(schema.iter_errors(example | {"brokr": {}})) != []


async def test_the_bus_is_printed_as_its_document_and_as_the_tables_of_the_readme(ptzd: Ptzd) -> None:
    ended = await ptzd("schema", "bus")
    assert (ended.code, ended.json()) == (0, asyncapi())
    ended = await ptzd("schema", "messages")
    assert ended.code == 0
    assert f"\n\n{ended.out}\n" in (ROOT / "README.md").read_text(), "put what it prints in the place of what is there"
