"""From a message as it came to a request, or to a refusal with one sentence.

Nothing that arrives may raise here. A recall as bare text takes the shortest way: no model, no clock.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from pydantic import ValidationError
from pydantic_core import from_json

from ptzd.files import NAME_PATTERN

from . import commands, requests
from .bus import Incoming, Reply
from .requests import Asked, RecallRequest, Refusal, Request, StopRequest, StoreRequest, TallyRequest
from .sentences import likely, name_sentence, payload_complaint, shown
from .topics import CAMERA_COMMANDS, PLAIN_COMMANDS, CommandTopic, ReportTopic, Topics

LARGEST_BYTES = 65_536
LARGEST_IMPORT_BYTES = 5_000_000
LONGEST_RESPONSE_TOPIC = 1000  # characters

_NAME = re.compile(NAME_PATTERN.removeprefix("^").removesuffix("$"))
_CUE_NUMBER = re.compile(r"[0-9]{1,5}(\.[0-9]{1,3})?")


@dataclass(frozen=True, slots=True)
class _Shape:
    """How a command is written, and what it becomes; their fields have the same names."""

    command: type[commands.Command]
    request: type[Asked]
    example: str


_STANDBY = _Shape(commands.CueCommand, requests.StandbyRequest, '12.5, {"number": 12.5} or nothing')
_SHAPES = {
    "recall": _Shape(commands.RecallCommand, RecallRequest, 'choir-wide or {"position": "choir-wide", "seconds": 4}'),
    "store": _Shape(commands.StoreCommand, StoreRequest, 'choir-wide or {"position": "choir-wide", "replace": true}'),
    "drive": _Shape(commands.DriveCommand, requests.DriveRequest, '{"pan": 0.5, "tilt": -0.2}'),
    "lock": _Shape(commands.LockCommand, requests.LockRequest, '{"by": "stage left", "reason": "rigging"}'),
    "unlock": _Shape(commands.UnlockCommand, requests.UnlockRequest, '{"by": "stage left"}'),
    "tally": _Shape(commands.TallyCommand, TallyRequest, 'program, preview, off or {"tally": "program"}'),
    "rename": _Shape(commands.RenameCommand, requests.RenameRequest, '{"position": "choir-wide", "to": "choir-full"}'),
    "delete": _Shape(commands.DeleteCommand, requests.DeleteRequest, '{"position": "choir-wide"}'),
    "revert": _Shape(commands.RevertCommand, requests.RevertRequest, '{"position": "choir-wide", "number": 2}'),
    "history": _Shape(commands.HistoryCommand, requests.HistoryRequest, '{"position": "choir-wide"}'),
    "learn": _Shape(commands.LearnCommand, requests.LearnRequest, '{"pan_deg": [-30, 30], "tilt_deg": [-10, 20]}'),
    "show/export": _Shape(commands.ExportCommand, requests.ExportRequest, "{}"),
    "show/import": _Shape(commands.ImportCommand, requests.ImportRequest, '{"show": "…", "replace": false}'),
    "cue/standby": _STANDBY,
    "cue/go": _Shape(commands.CueCommand, requests.GoRequest, _STANDBY.example),
    "cue/back": _Shape(commands.BackCommand, requests.BackRequest, "nothing or {}"),
    "cue/jump": _Shape(commands.JumpCommand, requests.JumpRequest, '12.5 or {"number": 12.5}'),
    "cue/hold": _Shape(commands.HoldCommand, requests.HoldRequest, "nothing or {}"),
    "cue/release": _Shape(commands.ReleaseCommand, requests.ReleaseRequest, "nothing or {}"),
}

# What may come as a bare number, and what may come empty.
_NUMBERED: dict[str, Callable[..., Request]] = {
    "cue/standby": requests.StandbyRequest,
    "cue/go": requests.GoRequest,
    "cue/jump": requests.JumpRequest,
}
_BARE: dict[str, Callable[..., Request]] = {
    "cue/back": requests.BackRequest,
    "cue/hold": requests.HoldRequest,
    "cue/release": requests.ReleaseRequest,
    "show/export": requests.ExportRequest,
}


class Intake:
    """Reads messages below a base."""

    def __init__(self, topics: Topics, *, calendar: Callable[[], datetime], late_after_seconds: float = 2.0) -> None:
        """`calendar` tells aware dates; what was sent longer ago than `late_after_seconds` is refused."""
        self._topics = topics
        self._calendar = calendar
        self._late_after_seconds = late_after_seconds

    def read(self, incoming: Incoming) -> Request | Refusal:
        """Return what a message asks for. Never raises."""
        found = self._topics.parse(incoming.topic)
        reply = self._reply(incoming) if incoming.response_topic is not None else None
        if not isinstance(found, CommandTopic):
            return self._no_command(incoming, found, reply)
        topic, payload, camera = incoming.topic, incoming.payload, found.camera
        if incoming.retain and found.command != "tally":
            return Refusal(
                topic=topic,
                id=_id_in(payload),
                reply=reply,
                code="retained",
                sentence="this command was retained, so it would be done again at every start: publish it without "
                "retain, and clear the retained one with an empty retained message",
            )
        if camera is not None and not _NAME.fullmatch(camera):
            sentence = name_sentence("camera", camera)
            return Refusal(topic=topic, id=_id_in(payload), reply=reply, code="bad-name", sentence=sentence)
        if found.command in ("stop", "all/stop"):
            return StopRequest(topic=topic, camera=camera, id=_id_in(payload), reply=reply)
        limit = LARGEST_IMPORT_BYTES if found.command == "show/import" else LARGEST_BYTES
        if len(payload) > limit:
            return Refusal(
                topic=topic,
                reply=reply,
                code="too-large",
                sentence=f"the payload has {len(payload)} bytes: it may have {limit}",
            )
        try:
            text = payload.decode().removeprefix("\ufeff").strip()
        except UnicodeDecodeError as error:
            return Refusal(
                topic=topic,
                reply=reply,
                code="not-utf-8",
                sentence=f"byte {error.start + 1} of the payload (0x{payload[error.start]:02x}) is not UTF-8: "
                f"write UTF-8 text such as {_SHAPES[found.command].example}",
            )
        if text.startswith("{"):
            return self._object(topic, found.command, camera, text, reply)
        return self._text(topic, found.command, camera, text, reply)

    def _text(self, topic: str, command: str, camera: str | None, text: str, reply: Reply | None) -> Request | Refusal:
        if camera is not None and command in ("recall", "store") and text and text[0] not in '["':
            if not _NAME.fullmatch(text):
                sentence = name_sentence("position", text)
                return Refusal(topic=topic, reply=reply, code="bad-name", sentence=sentence)
            if command == "recall":
                return RecallRequest(topic=topic, camera=camera, position=text, reply=reply)
            return StoreRequest(topic=topic, camera=camera, position=text, reply=reply)
        if camera is not None and command == "tally" and text in ("program", "preview", "off"):
            return TallyRequest(topic=topic, camera=camera, tally=text, reply=reply)  # type: ignore[arg-type]
        if command in _NUMBERED and _CUE_NUMBER.fullmatch(text) and Decimal(text) <= commands.HIGHEST_CUE:
            return _NUMBERED[command](topic=topic, number=Decimal(text), reply=reply)
        if command in ("cue/standby", "cue/go") and not text:
            return _NUMBERED[command](topic=topic, number=None, reply=reply)
        if command in _BARE and not text:
            return _BARE[command](topic=topic, reply=reply)
        if not text:
            code, what = "empty", "the payload is empty"
        elif command == "tally" or command in _NUMBERED:
            code, what = "bad-value", f"the payload is {shown(text)}"
        else:
            code, what = "not-json", f"the payload {shown(text)} is no JSON object"
        sentence = f"{what}: write it such as {_SHAPES[command].example}"
        return Refusal(topic=topic, reply=reply, code=code, sentence=sentence)

    def _object(
        self, topic: str, command: str, camera: str | None, text: str, reply: Reply | None
    ) -> Request | Refusal:
        shape = _SHAPES[command]
        try:
            fields: dict[str, Any] = dict(shape.command.model_validate_json(text))
        except ValidationError as error:
            code, sentence = payload_complaint(error, shape.command, shape.example)
            return Refusal(topic=topic, id=_id_in(text.encode()), reply=reply, code=code, sentence=sentence)
        sent_at = fields.get("sent_at")
        if sent_at is not None and (untimely := self._untimely(sent_at)):
            code, sentence = untimely
            return Refusal(topic=topic, id=fields["id"], reply=reply, code=code, sentence=sentence)
        if camera is not None:
            fields["camera"] = camera
        return shape.request(topic=topic, reply=reply, **fields)  # type: ignore[return-value]

    def _untimely(self, sent_at: datetime) -> tuple[str, str] | None:
        age_seconds = (self._calendar() - sent_at).total_seconds()
        limit = self._late_after_seconds
        if age_seconds > limit:
            return "late", (
                f"this was sent {age_seconds:.1f} s ago and is done at most {limit:g} s after it was sent: "
                "send it anew if it is still wanted, and see that both clocks are right"
            )
        if age_seconds < -limit:
            return "early", (
                f"sent_at lies {-age_seconds:.1f} s in the future, more than {limit:g} s: set the clocks of the sender "
                "and of this machine"
            )
        return None

    def _reply(self, incoming: Incoming) -> Reply | None:
        """Where the answer goes: nowhere below the base, where it could pass for a command, and to no pattern."""
        topic = incoming.response_topic
        if not topic or len(topic) > LONGEST_RESPONSE_TOPIC or set(topic) & set("+#\0") or topic.startswith("$"):
            return None
        if topic == self._topics.base or self._topics.contains(topic):
            return None
        return Reply(topic, incoming.correlation)

    def _no_command(self, incoming: Incoming, found: ReportTopic | None, reply: Reply | None) -> Refusal:
        topic = incoming.topic
        if found is not None:
            sentence = f"on {shown(topic)} only the daemon speaks: commands go to other topics"
        else:
            near = self._likely_topic(topic)
            advice = f"did you mean {near}?" if near else f"commands are such as {self._topics.base}/camera/NAME/recall"
            sentence = f"there is no command {shown(topic)}: {advice}"
        id_ = _id_in(incoming.payload)
        return Refusal(topic=topic, id=id_, reply=reply, code="unknown-topic", sentence=sentence)

    def _likely_topic(self, topic: str) -> str | None:
        below = topic.removeprefix(f"{self._topics.base}/")
        levels = below.split("/")
        if len(levels) == 3 and _NAME.fullmatch(levels[1]):
            near = likely(f"{levels[0]}/{levels[2]}", [f"camera/{command}" for command in CAMERA_COMMANDS])
            if near is not None:
                return self._topics.command(near.removeprefix("camera/"), levels[1])
        near = likely(below, PLAIN_COMMANDS)
        return None if near is None else self._topics.command(near)


def _id_in(payload: bytes) -> str | None:
    """The `id` in a payload that is otherwise not understood."""
    if not payload.startswith(b"{") or len(payload) > LARGEST_BYTES:
        return None
    try:
        value = from_json(payload)
    except ValueError:
        return None
    found = value.get("id") if isinstance(value, dict) else None
    return found if isinstance(found, str) and len(found) <= commands.LONGEST_ID else None
