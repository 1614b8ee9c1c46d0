"""Asking what may be a camera, and may be in somebody else's hands: questions only, and as few as will do.

A conversation (`line.py`) begins with RESET or IF_Clear. Both disturb whoever speaks to the camera already: after a
RESET their next message is out of order, and an IF_Clear ends the moves that they have ordered. So a first question
goes without either. Over IP its number is one that is nobody's next: a camera that keeps count refuses it, goes on
counting for the other, and by that has shown that it is there; one that does not keep count just answers. Only a
camera that refused it is sent a RESET, one, since it tells nothing otherwise; where its count changes again under the
questions that follow, somebody else is speaking to it, and it is left alone at once. On bare links nothing is reset;
but whoever opens a serial port has it alone, and by that sets addresses and clears all (`links/chain.py`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import suppress
from typing import TypeVar

from ptzd.links import Link
from ptzd.visca import (
    RESET,
    SEQUENCE_ABNORMAL,
    Answer,
    Dialect,
    ErrorReply,
    Inquiry,
    MessageError,
    Packet,
    PacketError,
    PayloadType,
    parse_reply,
)

T = TypeVar("T")

NOBODYS_NUMBER = 0x5A5A0000  # whoever numbers from a RESET on has to say a thousand million messages to come here
PATIENCE_SECONDS = 0.4  # for one reply: three times as long as the slowest heads take, as the first repeats are
SENDINGS = 4  # of one question
FIRST_SENDINGS = 2  # of the very first: most addresses of a range are nobody's
FIRST_SENDINGS_ON_A_STREAM = 6  # a connection takes its time, and so does setting addresses
END = 0xFF


class SpokenTo(Exception):
    """Somebody else speaks to the camera: its count of messages has changed under our questions."""


class Spacing:
    """Spaces all that is sent, to whomever: so many a second."""

    def __init__(self, per_second: float) -> None:
        """`per_second` is above 0."""
        self._pause_seconds = 1.0 / per_second
        self._next_at = 0.0

    async def turn(self) -> None:
        """Return when the next may leave."""
        now = asyncio.get_running_loop().time()
        at = max(now, self._next_at)
        self._next_at = at + self._pause_seconds
        await asyncio.sleep(at - now)


class Asker:
    """Questions over one link to whatever is there."""

    def __init__(self, link: Link, spacing: Spacing) -> None:
        self._link = link
        self._spacing = spacing
        self._number = NOBODYS_NUMBER
        self._begun = b""  # of a message on a stream
        self.keeps_count = False  # whether it was sent a RESET, since it refuses numbers out of order
        self.strange: bytes | None = None  # what came that is no message of a camera

    async def there(self, inquiry: Inquiry[T], dialect: Dialect) -> bool:
        """Ask something for the first time; return whether a camera is there, having brought its count in step."""
        for _ in range(FIRST_SENDINGS_ON_A_STREAM if self._link.form == "stream" else FIRST_SENDINGS):
            reply = await self._reply_to(inquiry.encode(dialect))
            if reply == SEQUENCE_ABNORMAL:
                self.keeps_count = True
                return await self._reset()
            if reply is not None:
                return True
        return False

    async def ask(self, inquiry: Inquiry[T], dialect: Dialect) -> T | None:
        """Return what it answers; None where it does not know the question, says nothing or what can't be read.

        Raises SpokenTo.
        """
        repeated = False
        for _ in range(SENDINGS):
            reply = await self._reply_to(inquiry.encode(dialect), repeated=repeated and self.keeps_count)
            if reply == SEQUENCE_ABNORMAL:
                if not repeated:
                    raise SpokenTo
                repeated = False  # it was the answer that was lost, and this number is used up
                continue
            repeated = reply is None
            if reply is None:
                continue
            with suppress(MessageError):
                match parse_reply(reply):
                    case Answer(data=data):
                        return inquiry.read(data, dialect)
            return None
        return None

    async def _reset(self) -> bool:
        for _ in range(SENDINGS):
            await self._spacing.turn()
            self._link.send(Packet(PayloadType.CONTROL, 0, RESET).encode())
            with suppress(TimeoutError):
                async with asyncio.timeout(PATIENCE_SECONDS):
                    while not self._is_reset(await self._link.receive()):
                        pass
                self._number = 0
                return True
        return True  # it is there all the same, and will be told as one that says no more

    def _is_reset(self, datagram: bytes) -> bool:
        with suppress(PacketError):
            return Packet.decode(datagram).payload_type is PayloadType.CONTROL_REPLY
        return False

    async def _reply_to(self, message: bytes, *, repeated: bool = False) -> bytes | None:
        """Send a question, `repeated` with the number that it had, and return the reply to it."""
        await self._spacing.turn()
        numbered = self._link.form == "numbered"
        if numbered:
            self._number += not repeated
            message = Packet(PayloadType.INQUIRY, self._number, message).encode()
        self._link.send(message)
        with suppress(TimeoutError):
            async with asyncio.timeout(PATIENCE_SECONDS):
                while True:
                    datagram = await self._link.receive()
                    for reply in self._numbered(datagram) if numbered else self._bare(datagram):
                        return reply
        return None

    def _numbered(self, datagram: bytes) -> Iterator[bytes]:
        try:
            packet = Packet.decode(datagram)
        except PacketError:
            self.strange = datagram or self.strange  # nothing at all says that a connection has begun anew
            return
        if packet.sequence == self._number and packet.payload_type is not PayloadType.CONTROL_REPLY:
            yield packet.payload

    def _bare(self, datagram: bytes) -> Iterator[bytes]:
        *messages, self._begun = (self._begun + datagram).split(bytes((END,)))
        for message in messages:
            whole = message + bytes((END,))
            try:
                reply = parse_reply(whole)
            except MessageError:
                self.strange = whole
                continue
            if isinstance(reply, Answer | ErrorReply):
                yield whole
        if len(self._begun) > 16:
            self.strange, self._begun = self._begun, b""
