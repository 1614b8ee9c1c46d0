"""The bus as an AsyncAPI 3.0 document (asyncapi.com, specification 3.0.0): well formed, and true of the intake."""

from __future__ import annotations

import copy
import json
import warnings
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from bus_document import DOCUMENT, promised
from jsonschema import Draft7Validator
from pydantic import ValidationError

from ptzd.bus import Incoming, Intake, Topics
from ptzd.bus.asyncapi import name_of
from ptzd.bus.commands import COMMANDS, Command
from ptzd.bus.messages import REPORTS
from ptzd.bus.topics import Kind

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # of its own making
    from asyncapi3.models import AsyncAPI3

NOW = datetime(2031, 5, 17, 19, 30, tzinfo=UTC)
EXAMPLES = [
    (operation["channel"]["$ref"].rsplit("/", 1)[1], reference["$ref"].rsplit("/", 1)[1], example["payload"])
    for operation in DOCUMENT["operations"].values()
    if operation["action"] == "receive"
    for reference in operation["messages"]
    for example in DOCUMENT["components"]["messages"][reference["$ref"].rsplit("/", 1)[1]]["examples"]
]


def values(within: Any, key: str) -> Iterator[Any]:
    """Every value of a key, however deep."""
    if isinstance(within, dict):
        for name, value in within.items():
            if name == key:
                yield value
            yield from values(value, key)
    elif isinstance(within, list):
        for value in within:
            yield from values(value, key)


def test_the_document_is_valid() -> None:
    AsyncAPI3.model_validate(DOCUMENT)


@pytest.mark.parametrize(
    ("command", "answered"),
    [("recall", "move"), ("nudge", "move"), ("store", "outcome"), ("stop", "outcome"), ("lock", "outcome")],
)
def test_who_recalls_is_answered_by_phases_and_who_asks_for_anything_else_by_an_outcome(
    command: str, answered: str
) -> None:
    assert DOCUMENT["operations"][command]["reply"]["channel"] == {"$ref": f"#/channels/{answered}"}


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("asyncapi",), "2.6.0"),
        (("operations", "recall", "action"), "obey"),
        (("operations", "recall", "colour"), "red"),
        (("channels", "recall", "address"), 3),
    ],
)
def test_the_validator_would_notice(path: tuple[str, ...], value: object) -> None:
    broken = copy.deepcopy(DOCUMENT)
    within = broken
    for key in path[:-1]:
        within = within[key]
    within[path[-1]] = value
    with pytest.raises(ValidationError):
        AsyncAPI3.model_validate(broken)


def test_every_reference_leads_somewhere() -> None:
    for reference in values(DOCUMENT, "$ref"):
        found: Any = DOCUMENT
        for level in reference.removeprefix("#/").split("/"):
            found = found[level]


def test_every_schema_means_the_same_in_draft_7() -> None:
    for schema in DOCUMENT["components"]["schemas"].values():
        Draft7Validator.check_schema(schema)
    for younger in ("prefixItems", "$defs", "dependentRequired", "unevaluatedProperties"):
        assert not list(values(DOCUMENT, younger))


def test_every_command_and_report_has_its_channel_and_its_operation() -> None:
    kinds: list[Kind] = [*COMMANDS, *REPORTS]
    for kind in kinds:
        operation = DOCUMENT["operations"][name_of(kind)]
        assert operation["action"] == ("receive" if issubclass(kind, Command) else "send")
        assert DOCUMENT["channels"][name_of(kind)]["address"] == f"ptzd/{kind.on}".replace("NAME", "{camera}")
    assert len(DOCUMENT["operations"]) == len(DOCUMENT["channels"]) == len(COMMANDS) + len(REPORTS)


def test_what_may_be_retained_is_said() -> None:
    retained = {name for name, one in DOCUMENT["operations"].items() if one["bindings"]["mqtt"]["retain"]}
    assert retained == {"tally", "status", "state", "positions", "cue-state"}


def test_there_is_an_example_of_every_command() -> None:
    assert {channel for channel, _, _ in EXAMPLES} == {name_of(command) for command in COMMANDS}


@pytest.mark.parametrize(("channel", "message", "payload"), EXAMPLES)
def test_every_example_is_understood_as_the_command_that_it_stands_for(
    channel: str, message: str, payload: object
) -> None:
    topic = DOCUMENT["channels"][channel]["address"].replace("{camera}", "left")
    data = payload.encode() if isinstance(payload, str) else json.dumps(payload).encode()
    asked = Intake(Topics("ptzd"), calendar=lambda: NOW).read(Incoming(topic, data))
    assert isinstance(asked.what, Command), asked.what
    assert name_of(type(asked.what)) == channel
    assert promised(message).is_valid(payload)


@pytest.mark.parametrize(
    ("message", "payload"),
    [
        ("recall-text", "Choir"),
        ("recall-text", ""),
        ("tally-text", "live"),
        ("cue-go-text", "next"),
        ("cue-jump-text", ""),
    ],
)
def test_a_text_that_is_not_understood_is_not_promised(message: str, payload: str) -> None:
    assert not promised(message).is_valid(payload)
