"""From a message as it came to a command, or to a refusal with one sentence. Nothing that arrives may raise here."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from functools import lru_cache
from typing import Any

from pydantic import ValidationError
from pydantic_core import from_json

from ptzd.likely import likely
from ptzd.names import NAME_PATTERN
from ptzd.refusal import Refusal

from .asked import Asked
from .bus import Incoming, Reply
from .commands import A_NAME, LARGEST_BYTES, LONGEST_ID, Command, RecallCommand
from .messages import OF_A_CAMERA
from .sentences import name_sentence, payload_complaint, shown
from .topics import CommandTopic, Topics

LONGEST_RESPONSE_TOPIC = 1000  # characters

_NAME = re.compile(NAME_PATTERN.removeprefix("^").removesuffix("$"))


class Intake:
    """Reads messages below a base."""

    def __init__(self, topics: Topics, *, calendar: Callable[[], datetime], late_after_seconds: float = 2.0) -> None:
        """`calendar` tells aware dates; what was sent longer ago than `late_after_seconds` is refused."""
        self._topics = topics
        self._calendar = calendar
        self._late_after_seconds = late_after_seconds

    def read(self, incoming: Incoming) -> Asked[Command | Refusal]:
        """Return what a message asks for. Never raises."""
        reply = self._reply(incoming) if incoming.response_topic is not None else None
        found = self._topics.parse(incoming.topic)
        try:
            if not isinstance(found, CommandTopic):
                raise self._no_command(incoming.topic, only_said=found is not None)
            command = self._command(found, incoming)
        except Refusal as refusal:
            id = _id_in(incoming.payload)
            if isinstance(found, CommandTopic) and refusal.code not in ("retained", "bad-name"):
                done, told = found.command.though_unread(id)
                if done is not None:
                    complaint = Refusal(refusal.code, f"{refusal.sentence}; {told}", refusal.hint)
                    return Asked(incoming.topic, done, found.camera, id, reply, complaint)
            return Asked(incoming.topic, refusal, None, id, reply)
        return Asked(incoming.topic, command, found.camera, command.id, reply, kept=incoming.retain)

    def _command(self, found: CommandTopic, incoming: Incoming) -> Command:
        kind, payload = found.command, incoming.payload
        if incoming.retain and not kind.may_be_retained:
            raise Refusal(
                "retained",
                "this command was retained, so it would be done again at every start: publish it without retain, and "
                "clear the retained one with an empty retained message",
            )
        if found.camera is not None and not _NAME.fullmatch(found.camera):
            raise Refusal("bad-name", name_sentence("camera", found.camera))
        if kind.any_payload:
            return kind(id=_id_in(payload))
        if len(payload) > kind.largest_bytes:
            raise Refusal("too-large", f"the payload has {len(payload)} bytes: it may have {kind.largest_bytes}")
        try:
            text = payload.decode().removeprefix("\ufeff").strip()
        except UnicodeDecodeError as error:
            raise Refusal(
                "not-utf-8",
                f"byte {error.start + 1} of the payload (0x{payload[error.start]:02x}) is not UTF-8: "
                f"write UTF-8 text such as {kind.in_words()}",
            ) from None
        return self._from_object(kind, text) if text.startswith("{") else _from_text(kind, text)

    def _from_object(self, kind: type[Command], text: str) -> Command:
        try:
            command = kind.model_validate_json(text)
        except ValidationError as error:
            raise payload_complaint(error, kind) from None
        sent_at: datetime | None = getattr(command, "sent_at", None)
        if sent_at is not None:
            self._require_timely(sent_at)
        return command

    def _require_timely(self, sent_at: datetime) -> None:
        age_seconds = (self._calendar() - sent_at).total_seconds()
        limit = self._late_after_seconds
        if age_seconds > limit:
            raise Refusal(
                "late",
                f"this was sent {age_seconds:.1f} s ago and is done at most {limit:g} s after it was sent: "
                "send it anew if it is still wanted, and see that both clocks are right",
            )
        if age_seconds < -limit:
            raise Refusal(
                "early",
                f"sent_at lies {-age_seconds:.1f} s in the future, more than {limit:g} s: set the clocks of the sender "
                "and of this machine",
            )

    def _reply(self, incoming: Incoming) -> Reply | None:
        """Where the answer goes: nowhere below the base, where it could pass for a command, and to no pattern."""
        topic = incoming.response_topic
        if not topic or len(topic) > LONGEST_RESPONSE_TOPIC or set(topic) & set("+#\0") or topic.startswith("$"):
            return None
        if topic == self._topics.base or self._topics.contains(topic):
            return None
        return Reply(topic, incoming.correlation)

    def _no_command(self, topic: str, *, only_said: bool) -> Refusal:
        if only_said:
            return Refusal("unknown-topic", f"on {shown(topic)} only the daemon speaks: commands go to other topics")
        near = self._likely_topic(topic)
        advice = f"did you mean {near}?" if near else f"commands are such as {self._topics.of(RecallCommand)}"
        return Refusal("unknown-topic", f"there is no command {shown(topic)}: {advice}")

    def _likely_topic(self, topic: str) -> str | None:
        below = topic.removeprefix(f"{self._topics.base}/")
        kinds = {kind.on: kind for kind in self._topics.commands}
        levels = below.split("/")
        if len(levels) == 3 and _NAME.fullmatch(levels[1]):
            of_a_camera = {on.replace(OF_A_CAMERA, "camera/"): kind for on, kind in kinds.items() if OF_A_CAMERA in on}
            if (near := likely(f"{levels[0]}/{levels[2]}", of_a_camera)) is not None:
                return self._topics.of(of_a_camera[near], levels[1])
        near = likely(below, [on for on in kinds if OF_A_CAMERA not in on])
        return None if near is None else self._topics.of(kinds[near])


@lru_cache(256)  # what is refused is not kept, so no flood of noise pushes a show's few names out
def _from_text(kind: type[Command], text: str) -> Command:
    """Read what is no JSON object. For a recall this is the shortest way: no clock is asked."""
    bare = kind.bare
    if not text:
        if kind.may_be_empty:
            return kind()
        raise Refusal("empty", f"the payload is empty: write it such as {kind.in_words()}")
    if bare is None or (bare is A_NAME and text[0] in '["'):
        raise Refusal("not-json", f"the payload {shown(text)} is no JSON object: write it such as {kind.in_words()}")
    try:
        value: Any = bare.read(text)
        return kind(**{bare.field: value})
    except ValueError:
        if bare is A_NAME:
            raise Refusal("bad-name", name_sentence("position", text)) from None
        raise Refusal("bad-value", f"the payload is {shown(text)}: write it such as {kind.in_words()}") from None


def _id_in(payload: bytes) -> str | None:
    """The `id` in a payload that is otherwise not understood."""
    if len(payload) > LARGEST_BYTES or not (text := payload.removeprefix(b"\xef\xbb\xbf").strip()).startswith(b"{"):
        return None
    try:
        value = from_json(text)
    except ValueError:
        return None
    found = value.get("id") if isinstance(value, dict) else None
    return found if isinstance(found, str) and len(found) <= LONGEST_ID else None
