"""`ptzd schema`: what may stand in the configuration, in a show file and in each message, for programs and people."""

from __future__ import annotations

import json

import click

from ptzd.bus import asyncapi, tables
from ptzd.cli.output import say_as_it_is
from ptzd.cli.values import OneOf
from ptzd.config import config_schema
from ptzd.files import show_schema


@click.command(
    short_help="Print what may stand in the configuration, a show or a message.",
    epilog="Example: ptzd schema config > ptzd.schema.json",
)
@click.argument("what", type=OneOf(["config", "bus", "show", "messages"]))
def schema(what: str) -> None:
    """Print a JSON Schema (2020-12) of the configuration or a show file, or all messages of the bus.

    `bus` is an AsyncAPI 3 document, `messages` are tables in Markdown.
    """
    if what == "messages":
        say_as_it_is(tables().rstrip())
        return
    printed = {"config": config_schema, "bus": asyncapi, "show": show_schema}[what]()
    say_as_it_is(json.dumps(printed, indent=2, ensure_ascii=False))
