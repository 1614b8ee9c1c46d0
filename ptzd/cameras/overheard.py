"""A link that counts what goes over it: how much was lost, and whether somebody else speaks to the camera.

Each question, each RESET and each repeat brings one reply, so whatever has none was lost, on the way there or back. Of
somebody else it hears in two ways. Over IP a camera counts the messages of all who speak to it as one: that a number
which was sent once is out of order (0F 01) means that another has come between. And a reply that nobody here has asked
for is another's, as on a serial line that two share. A camera that counts for each of them alone, or sends each their
own replies, hides the other: then nobody is noticed.
"""

from __future__ import annotations

from ptzd.links import Form, Link
from ptzd.visca import RESET, SEQUENCE_ABNORMAL, Packet, PacketError, PayloadType

_END = 0xFF
_RESET = -1  # it has no number of its own


class Overheard:
    """A link to one camera, for a conversation of questions alone: commands bring two replies each."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self.form: Form = link.form
        self.sent = 0  # messages
        self.answered = 0  # of these
        self.others = 0  # how often it showed that somebody else speaks to the camera
        self.heard = False  # whether anything has come at all, readable or not
        self._waiting: dict[int, int] = {}  # by number, since the last RESET: how many sendings have no reply yet
        self._sendings: dict[int, int] = {}  # by number, since the last RESET
        self._largest = 0  # number sent, ever

    @property
    def trouble(self) -> str | None:
        return self._link.trouble

    def overtake(self) -> None:
        self._link.overtake()

    @property
    def lost(self) -> int:
        """To how many messages no reply has come so far."""
        return self.sent - self.answered

    def send(self, datagram: bytes) -> None:
        if self.form == "numbered":
            self._note(Packet.decode(datagram))
        else:
            self.sent += datagram.count(_END)
        self._link.send(datagram)

    async def receive(self) -> bytes:
        datagram = await self._link.receive()
        self.heard = self.heard or bool(datagram)
        if self.form == "numbered":
            self._hear(datagram)
            return datagram
        for _ in range(datagram.count(_END)):
            if self.lost:
                self.answered += 1
            else:
                self.others += 1
        return datagram

    def _note(self, packet: Packet) -> None:
        self.sent += 1
        number = packet.sequence
        if packet.payload == RESET:
            number = _RESET
            self._sendings = {}
            self._waiting = {_RESET: self._waiting.get(_RESET, 0)}
        self._sendings[number] = self._sendings.get(number, 0) + 1
        self._waiting[number] = self._waiting.get(number, 0) + 1
        self._largest = max(self._largest, number)

    def _hear(self, datagram: bytes) -> None:
        try:
            packet = Packet.decode(datagram)
        except PacketError:
            return
        number = _RESET if packet.payload_type is PayloadType.CONTROL_REPLY else packet.sequence
        if number > self._largest:
            self.others += 1
        elif self._waiting.get(number, 0):  # else it is doubled, or from before a RESET
            self._waiting[number] -= 1
            self.answered += 1
            if packet.payload == SEQUENCE_ABNORMAL and self._sendings[number] == 1:
                self.others += 1
