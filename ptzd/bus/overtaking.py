"""Stops and locks that come ahead of everything else, and the order that all else keeps to them.

Theory of operation. A stop must not wait behind what came before it, wherever that waits: in the daemon, in the stream
of its connection, at the broker. So stops and locks come twice: on a line of their own, with nothing else on it, and in
their turn among all messages. Which of the two is first decides:

- Ahead first, as a rule: it is carried out at once. From then until its copy has come in its turn, what would move that
  camera or unlock it was sent before the stop, and is marked as `overtaken`: carried out now, it would move a head that
  somebody has just stopped. The copy is marked as `again`: a cue that it has overtaken may hold back moves for
  later, so the stop is done once more, and answered no more. What comes behind the copy was sent after the stop.
- In its turn first: it is carried out like any message, and what follows was sent after it. The copy that comes ahead
  is late and is dropped, or it would end what was begun since.

A copy may never come: a broker drops what a full queue does not hold, and a line may be down. So nobody waits for one
for long. A line of its own that is down loses no stop, since each comes in its turn as well; one that was carried out
ahead needs no other line. In doubt, where a copy comes later than it was waited for, a stop is carried out twice, never
not at all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from .bus import Incoming
from .topics import CommandTopic, Topics

COPY_SECONDS = 10.0  # longer than a queue of 40 000 messages takes to be worked off; assumed
QUIET_SECONDS = (
    1.0  # no message for so long: what had waited is worked off, on a busy machine too, and no copy was in it
)
LATE_AHEAD_SECONDS = 2.0  # two or three repeats of a lost TCP segment


@dataclass(frozen=True, slots=True)
class _Awaited:
    copy_of: Incoming
    camera: str | None  # None: all of them
    came_at: float


class Overtaking:
    """Marks what comes on both lines; `clock` is the event loop's time."""

    def __init__(self, topics: Topics, clock: Callable[[], float]) -> None:
        self._topics = topics
        self._clock = clock
        self._two_lines = False
        self._awaited_in_turn: list[_Awaited] = []  # carried out ahead
        self._awaited_ahead: list[_Awaited] = []  # carried out in their turn
        self._last_in_turn = clock()

    def line_ahead(self, up: bool) -> None:
        """Say that the line of its own has come up or gone down."""
        self._two_lines = up
        self._awaited_ahead.clear()

    def ahead(self, incoming: Incoming) -> Incoming | None:
        """Return a message of the line of its own, or None for one that was carried out in its turn before."""
        now = self._clock()
        self._awaited_ahead = [one for one in self._awaited_ahead if now - one.came_at <= LATE_AHEAD_SECONDS]
        if _taken(self._awaited_ahead, incoming):
            return None
        self._awaited_in_turn.append(_Awaited(incoming, self._camera(incoming), now))
        return incoming

    def in_turn(self, incoming: Incoming) -> Incoming:
        """Return a message that comes in its turn, marked where a stop or lock has overtaken it or is its copy."""
        now, last = self._clock(), self._last_in_turn
        self._last_in_turn = now
        if self._awaited_in_turn:
            self._awaited_in_turn = [
                one
                for one in self._awaited_in_turn
                if now - one.came_at <= COPY_SECONDS and now - max(last, one.came_at) <= QUIET_SECONDS
            ]
        if not incoming.retain and self._topics.overtakes(incoming.topic):
            if _taken(self._awaited_in_turn, incoming):
                return replace(incoming, again=True)
            if self._two_lines:
                self._awaited_ahead.append(_Awaited(incoming, self._camera(incoming), now))
            return incoming
        if self._awaited_in_turn:
            return replace(incoming, overtaken=frozenset(one.camera for one in self._awaited_in_turn))
        return incoming

    def _camera(self, incoming: Incoming) -> str | None:
        found = self._topics.parse(incoming.topic)
        return found.camera if isinstance(found, CommandTopic) else None


def _taken(awaited: list[_Awaited], incoming: Incoming) -> bool:
    """Take the first that awaits this copy; return whether there was one."""
    place = next((place for place, one in enumerate(awaited) if one.copy_of == incoming), None)
    if place is not None:
        del awaited[place]
    return place is not None
