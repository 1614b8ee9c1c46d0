"""Which commands came lately, so that one that is sent twice is done once and answered twice.

A sender repeats a command, with its `id`, when it doubts that the first arrived. A repeat is the same command with
the same `id`: another command with an `id` that was used before is done, because two senders may count alike.
"""

from __future__ import annotations

from dataclasses import dataclass

from .asked import Asked
from .bus import Reply
from .commands import Command

MOST = 1024
REPEAT_SECONDS = 60.0
LONGEST_SECONDS = 900.0  # a move may be asked to take 600 s


@dataclass(frozen=True, slots=True)
class Answer:
    """Something said of a command on a whole topic; nothing is said of it after a `final` one."""

    topic: str
    payload: bytes
    final: bool


@dataclass(frozen=True, slots=True)
class Repeat:
    """A command that came before. `latest` is what was last said of it, to be said again; None if nothing yet."""

    latest: Answer | None


@dataclass(slots=True)
class _Known:
    asked: Asked[Command]
    first_at: float
    replies: list[Reply]
    latest: Answer | None = None

    def counts(self, now: float) -> bool:
        """Whether the same command coming `now` would be a repeat."""
        unfinished = self.latest is None or not self.latest.final
        return now - self.first_at <= (LONGEST_SECONDS if unfinished else REPEAT_SECONDS)


class Outcomes:
    """The last `most` commands that carried an `id`, each for a minute, or until its end where that comes later."""

    def __init__(self, *, most: int = MOST) -> None:
        self._most = most
        self._known: dict[tuple[str | None, str], _Known] = {}  # by camera and id, the oldest first

    def claim(self, asked: Asked[Command], now: float) -> Repeat | None:
        """Return None for a command that is to be done, or the Repeat. `now` is the event loop's time.

        Where the repeat wants its answers is remembered too: they get whatever is still to be said.
        """
        if asked.id is None:
            return None
        key = asked.camera, asked.id
        known = self._known.get(key)
        if known is not None and known.counts(now) and _same(known.asked, asked):
            if asked.reply is not None and asked.reply not in known.replies:
                known.replies.append(asked.reply)
            return Repeat(known.latest)
        self._known.pop(key, None)
        self._known[key] = _Known(asked, now, [] if asked.reply is None else [asked.reply])
        if len(self._known) > self._most:
            del self._known[next(iter(self._known))]
        return None

    def said(self, camera: str | None, request_id: str | None, answer: Answer) -> tuple[Reply, ...]:
        """Remember what is said of a command, and return where else it is to be said: to all who sent it."""
        known = None if request_id is None else self._known.get((camera, request_id))
        if known is None:
            return ()
        known.latest = answer
        return tuple(known.replies)


def _same(one: Asked[Command], other: Asked[Command]) -> bool:
    """Whether both ask for the same; when and by whom they were sent may differ."""
    return one.topic == other.topic and _but_when(one.what) == _but_when(other.what)


def _but_when(command: Command) -> dict[str, object]:
    return {field: value for field, value in command if field != "sent_at"}
