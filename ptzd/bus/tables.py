"""The commands and reports of the bus as tables for people, in Markdown, as the README has them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from .commands import COMMANDS, Command
from .messages import REPORTS, MoveMessage, OutcomeMessage, Report
from .topics import summary_of

_ANSWERS = {
    "outcome": f"`{OutcomeMessage.on}`",
    "outcome-if-asked": f"`{OutcomeMessage.on}` where it has an `id`, or a response topic",
    "move": f"`{MoveMessage.on}`, each phase",
}


def tables(commands: Iterable[type[Command]] = COMMANDS) -> str:
    """Return two tables: what may be sent, and what the daemon says."""
    sent = [(f"`{one.on}`", _payload(one), summary_of(one).rstrip("."), _answer(one)) for one in commands]
    said = [
        (f"`{one.on}`", "yes" if one.retained else "", summary_of(one).rstrip("."), _fields(one)) for one in REPORTS
    ]
    return "\n".join(
        [
            *_table(("publish to", "payload", "what it does", "answer"), sent),
            "",
            *_table(("topic", "retained", "what it tells", "fields"), said),
            "",
        ]
    )


def _table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    return [_row(headings), "|" + "---|" * len(headings), *map(_row, rows)]


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |"


def _payload(command: type[Command]) -> str:
    """Its examples, and what else may stand in it."""
    if command.any_payload:
        return "anything, or nothing"
    examples = [f"`{example}`" if example else "nothing" for example in command.examples]
    if command.may_be_empty and "" not in command.examples:
        examples.append("nothing")
    shown = {field for example in command.examples if example.startswith("{") for field in json.loads(example)}
    more = [f"`{field}`" for field in command.model_fields if field not in shown and field != "id"]
    also = f"; also {', '.join(more)}" if more else ""
    retained = "; may be retained" if command.may_be_retained else ""
    return " or ".join(examples) + also + retained


def _answer(command: type[Command]) -> str:
    results = " or ".join(", ".join(f"`{field}`" for field in result.model_fields) for result in command.results)
    return _ANSWERS[command.answer] + (f" with {results}" if results else "")


def _fields(report: type[Report]) -> str:
    return ", ".join(f"`{field}`" for field in report.model_fields)
