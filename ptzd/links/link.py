"""What every link offers: datagrams out at once, datagrams in one by one."""

from __future__ import annotations

from typing import Protocol


class Link(Protocol):
    """A way to one camera. It knows no protocol: a datagram is any bytes."""

    def send(self, datagram: bytes) -> None:
        """Hand one datagram to the network now. Never waits and never raises: a network loses datagrams anyway."""

    async def receive(self) -> bytes:
        """Return the next datagram from the camera's own address."""
