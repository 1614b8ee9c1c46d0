"""Which of the daemons that listen below one base holds it: two of them would both do whatever is asked.

Theory of operation. A daemon that connects asks on a topic of its own who is there, before it says or hears anything
else. One that holds the base answers, and who asked goes. Where nobody answers in time the base is its own; a retained
`status` is no answer, since the broker may keep that of a daemon that died without a will. What is said names a daemon
by its start and a token, so that any two agree which of them stays:

| this one | it hears one that | what it does                               |
|----------|-------------------|--------------------------------------------|
| asks     | holds             | goes                                       |
| holds    | asks              | answers                                    |
| asks     | asks              | answers where it was started first, or goes |
| holds    | holds             | the same                                   |

Two hold the base where neither heard the other. One that was cut off from its broker, or stood still for so long that
another may have taken its place, asks anew, and goes where another has: whoever served meanwhile stays, with the locks
that were made there.
"""

from __future__ import annotations

from datetime import datetime

from pydantic import ValidationError

from .messages import DaemonMessage


class HeldElsewhere(Exception):
    """Another daemon holds the base; the text is one sentence that says which, and what to do."""


class Holding:
    """What one daemon knows of it. No clock: when to stop waiting for an answer, whoever asks says with `hold`."""

    def __init__(self, *, host: str, since: datetime, token: str) -> None:
        """`since` is when this daemon was started, an aware date; `token` is like that of no other daemon."""
        self._me = DaemonMessage(token=token, host=host, since=since, holds=False)
        self._other: DaemonMessage | None = None

    @property
    def holds(self) -> bool:
        """Whether the base is this daemon's."""
        return self._me.holds

    @property
    def lost(self) -> bool:
        """Whether another daemon holds it, so that this one is to go."""
        return self._other is not None

    def ask(self) -> bytes:
        """Return what is to be said first on each connection, and after a standstill; until `hold` nothing else is."""
        self._me = self._me.model_copy(update={"holds": False})
        return self.word()

    def hold(self) -> bool:
        """Take the base, since nobody has answered; return whether it is this daemon's now."""
        self._me = self._me.model_copy(update={"holds": not self.lost})
        return self.holds

    def word(self) -> bytes:
        """Return what this daemon says of itself."""
        return self._me.encode()

    def heard(self, payload: bytes) -> bytes | None:
        """Take note of what a daemon says, and return what is to be said to that. What is no such word is ignored."""
        try:
            other = DaemonMessage.model_validate_json(payload)
        except ValidationError:
            return None
        me = self._me
        if self.lost or other.token == me.token:
            return None
        stays = me.holds if me.holds != other.holds else (me.since, me.token) < (other.since, other.token)
        if stays:
            return self.word()
        self._other = other
        self._me = me.model_copy(update={"holds": False})
        return None

    def require(self, base: str) -> None:
        """Raise HeldElsewhere where another daemon holds `base`."""
        if (other := self._other) is not None:
            which = f"on the computer {other.host}, started at {other.since.astimezone():%H:%M:%S on %Y-%m-%d}"
            raise HeldElsewhere(
                f"Another daemon runs below the topic {base} already, {which}; "
                "end that one first, or give this one a base_topic of its own in the configuration under [broker]."
            )
