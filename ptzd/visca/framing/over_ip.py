"""VISCA over IP: a packet a datagram, with its number in a header of its own."""

from __future__ import annotations

from ptzd.visca.packets import Packet, PacketError

from .framing import Unreadable


class OverIp:
    """See `packets` for the header."""

    def wrap(self, packet: Packet) -> bytes:
        return packet.encode()

    def forget(self) -> None:
        """Each reply has the number of what it answers."""

    def may_mistake(self, sequence: int) -> bool:
        return False

    def give_up(self, sequence: int) -> None:
        pass

    def unwrap(self, data: bytes) -> list[Packet | Unreadable]:
        try:
            return [Packet.decode(data)]
        except PacketError as reason:
            return [Unreadable(data, str(reason))]
