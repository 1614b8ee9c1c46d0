"""The bus as an AsyncAPI 3 document, made of the tables of commands and reports.

Said from the daemon's side: it receives commands, and sends reports. A payload's schema is written so that JSON Schema
of draft 7, which AsyncAPI builds upon, and every later one understand it alike.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from importlib.metadata import version
from typing import Any

from pydantic import BaseModel

from .commands import COMMANDS, Command
from .messages import NAME, OF_A_CAMERA, REPORTS, MoveMessage, OutcomeMessage
from .topics import Kind, summary_of

Json = dict[str, Any]

_REF = "#/components/schemas/{model}"
_ABOUT = (
    "Moves robotic cameras to stored positions. The topics lie below a base, which is `ptzd` unless the configuration "
    "says otherwise. A command may carry an `id`; what is said of it repeats that. With MQTT 5 the last answer goes to "
    "the response topic too, with the correlation data. Commands that the broker kept are refused, but for the tally."
)


def name_of(kind: Kind) -> str:
    """Return the name of a command or report: the levels of its topic that are its own."""
    return kind.on.removeprefix(OF_A_CAMERA).replace("/", "-")


def asyncapi(base: str = "ptzd", commands: Iterable[type[Command]] = COMMANDS) -> Json:
    """Return the document for the topics below a base."""
    commands, schemas = tuple(commands), dict[str, Json]()
    messages: dict[str, Json] = {}
    channels: dict[str, Json] = {}
    operations: dict[str, Json] = {}
    for report in REPORTS:
        messages[name_of(report)] = _message(report, _schema(report, "serialization", schemas))
    for command in commands:
        own = _messages(command, schemas)
        messages |= own
        channels[name_of(command)] = _channel(base, command, own)
        answered_on = answer = name_of(MoveMessage if command.answer == "move" else OutcomeMessage)
        if command.results:
            answer = f"{name_of(command)}-outcome"
            messages[answer] = _outcome(command, schemas)
        operations[name_of(command)] = _operation("receive", command, command.may_be_retained, own) | {
            "reply": {
                "channel": _ref("channels", answered_on),
                "messages": [_ref("channels", answered_on, "messages", answer)],
            }
        }
    for report in REPORTS:
        of_results = [f"{name_of(one)}-outcome" for one in commands if one.results] if report is OutcomeMessage else []
        said = (name_of(report), *of_results)
        channels[name_of(report)] = _channel(base, report, said)
        operations[name_of(report)] = _operation("send", report, report.retained, said)
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "ptzd", "version": version("ptzd"), "description": _ABOUT, "license": {"name": "MIT"}},
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {"messages": messages, "schemas": schemas},
    }


def _messages(command: type[Command], schemas: dict[str, Json]) -> dict[str, Json]:
    """A command as an object and, where there is that form too, as text."""
    name = name_of(command)
    if command.any_payload:
        anything = {"description": "anything, or nothing; an `id` in a JSON object is repeated"}
        return {name: _message(command, anything) | {"examples": [{"payload": one} for one in command.examples]}}
    objects = [json.loads(example) for example in command.examples if example.startswith("{")]
    texts = [example for example in command.examples if not example.startswith("{")]
    as_object = _message(command, _schema(command, "validation", schemas))
    messages = {name: as_object | {"examples": [{"payload": one} for one in objects]}}
    if (text := _text(command)) is not None:
        messages[f"{name}-text"] = {
            "name": f"{name}-text",
            "summary": summary_of(command),
            "contentType": "text/plain",
            "payload": text,
            "examples": [{"payload": one} for one in texts or [""]],
        }
    return messages


def _text(command: type[Command]) -> Json | None:
    forms: list[Json] = []
    if command.bare is not None:
        forms.append({"type": "string", "pattern": command.bare.pattern})
    if command.may_be_empty:
        forms.append({"type": "string", "const": ""})
    return forms[0] if len(forms) == 1 else {"anyOf": forms} if forms else None


def _message(kind: Kind, payload: Json) -> Json:
    message = {"name": name_of(kind), "summary": summary_of(kind), "payload": payload}
    if "id" in kind.model_fields:
        message["correlationId"] = {"location": "$message.payload#/id"}
    return message


def _outcome(command: type[Command], schemas: dict[str, Json]) -> Json:
    """The outcome of a command that brings a result."""
    results = [_schema(result, "serialization", schemas) for result in command.results]
    payload = {
        "allOf": [
            {"$ref": _REF.format(model=OutcomeMessage.__name__)},
            {"properties": {"result": {"anyOf": [*results, {"type": "null"}]}}},
        ]
    }
    return _message(OutcomeMessage, payload) | {"name": f"{name_of(command)}-outcome"}


def _channel(base: str, kind: Kind, messages: Iterable[str]) -> Json:
    channel: Json = {
        "address": f"{base}/{kind.on.replace(NAME, '{camera}')}",
        "messages": {one: _ref("components", "messages", one) for one in messages},
    }
    if kind.on.startswith(OF_A_CAMERA):
        channel["parameters"] = {"camera": {"description": "the camera's name in the configuration"}}
    return channel


def _operation(action: str, kind: Kind, retained: bool, messages: Iterable[str]) -> Json:
    return {
        "action": action,
        "channel": _ref("channels", name_of(kind)),
        "summary": summary_of(kind),
        "messages": [_ref("channels", name_of(kind), "messages", one) for one in messages],
        "bindings": {"mqtt": {"qos": 1, "retain": retained, "bindingVersion": "0.2.0"}},
    }


def _schema(model: type[BaseModel], mode: Any, schemas: dict[str, Json]) -> Json:
    """Keep a model's schema, and those that it is made of, and return a reference to it."""
    schema = model.model_json_schema(mode=mode, ref_template=_REF)
    schemas |= schema.pop("$defs", {})
    schemas[model.__name__] = schema
    return {"$ref": _REF.format(model=model.__name__)}


def _ref(*path: str) -> Json:
    return {"$ref": "#/" + "/".join(path)}
