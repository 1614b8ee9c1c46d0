"""What the conversation asks of whatever carries its packets."""

from __future__ import annotations

from typing import NamedTuple, Protocol

from ptzd.visca.packets import Packet


class Unreadable(NamedTuple):
    """Bytes that are no packet, and why."""

    data: bytes
    reason: str


class Framing(Protocol):
    """Packets out, packets in: each with its number, whether or not that travels. One for each conversation.

    Times are seconds of any clock that only runs forward.
    """

    def wrap(self, packet: Packet, now: float) -> bytes:
        """Return what is to be sent for a packet; nothing where it must not be sent again."""

    def forget(self) -> None:
        """What was sent so far will not be answered."""

    def unwrap(self, data: bytes, now: float) -> list[Packet | Unreadable]:
        """Take in what the link brought, in whatever pieces; never raises."""
