"""`ptzd schema`: what may stand in the configuration and in each message, as JSON Schema."""

from __future__ import annotations

import json

import click

from ptzd.bus import schemas
from ptzd.config import config_schema

from .speech import say


@click.command(
    short_help="Print the JSON Schema of the configuration or bus.",
    epilog="Example: ptzd schema config > ptzd.schema.json",
)
@click.argument("what", type=click.Choice(["config", "bus"]))
def schema(what: str) -> None:
    """Print a JSON Schema (2020-12) of the configuration file, or those of all messages by topic."""
    say(json.dumps(config_schema() if what == "config" else schemas(), indent=2, ensure_ascii=False))
