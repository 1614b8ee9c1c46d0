"""A message as it was understood: what it asks for, or why that can't be."""

from __future__ import annotations

from typing import Generic, NamedTuple, TypeVar

from ptzd.refusal import Refusal

from .bus import Reply
from .commands import Command

What = TypeVar("What", bound=Command | Refusal, covariant=True)


class Asked(NamedTuple, Generic[What]):
    """What came on a whole topic, with its own `id` and where MQTT 5 wants it answered.

    A Refusal stands where it is no command. Its codes: `unknown-topic`, `bad-name`, `retained`, `too-large`, `empty`,
    `not-utf-8`, `not-json`, `unknown-field`, `missing-field`, `bad-value`, `conflict` (speed and seconds), `late`,
    `early`.

    A `complaint` is a Refusal too: of a payload that could not be read, though what it came for is done all the same.
    `kept` is set of what may be retained where the broker had it from before.
    """

    topic: str
    what: What
    camera: str | None = None  # of a command to one camera
    id: str | None = None
    reply: Reply | None = None
    complaint: Refusal | None = None
    kept: bool = False
