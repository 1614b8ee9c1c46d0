"""One clear sentence for whatever is wrong with a payload: what it is, and what would be right."""

from __future__ import annotations

import math

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from ptzd.likely import did_you_mean
from ptzd.names import checked_name
from ptzd.refusal import Refusal

from .commands import Command

LONGEST_SHOWN = 40  # characters of a wrong value that are repeated
LONGEST_SHOWN_LIST = 4  # values
LONGEST_NAME_SHOWN = 100  # characters

_RANK = ("extra_forbidden", "missing")  # told first: they explain the rest


def shown(value: object) -> str:
    """Return a value as it would stand in JSON, cut short, with nothing in it that steers a terminal."""
    if isinstance(value, str):
        return repr(value if len(value) <= LONGEST_SHOWN else f"{value[:LONGEST_SHOWN]}…")
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "null"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**15 else "a number of more than 15 digits"
    if isinstance(value, float):
        return f"{value:g}" if math.isfinite(value) else "no finite number"
    if not isinstance(value, list):
        return "an object"
    short = len(value) <= LONGEST_SHOWN_LIST and not any(isinstance(each, list | dict) for each in value)
    return f"[{', '.join(map(shown, value))}]" if short else "a list"


def name_sentence(what: str, text: str) -> str:
    """Return what is wrong with a name, or "" where it is a valid one. `what` says whose name it is."""
    if len(text) > LONGEST_NAME_SHOWN:
        return f"the {what}'s name has {len(text)} characters: it may have 32 lower-case letters, digits and hyphens"
    try:
        checked_name(text)
    except ValueError as error:
        return str(error)
    return ""


def payload_complaint(error: ValidationError, command: type[Command]) -> Refusal:
    """Return what is wrong with a payload that a command refused."""
    example = command.in_words()
    first = min(
        error.errors(include_url=False),
        key=lambda one: _RANK.index(one["type"]) if one["type"] in _RANK else len(_RANK),
    )
    match first["type"]:
        case "json_invalid":
            return Refusal("not-json", f"the payload is no JSON ({first['ctx']['error']}): write it such as {example}")
        case "model_type":
            what = shown(first["input"])
            return Refusal("not-json", f"the payload is {what}, no JSON object: write it such as {example}")
        case "extra_forbidden":
            field = str(first["loc"][-1])
            advice = did_you_mean(field, command.model_fields)
            return Refusal("unknown-field", f"there is no field {shown(field)} here: {advice}")
        case "conflict":
            return Refusal("conflict", first["msg"])
    return Refusal(*_field_complaint(first, command, example))


def _field_complaint(error: ErrorDetails, model: type[Command], example: str) -> tuple[str, str]:
    field = str(error["loc"][0])
    description = model.model_fields[field].description or _inner_description(model, field)
    if error["type"] == "missing" and len(error["loc"]) == 1:
        return "missing-field", f"{field} is missing: write the payload such as {example}"
    value = error["input"]
    if error["type"] == "string_pattern_mismatch" and field in ("position", "to") and isinstance(value, str):
        return "bad-name", name_sentence("position", value)
    if error["type"] == "string_pattern_mismatch" and (strange := [one for one in value if not one.isprintable()]):
        return "bad-value", f"{field} has {shown(strange[0])} in it: it must be {description}"
    if isinstance(value, str) and len(value) > LONGEST_SHOWN:
        return "bad-value", f"{field} has {len(value)} characters: it must be {description}"
    if error["type"] == "range":
        return "bad-value", f"{field} is {shown(list(value))}, but {error['msg']}"
    if len(error["loc"]) > 1 and error["type"] != "missing":  # of a list, one value; a missing one comes with the list
        return "bad-value", f"{field} has {shown(value)} in it: it must be {description}"
    return "bad-value", f"{field} is {shown(value)}: it must be {description}"


def _inner_description(model: type[Command], field: str) -> str:
    """The description that stands inside `Annotated[…] | None`."""
    schema = model.model_json_schema()["properties"][field]
    options = [schema, *schema.get("anyOf", [])]
    return next((str(option["description"]) for option in options if "description" in option), "of another kind")
