"""How the command line speaks: results on stdout, errors on stderr in one sentence, and three exit codes.

0: it did what it was asked. 1: that failed. 2: it was used wrongly, a wrong configuration included.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, TextIO

import click

from ptzd.printable import printable, printable_json

FAILED = 1
MISUSED = 2
TRACEBACK_VARIABLE = "PTZD_TRACEBACK"  # set to anything, an unforeseen error shows where it happened


class Failure(click.ClickException):
    """What was asked failed: one sentence that says why and what would help."""

    exit_code = FAILED

    def __init__(self, sentence: str, code: str | None = None) -> None:
        """`code` is that of a refusal, where it was one."""
        super().__init__(sentence)
        self.code = code


class Misuse(click.ClickException):
    """It was used wrongly: one sentence a mistake, each with what would be right."""

    exit_code = MISUSED

    def __init__(self, *sentences: str) -> None:
        super().__init__("\n".join(sentences))


def say(*lines: str) -> None:
    """Print lines of a result; a terminal gets each in as many lines as it takes, broken between words."""
    for line in lines:
        click.echo(_broken_for(sys.stdout, printable(line)))


def say_as_it_is(text: str) -> None:
    """Print what is to be copied, or read by a program, in the lines that it has; to a file or a pipe to the letter."""
    click.echo(printable(text) if sys.stdout.isatty() else text)


def say_json(value: object) -> None:
    """Print a result for machines: one JSON document on one line."""
    click.echo(printable_json(json.dumps(value, ensure_ascii=False, separators=(", ", ": "))))


def say_outcome(outcome: Mapping[str, Any], sentence: str, as_json: bool) -> None:
    """Print what became of a command: a sentence and the daemon's warning, if it has one, or the outcome as JSON."""
    if as_json:
        say_json(outcome)
        return
    say(sentence)
    if warning := (outcome.get("result") or {}).get("warning"):
        complain(f"Mind: {warning}.")


def complain(text: str) -> None:
    """Print one line on stderr; a terminal gets it as `say` would print it."""
    click.echo(_broken_for(sys.stderr, printable(text)), err=True)


def require_yes(question: str, *, given: bool = False) -> None:
    """Ask a person before something is done, unless a yes was given. Raises Failure where the answer is no."""
    if not given and not click.confirm(question, err=True):
        raise Failure("Left undone, since the answer was no.")


def _broken_for(stream: TextIO, text: str) -> str:
    """Break the lines of a text between words where a terminal would break them anywhere."""
    return broken(text, shutil.get_terminal_size().columns) if stream.isatty() else text


def broken(text: str, columns: int) -> str:
    """Return a text in lines of at most so many columns, each going on two further to the right than it began."""
    lines = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        lines += textwrap.wrap(
            line,
            max(columns, 20),
            subsequent_indent=f"{indent}  ",
            break_long_words=False,
            break_on_hyphens=False,
            replace_whitespace=False,
        ) or [""]
    return "\n".join(lines)


def speak_for(cli: click.Command, arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code; whatever goes wrong becomes a sentence, never a traceback."""
    try:
        result: Any = cli.main(arguments, prog_name="ptzd", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as nothing_said:
        complain(nothing_said.format_message())
        return MISUSED
    except click.UsageError as mistake:
        path = mistake.ctx.command_path if mistake.ctx is not None else "ptzd"
        complain(f"{path}: {_sentence(mistake.format_message())} See: {path} --help")
        return MISUSED
    except click.ClickException as failure:
        complain(failure.format_message())
        return failure.exit_code
    except (click.Abort, KeyboardInterrupt):
        complain("Interrupted.")
        return FAILED
    except BrokenPipeError:
        # The reader (such as `head`) has gone; what Python still wants to flush must go nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except Exception as unforeseen:
        if os.environ.get(TRACEBACK_VARIABLE):
            raise
        complain(
            f"ptzd met an error of its own ({type(unforeseen).__name__}: {_one_line(str(unforeseen))}); "
            f"set {TRACEBACK_VARIABLE}=1 to see where, and please report it."
        )
        return FAILED
    return result if isinstance(result, int) else 0


def _sentence(text: str) -> str:
    line = _one_line(text)
    return line if line.endswith((".", "?", "!")) else f"{line}."


def _one_line(text: str) -> str:
    return " ".join(text.split())
