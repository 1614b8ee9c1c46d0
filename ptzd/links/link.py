"""What every link offers: datagrams out at once, datagrams in one by one."""

from __future__ import annotations

from typing import Literal, Protocol

Form = Literal["numbered", "stream", "datagrams"]  # datagrams with a header that numbers them; or bare ones

LOST = b""  # what `receive` returns where a connection has ended, or begun anew: what was said on it gets no answer


class Link(Protocol):
    """A way to one camera. It knows no protocol: a datagram is any bytes."""

    @property
    def form(self) -> Form:
        """How messages travel on it: whoever speaks the protocol wraps them in that way."""

    @property
    def trouble(self) -> str | None:
        """Why nothing can pass, in words; None where nothing is known that is in the way."""

    def send(self, datagram: bytes) -> None:
        """Hand one datagram to the network now. Never waits and never raises: a network loses datagrams anyway."""

    def overtake(self) -> None:
        """Forget what was to be sent and has not left: what comes next must not wait for it."""

    async def receive(self) -> bytes:
        """Return the next datagram from the camera's own address, or `LOST`."""
