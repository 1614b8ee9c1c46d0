"""The one entry point: `ptzd COMMAND`. A command's module is read when it is called for, so that `stop` is quick."""

from __future__ import annotations

import importlib
import sys

import click

from .endings import interrupt_by_signal
from .output import speak_for

_MODULES = {
    "demo": "demo",
    "run": "run",
    "find": "find",
    "dialects": "dialects",
    "check": "check",
    "recall": "recall",
    "nudge": "by_picture",
    "frame": "by_picture",
    "hand": "hand",
    "store": "store",
    "stop": "stop",
    "halt": "halt",
    "lock": "lock",
    "unlock": "lock",
    "locks": "lock",
    "power": "power",
    "reset": "power",
    "positions": "positions",
    "align": "align",
    "watch": "watch",
    "cue": "cue",
    "learn": "learn",
    "shot": "shot",
    "aim": "aim",
    "rehearse": "rehearse",
    "order": "order",
    "schema": "schema",
}


class _Commands(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_MODULES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _MODULES:
            return None
        command = getattr(importlib.import_module(f"ptzd.cli.commands.{_MODULES[cmd_name]}"), cmd_name)
        assert isinstance(command, click.Command)
        return command


@click.command(
    cls=_Commands,
    epilog="Example: ptzd demo",
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(package_name="ptzd", prog_name="ptzd", message="%(prog)s %(version)s")
def cli() -> None:
    """Bring robotic cameras back to their stored positions, on command and on time.

    A command ends with 0 when it did what it was asked, 1 when that failed, 2 when it was used wrongly.
    """


def main() -> None:
    """Run the command line and end the process with its exit code."""
    interrupt_by_signal()
    sys.exit(speak_for(cli))
