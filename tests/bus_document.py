"""What the AsyncAPI document of the bus promises of each message."""

from __future__ import annotations

from typing import Any

from jsonschema import Draft7Validator

from ptzd.bus import asyncapi
from ptzd.bus.asyncapi import name_of
from ptzd.bus.topics import Kind

DOCUMENT = asyncapi()


def promised(message: str, document: dict[str, Any] = DOCUMENT) -> Draft7Validator:
    """What a payload of the message may be. AsyncAPI 3.0, "Schema Object": a superset of JSON Schema's draft 7."""
    schema = {"$ref": f"#/components/messages/{message}/payload", "components": document["components"]}
    return Draft7Validator(schema)


def promised_of(kind: Kind) -> Draft7Validator:
    return promised(name_of(kind))
