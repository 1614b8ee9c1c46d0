"""`ptzd schema`: what may stand in the configuration, in a show file and in each message, as JSON Schema."""

from __future__ import annotations

import json

import click

from ptzd.bus import schemas
from ptzd.cli.output import say_as_it_is
from ptzd.config import config_schema
from ptzd.files import show_schema


@click.command(
    short_help="Print the JSON Schema of the configuration, the bus or a show.",
    epilog="Example: ptzd schema config > ptzd.schema.json",
)
@click.argument("what", type=click.Choice(["config", "bus", "show"]))
def schema(what: str) -> None:
    """Print a JSON Schema (2020-12) of the configuration or a show file, or those of all messages by topic."""
    printed = {"config": config_schema, "bus": schemas, "show": show_schema}[what]()
    say_as_it_is(json.dumps(printed, indent=2, ensure_ascii=False))
