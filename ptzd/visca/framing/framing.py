"""What the conversation asks of whatever carries its packets."""

from __future__ import annotations

from typing import NamedTuple, Protocol

from ptzd.visca.packets import Packet


class Unreadable(NamedTuple):
    """Bytes that are no packet, and why."""

    data: bytes
    reason: str


class PacketFraming(Protocol):
    """Packets out, packets in: each with its number, whether or not that travels. One for each conversation."""

    def wrap(self, packet: Packet) -> bytes:
        """Return what is to be sent for a packet; nothing where it must not be sent again."""

    def forget(self) -> None:
        """What was sent so far will not be answered."""

    def may_mistake(self, sequence: int) -> bool:
        """Whether a later reply would be taken for another to this message: it was sent again, and answered once."""

    def give_up(self, sequence: int) -> None:
        """No other reply to this message is to be expected any more."""

    def unwrap(self, data: bytes) -> list[Packet | Unreadable]:
        """Take in what the link brought, in whatever pieces; never raises."""
