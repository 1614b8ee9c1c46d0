"""Bare messages, on a stream (serial, TCP) or in datagrams: no header, and no numbers.

Whose a reply is, its place tells: a camera answers in the order in which it is asked. So everything sent is noted in a
row, repeats as well, and a first reply (ACK, answer, error) is about the oldest note that it can be about; what is
older was lost. A note may thus take the reply to a later message, never to an earlier one: no answer is taken for that
to another question. So where a message was sent again and one reply has come, the conversation sends nothing that can
wait until the other has come too, or can be given up. From its ACK on, the socket tells whose a reply is.

IF_Clear stands for RESET: a camera that has answered it sends no reply to what was asked before.

Sources: SRG-300H technical manual, "Command list" (messages of 3 to 16 bytes up to FF, sockets, IF_Clear, which is
answered by 90 50 FF and no ACK). That replies keep the order of what was asked is common practice; no document
promises it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from ptzd.visca.commands import Clear
from ptzd.visca.nibbles import MessageError
from ptzd.visca.packets import LONGEST_PAYLOAD, RESET, Packet, PayloadType
from ptzd.visca.replies import ADDRESS, END, Ack, Answer, Completion, ErrorCode, ErrorReply, Reply, parse_reply

from .framing import Unreadable

CLEARED = bytes.fromhex("90 50 FF")
RELATIVE = bytes.fromhex("01 06 03")  # performed twice, it turns twice as far


class _Note(NamedTuple):
    """One sending, to which no first reply came yet."""

    sequence: int
    kind: PayloadType
    cancels: bool

    @property
    def is_acknowledged(self) -> bool:
        return self.kind is PayloadType.COMMAND and not self.cancels


class Bare:
    """One camera at the other end of the link, whose address is 1."""

    def __init__(self, *, stream: bool) -> None:
        """On a `stream` a message may come in several pieces; in datagrams each begins with one."""
        self._stream = stream
        self._begun = b""  # of a message whose end has not come yet
        self._notes: deque[_Note] = deque()
        self._relative = -1  # the number of the last relative move
        self._sockets: dict[int, int] = {}  # which number the command in a socket has
        self._clears = 0  # IF_Clears that were not answered

    def wrap(self, packet: Packet) -> bytes:
        if packet.payload_type is PayloadType.CONTROL:
            clears = self._clears
            self.forget()
            self._clears = clears + 1
            return Clear.message
        if packet.payload[1:4] == RELATIVE:
            if packet.sequence == self._relative:
                return b""
            self._relative = packet.sequence
        self._notes.append(_Note(packet.sequence, packet.payload_type, packet.payload[1] >> 4 == 2))
        return packet.payload

    def forget(self) -> None:
        self._notes.clear()
        self._relative = -1
        self._sockets.clear()
        self._begun = b""
        self._clears = 0

    def may_mistake(self, sequence: int) -> bool:
        return any(note.sequence == sequence for note in self._notes)

    def give_up(self, sequence: int) -> None:
        self._notes = deque(note for note in self._notes if note.sequence != sequence)

    def unwrap(self, data: bytes) -> list[Packet | Unreadable]:
        *messages, self._begun = (self._begun + data).split(bytes((END,)))
        found = [self._read(message + bytes((END,))) for message in messages]
        if len(self._begun) >= LONGEST_PAYLOAD or (self._begun and not self._stream):
            found.append(Unreadable(self._begun, "no message is so long" if self._stream else "its end is missing"))
            self._begun = b""
        return found

    def _read(self, message: bytes) -> Packet | Unreadable:
        begin = max(0, message.find(ADDRESS))  # what stands before it is noise on the wire
        try:
            reply = parse_reply(message[begin:])
        except MessageError as reason:
            return Unreadable(message, str(reason))
        message = message[begin:]
        if self._clears and message == CLEARED:
            self._clears -= 1
            return Packet(PayloadType.CONTROL_REPLY, 0, RESET)  # the conversation heeds one for all that it has sent
        sequence = self._whose(reply)
        if sequence is None:
            return Unreadable(message, "nothing waits for it")
        return Packet(PayloadType.REPLY, sequence, message)

    def _whose(self, reply: Reply) -> int | None:
        """Return the number of the message that a reply is about."""
        match reply:
            case Ack(socket=socket):
                sequence = self._oldest(lambda note: note.is_acknowledged)
                if sequence is not None:
                    self._sockets[socket] = sequence
                return sequence
            case Answer():
                return self._oldest(lambda note: note.kind is PayloadType.INQUIRY)
            case Completion(socket=socket):
                if socket in self._sockets:
                    return self._sockets.pop(socket)
                return self._oldest(lambda note: note.is_acknowledged)
            case ErrorReply(code=ErrorCode.CANCELLED | ErrorCode.NO_SOCKET, socket=socket):
                self._sockets.pop(socket, None)
                return self._oldest(lambda note: note.cancels)
            case ErrorReply(socket=socket):
                # A camera that performs something answers questions without a socket.
                if socket in self._sockets and (not self._notes or self._notes[0].kind is PayloadType.INQUIRY):
                    return self._sockets.pop(socket)
                if self._notes:
                    return self._oldest(lambda note: True)
                return None

    def _oldest(self, fits: Callable[[_Note], bool]) -> int | None:
        """Take the oldest note that a reply can be about out of the row, and what is older with it."""
        for place, note in enumerate(self._notes):
            if fits(note):
                for _ in range(place + 1):
                    self._notes.popleft()
                return note.sequence
        return None
