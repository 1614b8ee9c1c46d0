"""What a camera says back: `90 ... FF`.

| bytes | meaning |
|---|---|
| `90 4s FF` | ACK: the command is performed in socket s |
| `90 5s FF` | completion: the command in socket s has ended (s is 0 for what used no socket) |
| `90 50 data FF` | the answer to an inquiry |
| `90 6s cc FF` | error |

Source: SRG-300H technical manual; length error: FCB-EH4300 VISCA reference.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from .nibbles import MessageError

ADDRESS = 0x90
END = 0xFF


class ErrorCode(IntEnum):
    """Why something was not performed. Those above 0xFF are no error replies of the camera's own."""

    MESSAGE_LENGTH = 0x01
    SYNTAX = 0x02
    BUFFER_FULL = 0x03
    CANCELLED = 0x04
    NO_SOCKET = 0x05
    NOT_EXECUTABLE = 0x41
    OTHER = 0x100  # an error reply with a code that is in no list
    UNREADABLE = 0x101  # the camera answered in a form that its dialect does not know


_CODES = {int(code): code for code in ErrorCode if code <= 0xFF}


@dataclass(frozen=True, slots=True)
class Ack:
    """The command is being performed in a socket."""

    socket: int

    def encode(self) -> bytes:
        return bytes((ADDRESS, 0x40 | self.socket, END))


@dataclass(frozen=True, slots=True)
class Completion:
    """The command in this socket has ended; socket 0 where none was used."""

    socket: int

    def encode(self) -> bytes:
        return bytes((ADDRESS, 0x50 | self.socket, END))


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to an inquiry: at least one byte."""

    data: bytes

    def encode(self) -> bytes:
        return bytes((ADDRESS, 0x50, *self.data, END))


@dataclass(frozen=True, slots=True)
class ErrorReply:
    """Something was not performed; socket 0 where none was used."""

    socket: int
    code: ErrorCode

    def encode(self) -> bytes:
        """Return the message. Raises ValueError for a code that a camera has no byte for."""
        if self.code > 0xFF:
            raise ValueError(f"{self.code.name} is no error reply")
        return bytes((ADDRESS, 0x60 | self.socket, self.code, END))


Reply = Ack | Completion | Answer | ErrorReply


def parse_reply(message: bytes) -> Reply:
    """Read one message from the camera. Raises MessageError."""
    if len(message) < 3 or message[0] != ADDRESS or message.find(END) != len(message) - 1:
        raise MessageError(f"{message.hex(' ')} is no reply: it starts with 90, and ends with its first FF")
    kind, socket = message[1] >> 4, message[1] & 0xF
    size = len(message)
    if kind == 4 and size == 3:
        return Ack(socket)
    if kind == 5:
        if size == 3:
            return Completion(socket)
        if socket == 0:
            return Answer(message[2:-1])
    if kind == 6 and size == 4:
        return ErrorReply(socket, _CODES.get(message[2], ErrorCode.OTHER))
    raise MessageError(f"{message.hex(' ')} is neither ACK, completion, answer nor error")
