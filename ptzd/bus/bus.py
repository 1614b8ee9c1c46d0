"""What every bus offers, a broker behind it or not: messages in one by one, messages out at once."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Protocol

from .topics import Topics


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message as it came.

    `retain` is set where the broker had kept it from before, not when it was just said.

    A stop or lock that was sent after this message may have been carried out before it: `overtaken` names its cameras,
    None among them stands for all. `again` marks one that was carried out already and now comes in its turn. See
    `overtaking.py`.
    """

    topic: str
    payload: bytes
    retain: bool = False
    response_topic: str | None = None
    correlation: bytes | None = None
    overtaken: frozenset[str | None] = frozenset()
    again: bool = False


@dataclass(frozen=True, slots=True)
class Reply:
    """Where an MQTT 5 sender wants its answer, and what is to be sent along with it."""

    topic: str
    correlation: bytes | None


class Bus(Protocol):
    """The daemon's side of the bus, for as long as its context lasts. One consumer iterates over it."""

    @property
    def topics(self) -> Topics:
        """The topics it listens to and speaks on."""

    @property
    def connected(self) -> bool:
        """Whether a broker hears what is said."""

    @property
    def asks_anew(self) -> bool:
        """Whether another daemon may hold the base since this one stood still; until that is known it moves nothing."""

    async def hold(self) -> None:
        """Wait until no other daemon is known to hold the base, before the first camera is spoken to.

        Where no broker can be asked, it is asked later. Raises HeldElsewhere, as the iteration does from then on.
        """

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, correlation: bytes | None = None) -> None:
        """Say something on a whole topic. Never waits and never raises, whether or not a broker is there.

        What is retained is remembered and said anew whenever the broker comes back; while it can't be sent, a newer
        payload takes an older one's place. All else is sent once, if the broker is back within half a minute.
        """

    def __aiter__(self) -> AsyncIterator[Incoming]:
        """Return the messages as they come; what the daemon itself says is not among them."""
